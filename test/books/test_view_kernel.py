# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Looks that show a part of the berm, another one each time: the same as by numpy, to the bit."""

from berm_ledger.books.accepted import AcceptedSurface
from berm_ledger.books.change_charts import ChangeCharts, Compared, LIMIT, ShiftError
from berm_ledger.books.charts import Canvas, pieces_among
from berm_ledger.books.disturbance import DisturbanceWatch
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.area import survey_area, SurveyArea
from berm_ledger.survey.noise import GridNoise
from berm_ledger.survey.sampling import shown_pieces
from berm_ledger.survey.surface import SiteSurface
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import straight

built = pytest.mark.skipif(
    compiled.watch is None, reason='the kernels are not built: pip install -e . with a C compiler')

SECOND_NS = 1_000_000_000
NOISE = GridNoise(0.004, 0.2)
# Turned, so that every row begins in another column.
AREA = survey_area(straight(2.4, turn_deg=20.0))
STATE = ('height_m', 'looks', 'trend_m', 'aside_m', 'aside_looks', 'aside_ns', 'seen_ns')


def some_looks(seed: int, area: SurveyArea) -> list[np.ndarray]:
    """Return looks from a window that stays, moves or shows nothing; soil is taken meanwhile."""
    rng = np.random.default_rng(seed)
    x, y = area.centres_xy.T
    out, middle = [], rng.choice(len(x))
    for look in range(30):
        if rng.random() < 0.3:
            middle = rng.choice(len(x))
        reach_m = rng.choice([0.5, 0.5, 0.5, 3.0])
        seen = (np.abs(x - x[middle]) < reach_m) & (np.abs(y - y[middle]) < reach_m)
        seen &= (rng.random(len(x)) > 0.02) & (look != 11)
        heights = 0.02 * np.sin(3.0 * x) + rng.normal(0.0, NOISE.total_m, len(x))
        heights -= 0.04 * (look >= 9) * (np.hypot(x - x[middle], y - y[middle]) < 0.1)
        out.append(np.where(seen, heights, np.nan).astype(np.float32))
    return out


@built
@given(st.integers(0, 2**32 - 1), st.integers(1, 60), st.sampled_from((0.0, 0.3, 1.0)))
def test_pieces_hold_what_is_shown_and_one_more(seed: int, cells: int, unknown: float) -> None:
    rng = np.random.default_rng(seed)
    flat = np.flatnonzero(rng.random(cells) < 0.8)
    starts = np.flatnonzero(np.append(True, np.diff(flat) != 1)[:len(flat)])
    count = np.diff(np.append(starts, len(flat)))
    runs = np.column_stack([0 * starts, flat[starts], starts, count]).astype(np.int32)
    values = rng.normal(size=len(flat)).astype(np.float32)
    values[rng.random(len(flat)) < unknown] = np.nan
    pieces = np.frombuffer(compiled.sampling.shown(values, runs), np.int32).reshape(-1, 3)
    wanted = []
    for _, _, first, some in runs:
        known = first + np.flatnonzero(np.isfinite(values[first:first + some]))
        if len(known):
            low, high = max(first, known[0] - 1), min(first + some, known[-1] + 2)
            wanted.append([low, low, high - low])
    assert pieces.tolist() == wanted


@built
@given(st.sets(st.integers(0, 40)), st.sets(st.integers(0, 40)))
def test_what_pieces_have_in_common(some: set[int], others: set[int]) -> None:
    pieces, shown = (pieces_among(np.array(sorted(cells), dtype=np.intp))
                     for cells in (some, others))
    shown[:, 1] = shown[:, 0]
    common = np.frombuffer(compiled.watch.common(pieces, shown), np.int32).reshape(-1, 3)
    found = [(of + k, own + k) for of, own, count in common for k in range(count)]
    places = {cell: place for place, cell in enumerate(sorted(some))}
    assert found == [(cell, places[cell]) for cell in sorted(some & others)]
    assert (common[:, 2] > 0).all()


@built
@pytest.mark.parametrize('seed', range(4))
def test_fusion_of_a_part_is_the_same(seed: int) -> None:
    def fused() -> list[np.ndarray]:
        surface, out = SiteSurface(len(AREA)), []
        for n, look in enumerate(some_looks(seed, AREA)):
            told = surface.fuse(look, (n + 1) * SECOND_NS, NOISE.total_m,
                                shown=shown_pieces(look, AREA))
            out += [told.seen, told.moved]
        return out + [getattr(surface, name) for name in STATE]

    with numpy_only():
        plain = fused()
    assert any(0 < seen.sum() < len(AREA) // 2 for seen in plain[:-len(STATE):2])
    for one, other in zip(fused(), plain):
        npt.assert_array_equal(one, other)


@built
def test_a_zero_of_either_sign_out_of_view_is_the_same() -> None:
    def stands() -> np.ndarray:
        surface = SiteSurface(len(AREA))
        for n, edge_m in enumerate((9.0, 1.0)):
            look = np.where(AREA.centres_xy[:, 0] < edge_m, -0.0, np.nan).astype(np.float32)
            surface.fuse(look, (n + 1) * SECOND_NS, NOISE.total_m,
                         shown=shown_pieces(look, AREA))
        return surface.height_m.view(np.int32)

    with numpy_only():
        plain = stands()
    npt.assert_array_equal(stands(), plain)


@built
@given(st.integers(0, 2**32 - 1), st.floats(0.05, 1.5))
def test_means_of_a_part_are_the_same(seed: int, reach_m: float) -> None:
    rng = np.random.default_rng(seed)
    canvas = Canvas(AREA.lattice, AREA.corridor.flat_index)
    off = np.abs(AREA.centres_xy - AREA.centres_xy[rng.choice(len(AREA))]).max(axis=1)
    values = np.where(off < reach_m, rng.normal(size=len(AREA)), np.nan).astype(np.float32)
    values[rng.random(len(AREA)) < 0.1] = np.nan
    with numpy_only():
        plain = canvas.box_mean(values, of_unknown=False)
    # Again after another part: nothing is left of that.
    for part in (values, np.where(off < 0.5 * reach_m, values, np.float32(np.nan)), values):
        ours = canvas.box_mean(part, of_unknown=False, rows=shown_pieces(part, AREA))
    npt.assert_array_equal(ours, plain)


def watched(seed: int, watch_all: bool) -> list[np.ndarray]:
    """Return all that a watch has come to after some looks."""
    rng = np.random.default_rng(seed)
    of_watch = np.ones(len(AREA), dtype=bool) if watch_all else AREA.in_corridor
    watch = DisturbanceWatch(Canvas(AREA.lattice, AREA.corridor.flat_index), of_watch)
    out, looks = [], np.zeros(len(AREA), dtype=np.float32)
    for n, measured in enumerate(some_looks(seed, AREA)):
        open_cells = np.zeros(len(AREA), dtype=bool)
        open_cells[rng.integers(len(AREA)):][:300 * (n % 4 == 1)] = True
        looks += np.isfinite(measured)
        level, planar_m = watch.level(measured, open_cells, shown_pieces(measured, AREA))
        changes = watch.look(
            level, planar_m, np.nan_to_num(measured), looks, open_cells,
            ground_m=np.zeros(len(AREA)), noise=NOISE, shift_error_m=0.001,
            stamp_ns=(n + 1) * SECOND_NS)
        for change in changes:
            out += [change.cells, change.rise_m, np.array([change.volume_m3, change.seen])]
        kept = watch.evidence()
        out += [watch.accepted.height_m.copy(), watch.accepted.same.at(), watch.falling]
        out += [kept[name][1] for name in sorted(kept)]
    return out


@built
@pytest.mark.parametrize('watch_all', [True, False])
@pytest.mark.parametrize('seed', range(4))
def test_a_watch_over_parts_comes_to_the_same(seed: int, watch_all: bool) -> None:
    with numpy_only():
        plain = watched(seed, watch_all)
    ours = watched(seed, watch_all)
    assert len(ours) == len(plain)
    for one, other in zip(ours, plain):
        assert one.dtype == other.dtype
        npt.assert_array_equal(one.view(np.uint8), other.view(np.uint8))


@built
@given(st.sets(st.integers(0, 40)))
def test_differences_are_blank_out_of_view(cells: set[int]) -> None:
    pieces = pieces_among(np.array(sorted(cells), dtype=np.intp))
    pieces[:, 1] = pieces[:, 0]
    room, left = np.full((2, 41), 7.0, dtype=np.float32)
    compiled.watch.differences(
        np.full(41, 5.0, np.float32), np.zeros((2, 41), np.float32), 0.0, 0.0, 0.0,
        np.zeros(41, bool), np.full(41, 3.0, np.float32), None, pieces, room, left)
    held = np.isin(np.arange(41), list(cells))
    npt.assert_array_equal(left, np.where(held, 2.0, np.nan))
    # What is kept was made ready by whoever keeps it.
    npt.assert_array_equal(room, np.where(held, 5.0, 7.0))


@given(st.integers(0, 2**32 - 1))
def test_alarms_are_those_that_there_are(seed: int) -> None:
    """Counted as they come and go, of cells in view and out of it."""
    rng, cells = np.random.default_rng(seed), 300
    flat, charts, every = AcceptedSurface(cells), ChangeCharts(cells), np.arange(cells)
    flat.accept(every, np.zeros(cells), np.full(cells, 60.0), 0)
    whole = np.array([[0, 0, cells]], dtype=np.int32)
    shift = ShiftError(np.zeros(cells, np.float32), 0.0, 0.0)
    offset_m = rng.choice([-0.05, 0.0, 0.05], cells, p=[0.1, 0.8, 0.1])
    for look in range(25):
        first, past = sorted(rng.integers(0, cells, 2).tolist())
        left = np.full(cells, np.nan, np.float32)
        left[first:past] = (offset_m + rng.normal(0.0, 0.004, cells))[first:past]
        shown = np.array([[first, first, past - first]], dtype=np.int32)
        alarms = charts.take(
            Compared(left, left, shift, NOISE, look + 1), flat, every, whole, shown)
        assert alarms == ((charts.low > LIMIT).sum(), (charts.high > LIMIT).sum())
        if look % 6 == 5:
            charts.restart(rng.choice(cells, 100, replace=False))
    assert sum(alarms) > 0


@built
def test_what_does_not_fit_a_view_is_refused() -> None:
    values = np.zeros(5, dtype=np.float32)
    for run in ([0, 0, 3, 3], [0, 0, -1, 2], [0, 0, 0, -1]):
        with pytest.raises(ValueError, match='a run holds cells that there are not'):
            compiled.sampling.shown(values, np.array([run], dtype=np.int32))
    whole = np.array([[0, 0, 5]], dtype=np.int32)
    for piece in ([-1, 0, 2], [0, -1, 2], [0, 0, -1]):
        for pair in ((whole, np.array([piece], np.int32)), (np.array([piece], np.int32), whole)):
            with pytest.raises(ValueError, match='cells that there are not'):
                compiled.watch.common(*pair)
    twice = np.array([[0, 0, 3], [2, 2, 3]], dtype=np.int32)
    surface = SiteSurface(5)
    for shown in (twice, whole + 1):
        with pytest.raises(ValueError, match='cells that there are not, or that another holds'):
            surface.fuse(values, SECOND_NS, 0.004, shown=shown)
