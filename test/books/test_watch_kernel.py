# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The watch over changes with the compiled loops and by numpy: the same to the bit."""

from berm_ledger.books.charts import Canvas, pieces_among
from berm_ledger.books.disturbance import DisturbanceWatch
from berm_ledger.books.shared_shift import LEFT_XY_M, LevelLook, SharedShift
from berm_ledger.geometry import Lattice
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.noise import GridNoise
from berm_ledger.survey.shift_in_common import LEAST_CELLS
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

built = pytest.mark.skipif(
    compiled.watch is None, reason='the kernels are not built: pip install -e . with a C compiler')

SECOND_NS = 1_000_000_000
SHAPE = 24, 60
NOISE = GridNoise(0.004, 0.2)
KEPT = ('height_m', 'looks', 'fill_m')


def heights(rng: np.random.Generator, look: int) -> np.ndarray:
    """Return a look at a sloping yard: noise, holes, a pit from the eighth on, then a heap."""
    row, col = np.indices(SHAPE)
    out = 0.01 * col + 0.002 * row + rng.normal(0.0, NOISE.total_m, SHAPE)
    out[4:10, 10:18] -= 0.03 * (look >= 8)
    out[12:18, 30:38] += 0.05 * (look >= 11)
    out[rng.random(SHAPE) < 0.05] = np.nan
    out[:, 50:] += 0.0 if look >= 5 else np.nan
    return out.astype(np.float32)


def watched(seed: int, cells: np.ndarray, watch_all: bool) -> list[np.ndarray]:
    """Return all that a watch has come to after some looks."""
    rng = np.random.default_rng(seed)
    of_watch = np.ones(len(cells), dtype=bool) if watch_all else cells % SHAPE[1] > 4
    watch = DisturbanceWatch(Canvas(Lattice(0.0, 0.0, 0.02, *SHAPE), cells), of_watch)
    out = []
    for look in range(24):
        measured = heights(rng, look).ravel()[cells]
        open_cells = np.zeros(len(cells), dtype=bool)
        open_cells[len(cells) // 2:][:40 * (look % 3 == 1)] = True
        level, planar_m = watch.level(measured, open_cells)
        looks = np.full(len(cells), look + 1.0, dtype=np.float32)
        changes = watch.look(
            level, planar_m, measured, looks, open_cells,
            ground_m=np.zeros(len(cells)), noise=NOISE, shift_error_m=0.001,
            stamp_ns=(look + 1) * SECOND_NS)
        out.append(level[:])
        for change in changes:
            out += [change.cells, change.rise_m, np.array([change.volume_m3, change.seen])]
    accepted = watch.accepted
    out += [np.array([accepted.has_fill]), accepted.same.at()]
    kept = watch.evidence()
    return (out + [getattr(accepted, name) for name in KEPT]
            + [kept[name][1] for name in sorted(kept)])


@built
@pytest.mark.parametrize('watch_all', [True, False])
@pytest.mark.parametrize('seed', range(3))
def test_the_watch_comes_to_the_same(seed: int, watch_all: bool) -> None:
    rng = np.random.default_rng(seed)
    cells = np.flatnonzero(rng.random(SHAPE[0] * SHAPE[1]) < (0.9, 0.97, 1.0)[seed])
    with numpy_only():
        plain = watched(seed, cells, watch_all)
    ours = watched(seed, cells, watch_all)
    assert len(ours) == len(plain)
    # Something was found: there is more than the looks and what is kept.
    assert len(ours) > 24 + 2 + len(KEPT) + 10
    for one, other in zip(ours, plain):
        assert one.dtype == other.dtype
        npt.assert_array_equal(one.view(np.uint8), other.view(np.uint8))


@given(st.integers(0, 2**32 - 1), st.integers(1, 300))
def test_a_shift_is_taken_back(seed: int, cells: int) -> None:
    # A plane that is shown moved by (dx, dy, dz) is z - slope . (dx, dy) + dz there.
    rng = np.random.default_rng(seed)
    slope = rng.normal(0.0, 0.5, (2, cells)).astype(np.float32)
    true_m, shift = rng.normal(size=cells), rng.normal(0.0, 0.01, 3)
    shown = (true_m - slope.T @ shift[:2] + shift[2]).astype(np.float32)
    level, some = LevelLook(shown, slope, shift), rng.integers(0, cells, 5)
    npt.assert_allclose(level[:], true_m, atol=1e-6)
    npt.assert_array_equal(level[some], level[:][some])


@built
@given(st.integers(0, 2**32 - 1), st.integers(1, 4000))
def test_what_lies_apart_is_the_same(seed: int, cells: int) -> None:
    rng = np.random.default_rng(seed)
    shared = SharedShift(np.zeros((2, cells), dtype=np.float32))
    measured, accepted, fill = rng.normal(size=(3, cells)).astype(np.float32)
    measured[rng.random(cells) < 0.2] = np.nan
    open_cells = rng.random(cells) < 0.2
    with numpy_only():
        plain = shared.apart(measured, accepted, fill, open_cells)
    npt.assert_array_equal(shared.apart(measured, accepted, fill, open_cells), plain)
    assert len(plain) == -(-cells // 5)


@given(st.integers(0, 2**32 - 1), st.integers(1, 4000), st.sampled_from((0.0, 0.3, 0.97)),
       st.sampled_from((0.002, 0.0001)))
def test_the_shift_they_share_is_the_same(
        seed: int, cells: int, unknown: float, noise_m: float) -> None:
    rng = np.random.default_rng(seed)
    slope = rng.normal(0.0, 0.4, (2, cells)).astype(np.float32)
    shared = SharedShift(slope)
    true = rng.normal(0.0, 0.004, 3)
    picked = slope[:, shared.picked]
    apart = rng.normal(true[2] - true[:2] @ picked, noise_m)
    apart[rng.random(len(apart)) < unknown] = np.nan
    with numpy_only():
        plain, plain_error_m = shared.of(apart)
    shift, error_m = shared.of(apart)
    npt.assert_array_equal(shift, plain)
    assert error_m == plain_error_m
    if np.isfinite(apart).sum() < LEAST_CELLS:
        # Too few tell nothing, and no better than what registration leaves.
        assert (plain.tolist(), error_m) == ([0.0, 0.0, 0.0], LEFT_XY_M)
    else:
        npt.assert_allclose(plain, true, atol=0.002)
        assert error_m < LEFT_XY_M


@given(st.sets(st.integers(0, 60)))
def test_pieces_hold_every_cell_once(chosen: set[int]) -> None:
    cells = np.array(sorted(chosen), dtype=np.intp)
    pieces = pieces_among(cells)
    found = [cell for first, _, count in pieces for cell in range(first, first + count)]
    assert found == cells.tolist()
    assert pieces[:, 1].tolist() == (np.cumsum(pieces[:, 2]) - pieces[:, 2]).tolist()


@built
def test_what_does_not_fit_the_watch_is_refused() -> None:
    single, mask = np.zeros(5, dtype=np.float32), np.zeros(5, dtype=bool)
    whole = np.array([[0, 0, 5]], dtype=np.int32)
    for bad in ([[3, 0, 3]], [[0, 3, 3]], [[-1, 0, 1]], [[0, 0, -1]], [[0, 0, 2], [1, 2, 2]],
                [[0, 0, 2], [2, 1, 2]]):
        pieces = np.array(bad, dtype=np.int32)
        with pytest.raises(ValueError, match='cells that there are not, or that another holds'):
            compiled.watch.differences(
                single, np.zeros((2, 5), np.float32), 0.0, 0.0, 0.0, mask, single, single,
                pieces, single, single)
        for of_all, shown in ((pieces, whole), (whole, pieces)):
            with pytest.raises(ValueError, match='cells that there are not'):
                compiled.watch.chart(
                    *(single.copy() for _ in range(7)), np.zeros(5, dtype=np.uint8),
                    np.zeros(5, dtype=np.int64), of_all, shown, 0,
                    np.zeros(12, dtype=np.float32))
    for step, picked in ((0, 1), (1, 6), (3, 3), (-1, 1)):
        with pytest.raises(ValueError, match='more cells than there are'):
            compiled.watch.apart(single, single, single, mask, step, np.empty(picked))
    with pytest.raises(ValueError, match='more cells than there are'):
        compiled.watch.apart(single[:0], single[:0], None, mask[:0], 5, np.empty(1))
    flat, place = np.arange(5), np.full((5, 9), 5)
    for cells, places in ((flat + 1, place), (flat - 1, place), (flat, place[:4].copy())):
        with pytest.raises(ValueError, match='lattice'):
            compiled.watch.slopes(single, cells, places, 1.0, np.empty((2, 5), np.float32))
        with pytest.raises(ValueError, match='lattice'):
            compiled.watch.box_mean(np.zeros(5), cells, places, 4, True, np.empty(5))
    with pytest.raises(ValueError, match='wanted 12 values, got 5'):
        compiled.watch.chart(
            *(single.copy() for _ in range(7)), np.zeros(5, dtype=np.uint8),
            np.zeros(5, dtype=np.int64), whole, whole, 0, single)
    with pytest.raises(TypeError, match="wanted type '\\?'"):
        compiled.watch.differences(
            single, np.zeros((2, 5), np.float32), 0.0, 0.0, 0.0, single, single, single, whole,
            single, single)
