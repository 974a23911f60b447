# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The surface of a borrow area: volumes in closed form, level, datum, what stands on it."""

from __future__ import annotations

from dataclasses import replace
import math

from berm_ledger.borrow.desk import AreaDesk
from berm_ledger.borrow.lane_figures import (
    cut_of_load_m,
    figures_of,
    LaneFigures,
    next_lane,
    room_left,
    why_void,
)
from berm_ledger.borrow.lanes import lanes_of_area
from berm_ledger.borrow.layers import is_borrow_layer, layers_of, restore
from berm_ledger.borrow.patch import BorrowPatch
from berm_ledger.geometry import GridAxes, Pose2
from berm_ledger.survey import ElevationGrid
from berm_ledger.survey.noise import GridNoise
from berm_ledger.survey.registration import Shift
from borrow_kit import a_site, PIT
import numpy as np
import numpy.testing as npt
import pytest

SECOND_NS = 1_000_000_000
NOISE = GridNoise(0.004, 0.0)
AXES = GridAxes((-4.0, -2.0), (0.0, 0.02), (0.02, 0.0))
X_M, Y_M = np.meshgrid(-4.0 + 0.02 * np.arange(201), -2.0 + 0.02 * np.arange(201))
AWAY = Pose2(3.0, 3.0)
# Along y, beside the area to either side.
WAYS = (-3.5, -1.2)
# Along the first lane, in the middle of it.
PASS = [Pose2(-1.74, y, math.pi / 2.0) for y in np.arange(-1.0, 0.61, 0.1)]


def ground() -> np.ndarray:
    """Return gently sloping natural ground."""
    return 0.03 * X_M - 0.02 * Y_M


class Area:
    """A patch and the grids that it is shown."""

    def __init__(self, site=None, seed: int = 1) -> None:
        self.site = site or a_site()
        self.patch = BorrowPatch(self.site, self.site.yard.borrow_areas[0])
        self.lanes = lanes_of_area(self.site, self.patch.area)
        self.rng = np.random.default_rng(seed)
        self.stamp_ns = 1_000 * SECOND_NS

    def look(self, height_m, count: int, *, level_m: float = 0.0, noise_m: float = 0.004,
             pose: Pose2 = AWAY, shift: Shift | None = None) -> None:
        for _ in range(count):
            self.stamp_ns += SECOND_NS
            noisy = height_m + level_m + noise_m * self.rng.standard_normal(height_m.shape)
            grid = ElevationGrid(self.stamp_ns, 'map', AXES, noisy.astype(np.float32))
            assert self.patch.take_grid(grid, pose, 0.0, shift or Shift(), NOISE)

    def surveyed(self) -> Area:
        self.look(ground(), 12)
        assert self.patch.survey_complete
        assert self.patch.take_datum() == 1.0
        return self

    def dig(self, poses=PASS) -> None:
        for pose in poses:
            self.patch.work(pose, self.stamp_ns)
        self.patch.settle()


def trench(depth_m: float) -> np.ndarray:
    """Return the ground with a trench 1.6 m long in the first lane, inside its cells."""
    cut = (np.abs(X_M + 1.74) < 0.17) & (np.abs(Y_M) < 0.8)
    return ground() - depth_m * cut


def trench_m3(depth_m: float) -> float:
    """Return what is missing between the nodes of the grid, bilinear."""
    return float((ground() - trench(depth_m)).sum()) * 0.02 * 0.02


@pytest.mark.parametrize('depth_m', [0.006, 0.02, 0.08])
def test_the_volume_of_a_trench(depth_m: float) -> None:
    """Length x width x depth, within 3 % or three of its own errors, and no other lane."""
    area = Area().surveyed()
    area.dig()
    area.look(trench(depth_m), 8)
    volume, error = area.patch.volume_m3(area.patch.counted, NOISE)
    true = trench_m3(depth_m)
    assert true == pytest.approx(1.6 * 0.34 * depth_m, rel=0.05)
    assert abs(volume - true) < max(3.0 * error, 1e-5)
    assert abs(volume - true) < max(0.03 * true, 0.0003)
    figures = figures_of(area.patch, area.lanes)
    assert figures[0].deepest_m == pytest.approx(depth_m, abs=0.003)
    assert all(abs(f.mean_m) < 0.001 for f in figures[2:])


def test_a_trench_is_whole_at_once_where_a_mapper_shows_it_by_and_by() -> None:
    """It keeps 0.7 of each height: after three grids 1 - 0.7**3 of 20 mm shows, all the same."""
    area, noise = Area(), replace(NOISE, kept=0.7)
    held_m = ground()
    for n in range(33):
        if n == 30:
            area.patch.take_datum()
            area.dig()
        scan_m = (trench(0.02) if n >= 30 else ground()) + 0.004 * area.rng.standard_normal(
            held_m.shape)
        held_m = 0.7 * held_m + 0.3 * scan_m
        area.stamp_ns += SECOND_NS
        area.patch.take_grid(ElevationGrid(
            area.stamp_ns, 'map', AXES, held_m.astype(np.float32)), AWAY, 0.0, Shift(), noise)
    volume, error = area.patch.volume_m3(area.patch.counted, noise)
    assert abs(volume - trench_m3(0.02)) < max(3.0 * error, 0.03 * trench_m3(0.02))


def test_natural_ground_is_surveyed_on_until_the_drum_has_passed() -> None:
    """Its error falls by the root of the looks, as of any mean; where the drum was it stays."""
    area = Area().surveyed()
    patch = area.patch
    area.dig()
    true_m, before_m = patch.points_xy @ (0.03, -0.02), patch.datum_m.copy()
    area.look(trench(0.02), 36)
    patch.survey_late()
    still = patch.near & ~patch.touched
    assert still.any()
    assert patch.touched.any()
    npt.assert_array_equal(patch.datum_m[patch.touched], before_m[patch.touched])
    error_m, error_before_m = (np.std((level_m - true_m)[still])
                               for level_m in (patch.datum_m, before_m))
    assert error_m / error_before_m == pytest.approx(math.sqrt(12.0 / 48.0), rel=0.15)
    worth = patch.datum_looks
    assert np.median(worth[still]) > 2.0 * np.median(worth[patch.touched & patch.near])


def test_the_level_of_the_map_makes_no_cut() -> None:
    """Three centimetres of level drift after the survey change no volume; the apron tells."""
    area = Area().surveyed()
    area.dig()
    area.look(trench(0.02), 8, level_m=0.03)
    volume, error = area.patch.volume_m3(area.patch.counted, NOISE)
    assert abs(volume - trench_m3(0.02)) < 3.0 * error


def test_the_shift_found_over_the_berm_is_used() -> None:
    """Ground shown moved and raised, and said to be so, is the same ground."""
    area = Area().surveyed()
    moved = 0.03 * (X_M - 0.05) - 0.02 * Y_M + 0.01
    area.look(moved, 4, shift=Shift(dx_m=0.05, dz_m=0.01))
    npt.assert_allclose(np.nanmean(area.patch.depth_m()[area.patch.near]), 0.0, atol=5e-4)


def test_noise_where_nobody_dug_is_no_cut() -> None:
    """Only where the drum has passed counts."""
    area = Area().surveyed()
    area.look(ground(), 20)
    assert area.patch.volume_m3(area.patch.counted, NOISE) == (0.0, 0.0)


def test_the_error_is_honest() -> None:
    """Of repeated surveys about 95 % of the volumes lie within 1.96 standard errors."""
    inside = []
    for seed in range(25):
        area = Area(seed=seed).surveyed()
        area.dig()
        area.look(trench(0.01), 4)
        volume, error = area.patch.volume_m3(area.patch.counted, NOISE)
        inside.append(abs(volume - trench_m3(0.01)) < 1.96 * error)
    assert np.mean(inside) >= 0.85


def test_ground_that_a_map_carries_over_is_not_the_floor_of_a_cut() -> None:
    """A mapper shows the ground as it was until the sensor has seen the trench."""
    area = Area().surveyed()
    noise = 0.004 * area.rng.standard_normal((2, *X_M.shape))
    area.look(ground() + noise[0], 1, noise_m=0.0)
    area.dig()
    # All but the surroundings of the trench is measured anew.
    kept = np.hypot(X_M + 1.74, Y_M) < 1.2
    area.look(ground() + np.where(kept, noise[0], noise[1]), 1, noise_m=0.0)
    assert area.patch.awaited.any()
    area.look(trench(0.02), 8)
    assert not area.patch.awaited.any()
    volume, error = area.patch.volume_m3(area.patch.counted, NOISE)
    assert abs(volume - trench_m3(0.02)) < 3.0 * error


def test_what_the_rover_covers_is_not_known() -> None:
    """Where it stands on the trench nothing is seen, and the error says so."""
    area = Area().surveyed()
    area.dig()
    area.look(trench(0.02), 4, pose=Pose2(-1.74, 0.0, math.pi / 2.0))
    covered = area.patch.volume_m3(area.patch.counted, NOISE)
    area.look(trench(0.02), 4)
    seen = area.patch.volume_m3(area.patch.counted, NOISE)
    assert covered[1] > 2.0 * seen[1]
    assert abs(seen[0] - trench_m3(0.02)) < 3.0 * seen[1]


def test_a_grid_without_apron_is_left_alone() -> None:
    """Where no ground around the area is seen, no level can be told."""
    area = Area().surveyed()
    height = np.full(X_M.shape, np.nan, dtype=np.float32)
    inside = (np.abs(X_M + 2.3) < 0.5) & (np.abs(Y_M) < 0.5)
    height[inside] = 0.0
    grid = ElevationGrid(area.stamp_ns + SECOND_NS, 'map', AXES, height)
    assert not area.patch.take_grid(grid, AWAY, 0.0, Shift(), NOISE)


def test_ground_before_the_first_load_is_that_before_the_last_stay() -> None:
    """Without a complete survey, the looks before the drum came are the datum."""
    area = Area()
    area.look(ground(), 4)
    area.dig()
    area.look(trench(0.03), 4)
    assert not area.patch.survey_complete
    assert area.patch.take_datum(after_a_load=True) == 1.0
    area.look(trench(0.03), 6)
    volume, _ = area.patch.volume_m3(area.patch.counted, NOISE)
    assert volume == pytest.approx(trench_m3(0.03), rel=0.05)


def test_too_little_ground_is_no_datum() -> None:
    """Half of the area must have been seen."""
    area = Area()
    height = ground()
    height[:, X_M[0] > -2.6] = np.nan
    area.look(height, 3)
    assert area.patch.take_datum() is None


def test_layers_bring_the_surface_back() -> None:
    """A restart goes on with the same cut; layers of another lattice are left alone."""
    area = Area().surveyed()
    area.dig()
    area.look(trench(0.02), 5)
    layers = layers_of(area.patch, area.stamp_ns)
    assert all(is_borrow_layer(layer) for layer in layers)
    again = BorrowPatch(area.site, area.patch.area)
    restore(again, layers)
    npt.assert_array_equal(again.depth_m(), area.patch.depth_m())
    assert again.volume_m3(again.counted, NOISE)[0] == area.patch.volume_m3(
        area.patch.counted, NOISE)[0]
    other = a_site(((-3.2, -1.0), (-1.56, -1.0), (-1.56, 1.0), (-3.2, 1.0)))
    fresh = BorrowPatch(other, other.yard.borrow_areas[0])
    restore(fresh, layers)
    assert not fresh.surface.known.any()
    assert layers_of(fresh, 0) == ()


def rutted(ground_m: np.ndarray, depth_m: float, *, dug: bool) -> np.ndarray:
    """Return heights with ruts of two wheels along ``WAYS``, there and back."""
    out = ground_m.copy()
    for x_m in (*WAYS, PASS[0].x_m) if dug else WAYS:
        wheel = np.abs(np.abs(X_M - x_m) - 0.25) < 0.05
        out[wheel & (np.abs(Y_M) < 1.7)] = (ground_m - depth_m)[wheel & (np.abs(Y_M) < 1.7)]
    return out


def driven(area: Area, x_m: float) -> None:
    """Go there and back along y."""
    way = np.arange(-1.4, 1.41, 0.06)
    for y_m in (*way, *way[::-1]):
        area.patch.tracks.note(Pose2(x_m, y_m, math.pi / 2.0), area.patch.surface)
    for y_m in (40.0, -40.0):
        area.patch.tracks.note(Pose2(40.0, y_m), area.patch.surface)


@pytest.mark.parametrize('depth_m', [0.012, 0.020])
def test_what_wheels_press_down_is_no_cut(depth_m: float) -> None:
    """
    Ruts as deep beside the area as in it, and a lane dug 20 mm deep: that alone is cut.

    Where wheels are not known to sink in all that fell is cut, 22 and 50 % too much here.
    """
    found = []
    for sinks in (True, False):
        area = Area().surveyed()
        area.patch.sinks = sinks
        for x_m in WAYS:
            driven(area, x_m)
        area.look(rutted(ground(), depth_m, dug=False), 2)
        area.patch.survey_late()
        driven(area, PASS[0].x_m)
        area.dig()
        # What the drum has passed over is a lane wide and what slides beside.
        bottom_m = rutted(ground(), depth_m, dug=True) - (ground() - trench(0.02))
        area.look(bottom_m, 8)
        area.patch.learn_ruts()
        found.append(area.patch.volume_m3(area.patch.counted, NOISE))
    true_m3 = trench_m3(0.02)
    (volume_m3, error_m3), (all_m3, _) = found
    assert abs(volume_m3 - true_m3) < 1.96 * error_m3
    assert volume_m3 == pytest.approx(true_m3, rel=0.08)
    assert all_m3 > 1.2 * true_m3


def test_layers_bring_back_what_is_known_of_ruts() -> None:
    """The same cut after a restart; passes that come then count on."""
    area = Area().surveyed()
    area.patch.sinks = True
    for x_m in WAYS:
        driven(area, x_m)
    area.dig()
    area.look(rutted(trench(0.02), 0.01, dug=False), 5)
    area.patch.learn_ruts()
    again = BorrowPatch(area.site, area.patch.area)
    restore(again, layers_of(area.patch, area.stamp_ns))
    assert again.sinks
    npt.assert_array_equal(again.tracks.passes, area.patch.tracks.passes)
    npt.assert_array_equal(again.tracks.before, area.patch.tracks.before)
    npt.assert_allclose(again.depth_m(), area.patch.depth_m(), atol=1e-6)
    assert again.tracks.sunk_m(again.tracks.before).max() > 0.004


@pytest.mark.parametrize(('figures', 'reason'), [
    (LaneFigures(1, 0.0, 0.05, 0.090, 0.02), None),
    (LaneFigures(1, 0.0, 0.05, 0.096, 0.02), 'deep'),
    (LaneFigures(1, 0.0, 0.05, 0.05, 0.051), 'steep'),
    (LaneFigures(1, math.nan, math.nan, math.nan, math.nan), None)])
def test_a_lane_is_closed_when_too_deep_or_too_steep(figures, reason) -> None:
    """Limit 0.10 m with 5 mm to come; clearance of the wheels 0.05 m within 0.10 m."""
    assert why_void(a_site(), 0.10, figures, 0.005) == reason
    if reason == 'deep':
        assert why_void(a_site(), None, figures, 0.005) is None


def test_the_edge_of_a_deep_cut_is_steep() -> None:
    """A wall of 8 cm is a step of 8 cm within a wheel's length; one of 2 cm is 2 cm."""
    for depth_m in (0.02, 0.08):
        area = Area().surveyed()
        area.dig()
        area.look(trench(depth_m), 8)
        first = figures_of(area.patch, area.lanes)[0]
        assert first.step_m == pytest.approx(depth_m, abs=0.006)
        assert (why_void(area.site, None, first, 0.0) == 'steep') is (depth_m > 0.05)


def test_ground_that_was_filled_in_is_no_edge_of_a_cut() -> None:
    """Nobody has seen a hump of 70 mm before the first cut: it is no wall, 10 mm were dug."""
    area, hump_m = Area(), 0.07 * (np.hypot(X_M + 1.74, Y_M) < 0.15)
    area.look(np.where(hump_m > 0.0, np.nan, ground()), 12)
    assert area.patch.take_datum() < 1.0
    area.dig()
    area.look(trench(0.01) + hump_m, 8)
    first = figures_of(area.patch, area.lanes)[0]
    assert first.step_m == pytest.approx(0.01, abs=0.006)
    assert why_void(area.site, None, first, 0.0) is None


def test_the_next_lane_is_the_one_dug_least() -> None:
    """Of equals the one nearest to the robot; closed ones never; none left is none."""
    area = Area()
    figures = [LaneFigures(n, 0.0, depth, depth, 0.0)
               for n, depth in ((1, 0.02), (2, 0.004), (3, 0.0045), (4, math.nan))]
    chosen = next_lane(area.lanes, figures, ())
    assert chosen is not None
    assert chosen.number == 4
    near_third = Pose2(area.lanes[2].start.x_m, area.lanes[2].start.y_m)
    chosen = next_lane(area.lanes, figures, (4,), near_third)
    assert chosen is not None
    assert chosen.number == 3
    assert next_lane(area.lanes, figures, (1, 2, 3, 4)) is None


def test_a_load_spreads_over_the_lane() -> None:
    """6 kg at 1500 kg/m3 is 4 l loose, 3.6 l in the bank, 5 mm over 2.0 x 0.36 m."""
    area = Area()
    assert cut_of_load_m(area.site, area.lanes[0]) == pytest.approx(
        0.004 / 1.11 / 0.72, rel=1e-4)


def test_room_left_is_area_times_depth() -> None:
    """Untouched: 1.44 x 2.0 m and 0.10 m; a closed lane has none."""
    area = Area().surveyed()
    left = room_left(area.patch, area.lanes, (), 0.005)
    assert left == pytest.approx((1.44 * 2.0, 0.288), rel=0.03)
    less = room_left(area.patch, area.lanes, (1,), 0.005)
    assert less[0] == pytest.approx(0.75 * left[0], rel=0.05)


def test_a_large_area_gets_coarser_cells() -> None:
    """No more cells than can be afforded."""
    site = a_site(((-30.0, -30.0), (-4.0, -30.0), (-4.0, 0.0), (-30.0, 0.0)))
    patch = BorrowPatch(site, site.yard.borrow_areas[0])
    assert len(patch.points_xy) <= 45_000
    assert BorrowPatch(a_site(PIT), a_site(PIT).yard.borrow_areas[0]).lattice.cell_m == (
        pytest.approx(0.03))


def test_two_visits_without_a_look_between_are_told_apart_by_nothing() -> None:
    """The cut of the second is unknown; one look between, and it is that of the second alone."""
    found = []
    for looks in (0, 3):
        area = Area().surveyed()
        desk = AreaDesk(area.site, area.patch)
        for depth_m, seen in ((0.01, looks), (0.02, 3)):
            for pose in PASS:
                desk.visit(pose, area.stamp_ns)
            if seen:
                area.look(trench(depth_m), seen)
            area.patch.settle()
            own = area.patch.volume_m3(area.patch.visited, NOISE, desk.before)
            desk.leave()
            area.stamp_ns += SECOND_NS
        found.append(own)
    assert math.isnan(found[0][0])
    second_m3 = trench_m3(0.02) - trench_m3(0.01)
    assert abs(found[1][0] - second_m3) < 3.0 * found[1][1]
