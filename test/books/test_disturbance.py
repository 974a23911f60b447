# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The watch over changes, on flat squares of a few cells."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from typing import Any

from berm_ledger.books.changes import Evidence
from berm_ledger.books.charts import Canvas
from berm_ledger.books.disturbance import ALLOWANCE, Change, DisturbanceWatch, LIMIT, RECENT
from berm_ledger.books.recent import RecentLooks
from berm_ledger.books.shared_shift import LevelLook, robust_spread, SharedShift
from berm_ledger.books.verdicts import assessed_losses, GROUND_SIGMAS
from berm_ledger.geometry import Lattice
from berm_ledger.kernels import numpy_only
from berm_ledger.survey.noise import GridNoise
import numpy as np
import pytest
from sequential_kit import Cusum, cusum_run_length

SIDE = 40
LATTICE = Lattice(0.0, 0.0, 0.015, SIDE, SIDE)
EVERY = np.arange(SIDE * SIDE)
NOISE = GridNoise(0.003, 0.0)
CELL_M2 = 0.015**2


class Square:
    """A watch over flat ground of 0.6 m x 0.6 m, and what lies on it."""

    def __init__(self, seed: int = 0, looks: float = 50.0, noise: GridNoise = NOISE) -> None:
        """Accept flat ground."""
        self.noise = noise
        self.watch = DisturbanceWatch(Canvas(LATTICE, EVERY))
        self.rng = np.random.default_rng(seed)
        self.height_m = np.zeros(SIDE * SIDE)
        self.open = np.zeros(SIDE * SIDE, dtype=bool)
        self.seen = np.ones(SIDE * SIDE, dtype=bool)
        self.stamp_ns = 0
        self.watch.accept(EVERY, self.height_m, np.full(SIDE * SIDE, looks), 0)

    def block(self, rows: slice, cols: slice, rise_m: float) -> None:
        """Raise or lower a block of cells."""
        self.height_m.reshape(SIDE, SIDE)[rows, cols] += rise_m

    def look(
        self, count: int, lift_m: float = 0.0, surface_m: np.ndarray | None = None
    ) -> list[Change]:
        """Look so many times, one second apart; return the changes."""
        out = []
        surface_m = self.height_m if surface_m is None else surface_m
        for _ in range(count):
            self.stamp_ns += 1_000_000_000
            measured = self.height_m + lift_m + self.noise.total_m * self.rng.standard_normal(
                len(self.height_m))
            measured[~self.seen] = np.nan
            level, planar_m = self.watch.level(measured, self.open)
            out += self.watch.look(
                level, planar_m, surface_m, np.full(len(measured), 10.0), self.open,
                ground_m=np.zeros(len(measured)), noise=self.noise, shift_error_m=0.001,
                stamp_ns=self.stamp_ns)
        return out

    def restart(self) -> None:
        """Go on with what is kept beside the books."""
        old, self.watch = self.watch, DisturbanceWatch(Canvas(LATTICE, EVERY))
        was, now = old.accepted, self.watch.accepted
        for name in ('height_m', 'looks', 'fill_m'):
            getattr(now, name)[:] = getattr(was, name)
        now.same.put_back(was.same.at())
        self.watch.put_back(old.evidence())


BLOCK = (slice(10, 20), slice(12, 22))


def test_nothing_comes_of_nothing() -> None:
    """Sixty looks of pure noise."""
    assert Square().look(60) == []


def test_a_hole_is_booked_once_with_its_volume() -> None:
    """Ten by ten cells, 20 mm deep: 0.45 litre; found from the fourth look on, then accepted."""
    square = Square()
    square.look(5)
    square.block(*BLOCK, -0.020)
    changes = square.look(5)
    assert [c.kind for c in changes] == ['disturbed']
    change = changes[0]
    assert change.volume_m3 == pytest.approx(100 * 0.020 * CELL_M2, rel=0.03)
    assert abs(change.volume_m3 - 0.00045) < 3.0 * change.volume_se_m3
    assert change.window_from_ns == 5_000_000_000
    assert change.first_seen_ns == 6_000_000_000
    hole = np.flatnonzero(square.height_m < 0.0)
    assert np.isin(hole, change.cells).all()
    assert square.look(30) == []


@pytest.mark.parametrize(('depth_m', 'looks'), [(0.020, 4), (0.060, 3), (0.100, 2)])
@pytest.mark.parametrize(('wrong_share', 'more'), [(0.0, 0), (0.001, 0), (0.005, 2)])
def test_a_loss_is_asked_for_more_looks_of_a_sensor_that_shows_wrong_cells(
    depth_m: float, looks: int, wrong_share: float, more: int
) -> None:
    """Two looks that were wrong at the same cells, by 2 l, were taken for a loss."""
    square = Square(noise=replace(NOISE, wrong_share=wrong_share))
    square.look(5)
    square.block(*BLOCK, -depth_m)
    assert square.look(looks + more - 1) == []
    assert [change.seen for change in square.look(1)] == [looks + more]


def test_a_loss_that_a_load_is_about_to_bury_is_booked_at_once_and_whole() -> None:
    """Also where only its corner will be; from the second look on, and only if it is plain."""
    square = Square()
    square.look(5)
    square.block(*BLOCK, -0.020)
    corner, elsewhere = EVERY.reshape(SIDE, SIDE)[8:12, 8:14], np.arange(20)
    assert square.look(1) + square.watch.plain_losses(corner.ravel()) == []
    assert square.look(1) + square.watch.plain_losses(elsewhere) == []
    change, = square.watch.plain_losses(corner.ravel())
    assert change.kind == 'disturbed'
    assert change.volume_m3 == pytest.approx(100 * 0.020 * CELL_M2, rel=0.05)
    assert (change.window_from_ns, change.first_seen_ns) == (5_000_000_000, 6_000_000_000)
    assert square.look(10) == []


@pytest.mark.parametrize('stopped_after', [1, 2, 3, 5])
@pytest.mark.parametrize('steps', [
    [(BLOCK, -0.020)], [(BLOCK, 0.020)], [(BLOCK, -0.012)],
    [((slice(10, 15), slice(4, 14)), -0.020), ((slice(10, 15), slice(20, 30)), 0.020)]],
    ids=['hole', 'fill', 'hollow', 'slide'])
def test_a_restart_among_the_looks_changes_no_entry(steps: list, stopped_after: int) -> None:
    """Looks before and after it count together: the same cells are booked at the same look."""
    booked = []
    for stops in (False, True):
        square, out = Square(), []
        square.look(5)
        for place, rise_m in steps:
            square.block(*place, rise_m)
        for look in range(1, 12):
            out += [(look, c.kind, c.cells.tolist(), c.first_seen_ns, c.window_from_ns,
                     c.volume_m3, c.volume_se_m3) for c in square.look(1)]
            if stops and look == stopped_after:
                square.restart()
        booked.append(out)
    assert booked[0]
    assert [entry[:5] for entry in booked[1]] == [entry[:5] for entry in booked[0]]
    np.testing.assert_allclose(
        [entry[5:] for entry in booked[1]], [entry[5:] for entry in booked[0]], rtol=1e-3)


def test_a_speck_and_a_thin_line_are_no_change() -> None:
    """Two cells by two, and a row of single cells, a centimetre deep."""
    square = Square()
    square.block(slice(5, 7), slice(5, 7), -0.010)
    square.block(slice(30, 31), slice(2, 38), -0.010)
    assert square.look(20) == []


def test_a_change_below_detection_is_none() -> None:
    """Three millimetres are less than the smallest change that counts."""
    square = Square()
    square.block(*BLOCK, -0.003)
    assert square.look(30) == []


@pytest.mark.parametrize(('depth_m', 'standing_m', 'booked'), [
    (0.010, 0.04, True), (0.008, 0.04, False), (0.010, 0.0, False), (0.012, 0.0, True)])
def test_bare_ground_must_fall_by_more_than_soil_that_stands(
    depth_m: float, standing_m: float, booked: bool
) -> None:
    """
    A hollow of seven by seven cells, four looks of much noise: 3.7, 4.6 and 5.5 standard errors.

    Five are asked for where nothing stands, as noise that neighbours share once came to four in
    twenty-four hours of simulated patrol; 4.5 elsewhere, as it came to 3.4 on a toe.
    """
    fall, flat = np.zeros(SIDE * SIDE), np.zeros(SIDE * SIDE)
    fall.reshape(SIDE, SIDE)[10:17, 10:17] = depth_m
    changes = assessed_losses(Evidence(
        Canvas(LATTICE, EVERY), flat, flat + 50.0, flat, -fall, flat + 4.0, -fall, flat == 0.0,
        GridNoise(0.010, 0.006), flat, flat + standing_m), np.flatnonzero(fall))
    assert [change.kind for change in changes] == ['disturbed'] * booked
    for change in changes:
        assert change.volume_m3 == pytest.approx(49 * depth_m * CELL_M2, rel=0.01)
        assert (change.volume_m3 > GROUND_SIGMAS * change.volume_se_m3) == (standing_m == 0.0)


@pytest.mark.parametrize(('depth_m', 'settled_share', 'booked'), [
    (0.010, 0.0, False), (0.013, 0.0, True), (0.013, 0.03, False)])
def test_a_spot_is_judged_by_its_own_cells(
    depth_m: float, settled_share: float, booked: bool
) -> None:
    """
    Five by five cells sank while their surroundings rose by a millimetre, as noise may show it.

    By its fringe less than 0.08 litre has gone, which is too little to count. Its own cells lost,
    beyond one per cent of 0.15 m by which soil settles unevenly, 5.0 and 6.8 standard errors; it
    is nothing again where all around has settled by three per cent.
    """
    flat = np.zeros(SIDE * SIDE)
    fall = flat.reshape(SIDE, SIDE) - 0.001
    fall[10:15, 10:15] = depth_m
    fall = fall.ravel()
    around = fall < 0.0
    settled = np.where(around, settled_share * 0.15 + fall, fall)
    changes = assessed_losses(Evidence(
        Canvas(LATTICE, EVERY), flat, flat + 50.0, flat, -settled, flat + 4.0, -settled,
        flat == 0.0, GridNoise(0.010, 0.0), flat, flat + 0.15), np.flatnonzero(~around))
    assert [change.kind for change in changes] == ['disturbed'] * booked
    for change in changes:
        assert change.volume_m3 == pytest.approx(21 * depth_m * CELL_M2, rel=0.01)


def test_a_sum_over_coarse_cells_is_worth_less() -> None:
    """
    What all cells of a patch share does not average out: its error is area times standard error.

    A patch of 0.3 m is well within the range of a grid of cells of 0.2 m, and holds several of
    the ranges of a fine one.
    """
    flat = np.zeros(SIDE * SIDE)
    patch = np.zeros((SIDE, SIDE), dtype=bool)
    patch[10:30, 10:30] = True
    worth = []
    for cell_m in (0.02, 0.2):
        evidence = Evidence(
            Canvas(LATTICE, EVERY), flat, flat + 1e9, flat, flat, flat + 1.0, flat, flat == 0.0,
            GridNoise(0.003, 0.999).of_cell(cell_m), flat, flat)
        worth.append(evidence.volume_se_m3(patch.ravel()))
    whole = 0.3**2 * 0.003
    assert worth[0] < 0.75 * worth[1]
    assert worth[1] == pytest.approx(whole, rel=0.25)


def test_a_lift_of_all_cells_is_the_map() -> None:
    """Five millimetres of everything: no soil came; a hole is found in spite of it."""
    square = Square()
    assert square.look(10, lift_m=0.005) == []
    square.block(*BLOCK, -0.020)
    assert [c.kind for c in square.look(5, lift_m=-0.004)] == ['disturbed']


def test_what_slid_next_door_is_a_slump() -> None:
    """A hole and as much soil right beside it; a hole and soil far off are two things."""
    square = Square()
    square.block(slice(10, 20), slice(8, 18), -0.020)
    square.block(slice(10, 20), slice(19, 29), 0.020)
    changes = square.look(8)
    assert [c.kind for c in changes] == ['slump']
    assert changes[0].volume_m3 == pytest.approx(0.00045, rel=0.10)
    far = Square()
    far.block(slice(2, 12), slice(2, 12), -0.020)
    far.block(slice(32, 39), slice(32, 39), 0.030)
    assert sorted(c.kind for c in far.look(10)) == ['disturbed', 'unbooked_fill']


@pytest.mark.parametrize(('rows', 'looks'), [(8, 4), (5, 6)])
def test_a_small_slide_waits_for_more_looks(rows: int, looks: int) -> None:
    """From 0.3 litre on four tell of it, below six: 0.36 and 0.23 litre."""
    square = Square()
    square.look(5)
    square.block(slice(10, 10 + rows), slice(8, 18), -0.020)
    square.block(slice(10, 10 + rows), slice(19, 29), 0.020)
    assert square.look(looks - 1) == []
    slump, = square.look(1)
    assert slump.kind == 'slump'
    assert slump.volume_m3 == pytest.approx(rows * 10 * 0.020 * CELL_M2, rel=0.15)


def test_a_loss_of_which_four_tenths_lie_close_by_waits_and_is_no_slump() -> None:
    """Neither slid nor plainly gone: more looks tell, then all that is missing is booked."""
    square = Square()
    square.block(slice(10, 20), slice(8, 18), -0.020)
    square.block(slice(10, 20), slice(19, 23), 0.020)
    assert square.look(5) == []
    lost, = (change for change in square.look(7) if change.kind != 'unbooked_fill')
    assert lost.kind == 'disturbed'
    assert lost.volume_m3 == pytest.approx(0.00045, rel=0.10)


def test_added_soil_is_booked_but_not_accepted() -> None:
    """It is booked once; gone again it is nothing; only what lay there before can be lost."""
    square = Square()
    square.block(*BLOCK, 0.020)
    changes = square.look(20)
    assert [c.kind for c in changes] == ['unbooked_fill']
    assert changes[0].volume_m3 == pytest.approx(0.00045, rel=0.05)
    assert square.watch.accepted.has_fill
    square.block(*BLOCK, -0.020)
    assert square.look(20) == []
    assert not square.watch.accepted.has_fill
    square.block(*BLOCK, -0.020)
    assert [c.kind for c in square.look(6)] == ['disturbed']


def test_what_is_left_of_added_soil_is_not_booked_once_more() -> None:
    """A quarter of 28 mm goes, then the rest; each time nothing new has come and nothing gone."""
    square = Square()
    square.block(*BLOCK, 0.028)
    assert [c.kind for c in square.look(20)] == ['unbooked_fill']
    square.block(*BLOCK, -0.007)
    assert square.look(40) == []
    fill_m3 = square.watch.accepted.fill_m.sum() * CELL_M2
    assert fill_m3 == pytest.approx(100 * 0.021 * CELL_M2, rel=0.1)
    square.block(*BLOCK, -0.021)
    assert square.look(40) == []
    assert not square.watch.accepted.has_fill


def test_digging_through_added_soil_loses_only_what_lay_below() -> None:
    """Fill of 20 mm, then a hole of 15 mm below the accepted ground."""
    square = Square()
    square.block(*BLOCK, 0.020)
    square.look(12)
    square.block(*BLOCK, -0.035)
    changes = square.look(6)
    assert [c.kind for c in changes] == ['disturbed']
    assert changes[0].volume_m3 == pytest.approx(100 * 0.015 * CELL_M2, rel=0.05)


def test_a_thing_with_walls_is_no_soil() -> None:
    """A box stands there for 30 looks and goes: nothing, whatever the looks in between."""
    square = Square()
    square.block(slice(8, 30), slice(8, 34), 0.20)
    assert square.look(30) == []
    square.block(slice(8, 30), slice(8, 34), -0.20)
    assert square.look(30) == []


def test_a_thing_that_shifts_is_no_soil() -> None:
    """A box moves by its half every few looks; what its looks blur together is not a heap."""
    square = Square()
    changes = []
    for step in range(6):
        rows = slice(4 + 3 * step, 16 + 3 * step)
        square.block(rows, slice(10, 30), 0.10)
        changes += square.look(5)
        square.block(rows, slice(10, 30), -0.10)
    assert changes + square.look(30) == []


def test_a_top_whose_edge_is_out_of_view_is_no_soil_until_it_shows() -> None:
    """Whether it stands on walls or on slopes nobody can tell before."""
    square = Square()
    square.block(*BLOCK, 0.020)
    square.seen.reshape(SIDE, SIDE)[6:24, 8:26] = False
    square.seen.reshape(SIDE, SIDE)[11:19, 13:21] = True
    assert square.look(20) == []
    square.seen[:] = True
    changes = square.look(20)
    assert [c.kind for c in changes] == ['unbooked_fill']
    assert changes[0].volume_m3 == pytest.approx(0.00045, rel=0.15)


def test_a_long_wall_is_enough() -> None:
    """A thing with one wall and sides like soil is none; a heap at repose has no wall."""
    square = Square()
    rows, cols = np.mgrid[:SIDE, :SIDE].astype(float)
    ramp = 0.65 * 0.015 * np.minimum(np.minimum(rows - 4, 36 - rows), cols - 2)
    square.height_m += np.where(cols < 17, np.clip(ramp, 0.0, 0.08), 0.0).ravel()
    assert square.look(20) == []
    heap = Square()
    rows, cols = np.mgrid[:SIDE, :SIDE] - 20
    cone = np.maximum(0.0, 0.10 - np.tan(np.radians(33.0)) * 0.015 * np.hypot(rows, cols))
    heap.height_m += cone.ravel()
    changes = heap.look(10)
    assert [c.kind for c in changes] == ['unbooked_fill']
    assert changes[0].volume_m3 == pytest.approx(cone.sum() * CELL_M2, rel=0.05)


def test_a_change_out_of_view_waits_until_it_is_seen() -> None:
    """Nothing is judged of cells that nobody sees; the window goes back to the last look."""
    square = Square()
    square.look(4)
    square.seen[:] = False
    square.block(*BLOCK, -0.020)
    assert square.look(10) == []
    square.seen[:] = True
    changes = square.look(5)
    assert [c.kind for c in changes] == ['disturbed']
    assert changes[0].window_from_ns == 4_000_000_000
    assert changes[0].first_seen_ns == 15_000_000_000


def test_open_cells_are_not_judged_and_doubted_ones_are_taken_as_they_show() -> None:
    """Where a dump is open nothing is booked; doubted cells are accepted as first seen."""
    square = Square()
    square.open.reshape(SIDE, SIDE)[8:22, 8:24] = True
    square.block(*BLOCK, -0.020)
    assert square.look(8) == []
    square.watch.doubt(np.flatnonzero(square.open))
    square.open[:] = False
    assert square.look(8) == []


def test_the_stated_run_length_of_one_chart() -> None:
    """
    A chart at the edge of its allowance alarms once in some 465 looks.

    465 is the published average run length for k = 0.5, h = 5 (Lucas and Crosier 1982;
    Montgomery, ch. 9); 4000 charts run together until each has alarmed.
    """
    assert cusum_run_length(0.0, k=ALLOWANCE, h=LIMIT) == pytest.approx(465.0, rel=0.04)
    rng = np.random.default_rng(1)
    charts, alarms, looks = Cusum.start((1500,)), 0, 0
    for _ in range(1200):
        charts = charts.updated(rng.standard_normal(1500), k=ALLOWANCE)
        fired = charts.alarms(h=LIMIT)
        charts = charts.restarted(fired)
        alarms, looks = alarms + int(fired.sum()), looks + 1500
    assert looks / alarms == pytest.approx(465.0, rel=0.06)


def test_a_shared_shift_is_found_beside_a_real_change() -> None:
    """A tilted plane moved by 4 mm and raised by 2 mm, with a tenth of its cells lowered."""
    x, y = LATTICE.centres_xy().reshape(-1, 2).T
    ridge = 0.3 * np.abs(x - 0.3) + 0.2 * np.abs(y - 0.3)
    canvas = Canvas(LATTICE, EVERY)
    slope = canvas.slopes(ridge)
    difference = 0.002 - 0.004 * slope[0] + np.random.default_rng(3).normal(0, 0.001, x.shape)
    difference[:160] -= 0.03
    shared = SharedShift(slope)
    shift, error_m = shared.of(difference[shared.picked])
    left = LevelLook(difference, slope, shift)[:]
    assert error_m < 0.002
    assert abs(np.median(left[160:])) < 0.0003
    assert np.median(left[:160]) == pytest.approx(-0.03, abs=0.001)
    assert abs(np.polyfit(slope[0, 160:], left[160:], 1)[0]) < 0.001


def test_means_pass_over_holes() -> None:
    """The mean of three by three cells leaves unknown ones out and needs four of nine."""
    canvas = Canvas(Lattice(0.0, 0.0, 1.0, 3, 3), np.arange(9))
    values = np.array([1.0, 2.0, 3.0, 4.0, np.nan, 6.0, 7.0, 8.0, 9.0])
    assert canvas.box_mean(values)[4] == pytest.approx(5.0)
    assert np.isnan(canvas.box_mean(np.where(values > 6.5, values, np.nan))[4])
    assert robust_spread(np.array([np.nan])) == 0.0


def test_recent_looks_forget() -> None:
    """The oldest of nine looks has gone; forgotten cells start again."""
    recent = RecentLooks(2)
    for stamp_ns in range(1, 10):
        recent.add(np.array([float(stamp_ns), 1.0]), stamp_ns)
    mean, count = recent.mean_since(1)
    assert (mean[0], count[0]) == (5.5, 8.0)
    assert recent.mean_of_last(2).tolist() == [8.5, 1.0]
    recent.forget(np.array([1]))
    mean, count = recent.mean_since(1)
    assert np.isnan(mean[1])
    assert count[1] == 0.0


def test_grids_of_another_cell_bring_another_chord() -> None:
    """A crest that chords over 100 mm cut off is not taken for lost after grids of 50 mm."""
    cols = np.abs(np.arange(SIDE) - SIDE // 2) * LATTICE.cell_m
    ridge_m = np.broadcast_to(np.maximum(0.0, 0.15 - 0.7 * cols), (SIDE, SIDE)).ravel()
    # Closed form: cells of 100 mm of which one centre lies 23 mm beside the crest show nothing
    # that is higher than the ridge there.
    cut_m = np.minimum(ridge_m, 0.15 - 0.023 * 0.7)
    every, watch = np.full(SIDE * SIDE, 50.0), DisturbanceWatch(Canvas(LATTICE, EVERY))
    watch.accept(EVERY, ridge_m, every, 0)

    def look(measured_m: np.ndarray, cell_m: float, stamp_ns: int) -> None:
        open_cells = np.zeros(SIDE * SIDE, dtype=bool)
        level, planar_m = watch.level(measured_m, open_cells)
        watch.look(level, planar_m, ridge_m, every, open_cells, ground_m=np.zeros(SIDE * SIDE),
                   noise=NOISE.of_cell(cell_m), shift_error_m=0.001, stamp_ns=stamp_ns)

    look(ridge_m, 0.05, 1)
    for stamp_ns in (2, 3, 4):
        look(cut_m, 0.1, stamp_ns)
    assert not watch.falling.any()


@pytest.mark.parametrize('way', [nullcontext, numpy_only])
def test_kept_looks_write_what_is_unknown_in_one_way(way: Callable[[], Any]) -> None:
    """What arithmetic of a sensor's driver leaves for unknown has a sign; the layers have none."""
    flat, every = np.zeros(SIDE * SIDE), np.full(SIDE * SIDE, 50.0)
    watch, open_cells = DisturbanceWatch(Canvas(LATTICE, EVERY)), np.zeros(len(flat), dtype=bool)
    watch.accept(EVERY, flat, every, 0)
    measured = np.full((SIDE, SIDE), -np.float32(np.nan))
    measured[:SIDE // 2, 2:] = 0.0
    measured[BLOCK] = -0.02
    assert np.signbit(measured[np.isnan(measured)]).all()
    with way():
        for stamp_ns in (1, 2, 3):
            level, planar_m = watch.level(measured.ravel(), open_cells)
            watch.look(level, planar_m, flat, every, open_cells, ground_m=flat, noise=NOISE,
                       shift_error_m=0.001, stamp_ns=stamp_ns)
        looks = [values for name, (_, values) in watch.evidence().items() if RECENT in name]
    assert any(np.isfinite(values).any() and np.isnan(values).any() for values in looks)
    for values in looks:
        assert not np.signbit(values[np.isnan(values)]).any()


@pytest.mark.parametrize('restarts', [False, True])
def test_ground_learned_anew_is_accepted_as_the_next_looks_show_it(restarts: bool) -> None:
    """A rut of 12 mm over 0.15 m x 0.15 m, 0.27 l; the surface still stands where it stood."""
    square = Square()
    square.look(8)
    square.watch.learn_anew(EVERY)
    if restarts:
        square.restart()
    square.block(*BLOCK, -0.012)
    surface_m = np.zeros(SIDE * SIDE)
    assert square.look(20, surface_m=surface_m) == []
    off_m = square.watch.accepted.height_m - square.height_m
    assert abs(off_m.mean()) < 0.001
    # It is known as it lies now.
    square.block(*BLOCK, -0.012)
    dug = square.look(6, surface_m=surface_m)
    assert [change.kind for change in dug] == ['disturbed']
    assert dug[0].volume_m3 == pytest.approx(0.012 * 100 * CELL_M2, rel=0.15)
