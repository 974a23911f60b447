# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How far wheels press the ground down, learned where no drum works."""

from __future__ import annotations

import math

from berm_ledger.borrow.tracks import BANDS, FIRM_LOOKS, LEAST_CELLS, Tracks
from berm_ledger.geometry import Lattice, Polygon, Pose2
from berm_ledger.survey.surface import SiteSurface
import numpy as np
import numpy.testing as npt
import pytest

FOOTPRINT = Polygon([[-0.45, -0.30], [0.35, -0.30], [0.35, 0.30], [-0.45, 0.30]])
LATTICE = Lattice(-3.0, -2.0, 0.03, 134, 201)
X, Y = LATTICE.centres_xy().reshape(-1, 2).T
COUNT = len(X)
CELL_M2 = 0.03 * 0.03
BARE, DUG = np.flatnonzero(X < 0.0), X >= 0.0
# Wheels of 0.10 m on either side, at the sides of the footprint.
WHEEL_M = (0.20, 0.30)


class Ground:
    """Level ground that sinks to a depth, by a share of what is left with each pass of a wheel."""

    def __init__(self, depth_m: float, share: float = 0.5, seed: int = 1) -> None:
        self.depth_m, self.share = depth_m, share
        self.tracks, self.surface = Tracks(LATTICE, FOOTPRINT), SiteSurface(COUNT)
        self.surface.put(np.arange(COUNT), np.zeros(COUNT), 10.0)
        self.sunk_m = np.zeros(COUNT)
        self.rng = np.random.default_rng(seed)

    def drive(self, x_m: float, times: int = 1, along: tuple[float, float] = (-1.4, 1.4)) -> None:
        """Go up and down along y at a place, there and back in turn, heading up."""
        way = np.arange(along[0], along[1], 0.06)
        for turn in range(times):
            for y_m in way if turn % 2 == 0 else way[::-1]:
                self.tracks.note(Pose2(x_m, y_m, math.pi / 2.0), self.surface)
            # From afar to the next pass.
            self.tracks.note(Pose2(40.0, 40.0), self.surface)
            self.tracks.note(Pose2(40.0, -40.0), self.surface)
            off_m = np.abs(X - x_m)
            under = (off_m > WHEEL_M[0]) & (off_m < WHEEL_M[1]) & (
                way[0] - 0.45 < Y) & (way[-1] + 0.35 > Y)
            self.sunk_m += self.share * under * (self.depth_m - self.sunk_m)

    def look(self, noise_m: float = 0.001) -> None:
        """Show all of it, and have it learned where nobody digs."""
        height_m = -self.sunk_m + noise_m * self.rng.standard_normal(COUNT)
        self.surface.put(np.arange(COUNT), height_m, 10.0)
        self.tracks.look(np.ones(COUNT, dtype=bool))
        self.tracks.learn(BARE, self.surface.height_m)

    def found_m3(self, where: np.ndarray) -> float:
        """Return by how much some ground is taken to have sunk [m3]."""
        nothing = np.zeros((COUNT, BANDS), dtype=np.uint8)
        return float(self.tracks.sunk_m(nothing)[where].sum()) * CELL_M2


@pytest.mark.parametrize('depth_m', [0.005, 0.012, 0.020])
def test_ruts_where_the_drum_works_are_those_of_the_same_wheels_beside(depth_m: float) -> None:
    """Ruts of two wheels, driven once, twice and eight times in either part of the ground."""
    ground = Ground(depth_m)
    for x_m, times in ((-2.4, 1), (-1.5, 2), (-0.6, 8), (0.6, 1), (1.5, 2), (2.4, 8)):
        ground.drive(x_m, times)
    ground.look()
    for x_m, share in ((0.6, 0.5), (1.5, 0.75), (2.4, 1.0)):
        where = np.abs(X - x_m) < 0.45
        true_m3 = ground.sunk_m[where].sum() * CELL_M2
        # Two wheels x width x length, to the width of a cell.
        assert true_m3 == pytest.approx(share * depth_m * 2 * 0.10 * (2.8 + 0.8), rel=0.2)
        assert ground.found_m3(where) == pytest.approx(true_m3, rel=0.1)
    # Between the wheels nothing has sunk.
    assert abs(ground.found_m3(np.abs(X - 2.4) < 0.17)) < 0.03 * true_m3


def test_tracks_over_each_other_sink_no_deeper_than_the_ground_does() -> None:
    """Forty passes at places 0.06 m apart: all ground that any wheel has gone over, once."""
    ground = Ground(0.010)
    for x_m, times in ((-2.4, 1), (-1.5, 2), (-0.6, 8)):
        ground.drive(x_m, times)
    for x_m in 1.2 + 0.06 * np.arange(10):
        ground.drive(x_m, 4)
    ground.look()
    assert ground.found_m3(DUG) == pytest.approx(ground.sunk_m[DUG].sum() * CELL_M2, rel=0.05)


def test_firm_ground_does_not_sink() -> None:
    """Noise of 2 mm is no rut: of 2 m2 driven over, less than a tenth of a millimetre."""
    ground = Ground(0.0)
    for x_m in (-2.4, -1.5, -0.6, 0.6, 1.5):
        ground.drive(x_m, 3)
    ground.look(noise_m=0.002)
    assert abs(ground.found_m3(DUG)) < 0.0001 * 2.0


def test_what_has_sunk_before_counts_no_more() -> None:
    """From the second pass on: half of the depth, then a quarter of it."""
    ground = Ground(0.012)
    for x_m, times in ((-2.4, 1), (-1.5, 2), (-0.6, 8), (1.5, 1)):
        ground.drive(x_m, times)
    ground.look()
    before = ground.tracks.shown.copy()
    ground.drive(1.5)
    where = np.abs(X - 1.5) < 0.45
    # No look has shown the second pass yet.
    assert not ground.tracks.sunk_m(before)[where].any()
    ground.look()
    found_m3 = float(ground.tracks.sunk_m(before)[where].sum()) * CELL_M2
    assert found_m3 == pytest.approx(ground.sunk_m[where].sum() / 3.0 * CELL_M2, rel=0.15)


def test_ground_that_was_not_known_before_the_first_pass_tells_nothing() -> None:
    """Too few looks: how it stood before the wheels came nobody knows."""
    ground = Ground(0.012)
    ground.surface.put(np.arange(COUNT), np.zeros(COUNT), FIRM_LOOKS - 1.0)
    ground.drive(-1.5, 2)
    ground.look()
    assert np.isnan(ground.tracks.firm_m).all()
    assert ground.found_m3(DUG | ~DUG) == 0.0
    # Driven over again it is still not known.
    ground.drive(-1.5)
    assert np.isnan(ground.tracks.firm_m).all()


def test_few_cells_tell_nothing() -> None:
    """A corner of the ground around, just crossed."""
    ground = Ground(0.012)
    ground.drive(-2.4, 1, along=(-2.2, -1.9))
    few = np.flatnonzero(np.isfinite(ground.tracks.firm_m))[:LEAST_CELLS - 1]
    ground.tracks.look(np.ones(COUNT, dtype=bool))
    ground.tracks.learn(few, (-ground.sunk_m).astype(np.float32))
    assert ground.found_m3(DUG | ~DUG) == 0.0


def test_who_stands_or_is_far_off_passes_over_nothing() -> None:
    """Poses that scatter by millimetres; the border of the lattice; many passes are not few."""
    ground, rng = Ground(0.01), np.random.default_rng(0)
    ground.tracks.note(Pose2(1.0, 0.0), ground.surface)
    for x_m, y_m in 0.002 * rng.standard_normal((20, 2)):
        ground.tracks.note(Pose2(1.0 + x_m, y_m), ground.surface)
    assert not ground.tracks.passes.any()
    ground.tracks.note(Pose2(-60.0, 4.0), ground.surface)
    assert not ground.tracks.passes.any()
    for turn in range(600):
        ground.tracks.note(Pose2(LATTICE.x0_m - 0.1 - 2.0 * (turn % 2), 0.0), ground.surface)
    assert ground.tracks.passes.max() == 255
    npt.assert_array_equal(ground.tracks.passes.any(axis=1), ground.tracks.gone)
