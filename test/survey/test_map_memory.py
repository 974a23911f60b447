# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Mappers that keep a part of every height from grid to grid are found, and grids freed of it."""

from __future__ import annotations

from collections.abc import Callable
import math

from berm_ledger.geometry import GridAxes
from berm_ledger.site_source import load_site
from berm_ledger.survey import ElevationGrid
from berm_ledger.survey.area import survey_area, SurveyArea
from berm_ledger.survey.carried import CarriedOver
from berm_ledger.survey.map_memory import BLOCK, EVERY, GridBefore, MapMemory, without_memory
from berm_ledger.survey.noise import GridNoise
import numpy as np
import numpy.testing as npt
import pytest

ROOT_SITE = 'config/demo_site.yaml'
CELL_M, NOISE_M = 0.02, 0.004
ALL = (slice(None), slice(None))
Scan = Callable[[int, tuple[int, int]], np.ndarray]


@pytest.fixture(scope='module')
def area(request: pytest.FixtureRequest) -> SurveyArea:
    """Return the surveyed cells of the demo."""
    return survey_area(load_site(str(request.config.rootpath / ROOT_SITE)).site, ground_m=0.0)


def axes_over(area: SurveyArea, moved: int = 0) -> tuple[GridAxes, tuple[int, int]]:
    """Return axes of a grid over all of the area and more, so many cells on, and its shape."""
    low = area.centres_xy.min(axis=0) - 0.1 + moved * CELL_M
    size = np.ceil((np.ptp(area.centres_xy, axis=0) + 0.4) / CELL_M).astype(int)
    return (GridAxes((float(low[0]), float(low[1])), (0.0, CELL_M), (CELL_M, 0.0)),
            (int(size[1]), int(size[0])))


class Mapped:
    """What is learned of grids of a mapper."""

    def __init__(self, area: SurveyArea) -> None:
        """Begin with no grid."""
        self.area, self.memory, self.carried = area, MapMemory(area), CarriedOver()
        self.noise, self.shown = GridNoise(), 0

    def show(self, height_m: np.ndarray, moved: int = 0) -> None:
        """Show a grid that lies so many cells on."""
        axes, _ = axes_over(self.area, moved)
        self.shown += 1
        grid = ElevationGrid(self.shown, 'map', axes, height_m.astype(np.float32))
        self.carried.fresh(grid)
        self.noise = self.memory.learned(self.noise, axes, grid.height_m, self.carried.before)


def averaged(kept: float, scans: list[np.ndarray]) -> list[np.ndarray]:
    """Return the grids of a mapper that keeps a part of each height."""
    out = scans[:1]
    for scan in scans[1:]:
        out.append(kept * out[-1] + (1.0 - kept) * scan)
    return out


def scans_of(area: SurveyArea, count: int, seed: int = 0) -> list[np.ndarray]:
    """Return scans of level ground."""
    rng = np.random.default_rng(seed)
    return [rng.normal(0.0, NOISE_M, axes_over(area)[1]) for _ in range(count)]


def learned(area: SurveyArea, grids: list[np.ndarray]) -> GridNoise:
    """Return the noise after all grids."""
    mapped = Mapped(area)
    for height_m in grids:
        mapped.show(height_m)
    return mapped.noise


# ---- freed of it -----------------------------------------------------------------------------


@pytest.mark.parametrize('kept', [0.3, 0.5, 0.8])
def test_a_geometric_approach_is_a_step(kept: float) -> None:
    """After n grids ``1 - kept**n`` of 60 mm has come up; freed of it each grid shows it all."""
    before = None
    for n in range(6):
        now = np.full((3, 4), 0.06 * (1.0 - kept**n), dtype=np.float32)
        freed = without_memory(now, before, kept)
        npt.assert_allclose(freed, 0.06 if n else 0.0, atol=2e-7)
        before = GridBefore((0, 0), ALL, ALL, now)


def test_cells_that_were_or_are_unknown_are_as_they_came() -> None:
    """The grid has moved by a row; one cell was a hole before, another one is now."""
    was = np.array([[0.0, 0.1], [np.nan, 0.1], [0.1, 0.1]], dtype=np.float32)
    now = np.array([[0.2, np.nan], [0.2, 0.1], [0.3, 0.3]], dtype=np.float32)
    before = GridBefore((1, 0), (slice(0, 2), slice(None)), (slice(1, 3), slice(None)), was)
    npt.assert_allclose(without_memory(now, before, 0.5),
                        [[0.2, np.nan], [0.3, 0.1], [0.3, 0.3]], atol=1e-6)
    assert without_memory(now, before, 0.0) is now
    assert without_memory(now, None, 0.5) is now


def test_errors_of_freed_grids_are_those_of_scans() -> None:
    """
    A mean of n grids errs as one of so many times less of them, freed or not.

    ``(1 - k) / (1 + k)`` as many, G. V. Bayley and J. M. Hammersley, The effective number of
    independent observations in an autocorrelated time series, Suppl. J. R. Stat. Soc. 8, 1946.
    """
    kept, count, rng = 0.6, 40, np.random.default_rng(3)
    grids = averaged(kept, list(rng.normal(0.0, NOISE_M, (60 + count, 100, 100))))[60:]
    freed = [without_memory(now.astype(np.float32), GridBefore(
        (0, 0), ALL, ALL, was.astype(np.float32)), kept) for was, now in zip(grids, grids[1:])]
    scan_m = float(np.std(freed))
    assert scan_m == pytest.approx(NOISE_M, rel=0.01)
    assert scan_m == pytest.approx(
        np.std(grids) * math.sqrt((1.0 + kept) / (1.0 - kept)), rel=0.02)
    # Told by the noise of a freed grid, the error of a mean is that of independent ones.
    assert np.std(np.mean(freed, axis=0)) == pytest.approx(
        scan_m / math.sqrt(count - 1), rel=0.03)


# ---- how much is kept ------------------------------------------------------------------------


@pytest.mark.parametrize('kept', [0.3, 0.5, 0.7, 0.8])
def test_what_a_mapper_keeps_is_known_before_the_first_load(
    area: SurveyArea, kept: float
) -> None:
    """A survey of 24 grids that begins with the mapper: sure to what is stated, three of it."""
    for seed in range(3):
        noise = learned(area, averaged(kept, scans_of(area, 24, seed)))
        assert abs(noise.kept - kept) < 3.0 * noise.kept_se + 0.01
        assert noise.kept_se < 0.06


@pytest.mark.parametrize('kept', [0.3, 0.5, 0.8])
def test_what_a_mapper_keeps_is_known_well_in_the_end(area: SurveyArea, kept: float) -> None:
    noise = learned(area, averaged(kept, scans_of(area, 100)))
    assert noise.kept == pytest.approx(kept, abs=0.01)
    assert noise.kept_se < 0.01


def test_a_filter_in_its_steady_state_keeps_what_its_gain_leaves(area: SurveyArea) -> None:
    """
    A Kalman filter of a random walk: K of P = q / 2 + sqrt(q^2 / 4 + q r) is P / (P + r).

    The steady state of the scalar Riccati equation; scans of 4 mm, a walk of 2 mm.
    """
    scans, variance, held = scans_of(area, 80), NOISE_M**2, None
    grids = []
    for scan in scans:
        if held is None:
            held = scan
        else:
            variance += 0.002**2
            gain = variance / (variance + NOISE_M**2)
            held, variance = held + gain * (scan - held), (1.0 - gain) * variance
        grids.append(held)
    steady = 0.5 * 0.002**2 + math.sqrt(0.25 * 0.002**4 + 0.002**2 * NOISE_M**2)
    assert learned(area, grids).kept == pytest.approx(
        NOISE_M**2 / (steady + NOISE_M**2), abs=0.02)


def last(count: int, pick: Callable[..., np.ndarray]) -> Callable[..., list[np.ndarray]]:
    """Return mappers that pick from so many last scans."""
    return lambda scans: [pick(scans[max(0, n + 1 - count):n + 1], axis=0)
                          for n in range(len(scans))]


def off_by_a_field(scans: list[np.ndarray]) -> list[np.ndarray]:
    """Return scans that share an error of 4 mm while the robot stands, six at a place."""
    rng = np.random.default_rng(5)
    fields = rng.normal(0.0, 0.004, (len(scans) // 6 + 1, *scans[0].shape))
    return [scan + fields[n // 6] for n, scan in enumerate(scans)]


def tilting(scans: list[np.ndarray]) -> list[np.ndarray]:
    """Return scans whose tilt wanders by some millimetres a metre."""
    ahead_m = CELL_M * np.arange(scans[0].shape[1])
    tilt = 0.002 * np.cumsum(np.random.default_rng(6).normal(0.0, 1.0, len(scans)))
    return [scan + slope * ahead_m for scan, slope in zip(scans, tilt)]


@pytest.mark.parametrize('mapper', [
    lambda scans: scans, last(3, np.mean), last(5, np.mean), last(3, np.median),
    last(5, np.median), last(3, np.max), off_by_a_field, tilting,
    lambda scans: [np.rint(scan / 0.005) * 0.005 for scan in scans],
], ids=['none', 'mean of 3', 'mean of 5', 'median of 3', 'median of 5', 'highest of 3',
        'a field that stays', 'a tilt that wanders', 'steps of 5 mm'])
def test_of_others_nothing_is_taken_off(
    area: SurveyArea, mapper: Callable[[list[np.ndarray]], list[np.ndarray]]
) -> None:
    """They have no such memory, or none of this kind; means begin much like one, and settle."""
    mapped = Mapped(area)
    for n, height_m in enumerate(mapper(scans_of(area, 60))):
        mapped.show(height_m)
        assert mapped.noise.kept == 0.0 or n < 24


def test_a_window_that_moves_by_whole_cells_is_followed(area: SurveyArea) -> None:
    """The robot goes on by two cells a grid; holes come and go."""
    rng, kept, mapped = np.random.default_rng(1), 0.5, Mapped(area)
    _, (rows, cols) = axes_over(area)
    held = rng.normal(0.0, NOISE_M, (rows + 100, cols + 100))
    for n in range(40):
        seen = rng.random(held.shape) > 0.05
        scan = rng.normal(0.0, NOISE_M, held.shape)
        held = np.where(seen, kept * held + (1.0 - kept) * scan, held)
        mapped.show(held[2 * n:2 * n + rows, 2 * n:2 * n + cols], 2 * n)
    assert mapped.noise.kept == pytest.approx(kept, abs=0.02)


def test_grids_that_follow_no_lattice_tell_nothing(area: SurveyArea) -> None:
    mapped = Mapped(area)
    for n, height_m in enumerate(averaged(0.5, scans_of(area, 30))):
        mapped.show(height_m, 0.4 * n)
    assert mapped.noise.kept == 0.0


def test_a_mapper_that_is_set_otherwise_is_followed_after_a_restart(area: SurveyArea) -> None:
    """What an earlier run has learned holds at once, and gives way to what grids show then."""
    first = Mapped(area)
    for height_m in averaged(0.7, scans_of(area, 60)):
        first.show(height_m)
    again = Mapped(area)
    again.memory.resume(first.memory.figures())
    assert again.memory.of(GridNoise()).kept == pytest.approx(0.7, abs=0.02)
    for height_m in averaged(0.3, scans_of(area, 200, seed=8)):
        again.show(height_m)
    assert again.noise.kept == pytest.approx(0.3, abs=0.04)


def test_where_nothing_is_kept_grids_are_looked_at_now_and_then(area: SurveyArea) -> None:
    """A mapper that begins to average is found in the next block of grids that are looked at."""
    mapped, scans = Mapped(area), scans_of(area, 40)
    for n in range(EVERY + 8):
        mapped.show(scans[n % len(scans)])
    assert mapped.noise.kept == 0.0
    counts = mapped.memory.figures()[0]
    for n in range(BLOCK, BLOCK + 20):
        mapped.show(scans[n % len(scans)])
    assert mapped.memory.figures()[0] > counts
