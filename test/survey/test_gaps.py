# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Grids that know single cells: small gaps filled, how coarse that makes them, when it is told.

That mappers make such grids of single scans: common practice, no source.
"""

import math

from berm_ledger.geometry import GridAxes
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.carried import CarriedOver
from berm_ledger.survey.gaps import _counted, Gaps, is_sparse, Sparseness, without_gaps
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.sampling import cleaned
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

CELL_M = 0.02
NAN = np.float32('nan')
SECOND_NS = 1_000_000_000
SPARSE, OF_USE = Gaps(0.0, 0.3), Gaps(0.5, 0.9)


def plane(shape=(60, 80)):
    """Return a plane at the slope of soil [m]."""
    row, col = np.indices(shape)
    return (800.0 + CELL_M * (0.6 * row - 0.2 * col)).astype(np.float32)


def known_here_and_there(height_m, share, seed=1):
    """Return heights of which such a share is known [m]."""
    seen = np.random.default_rng(seed).random(height_m.shape) < share
    return np.where(seen, height_m, NAN)


@pytest.mark.parametrize(('share', 'found_of_all'), [(0.3, 0.6), (0.5, 0.9), (0.7, 0.95)])
def test_gaps_are_filled_from_the_plane_around_them(share, found_of_all) -> None:
    true_m = plane()
    given_m = known_here_and_there(true_m, share)
    known = np.isfinite(given_m)

    filled_m, gaps = without_gaps(given_m, CELL_M)

    npt.assert_array_equal(filled_m[known], given_m[known])
    found = np.isfinite(filled_m)
    # Single precision at 800 m is 0.06 mm.
    npt.assert_allclose(filled_m[found], true_m[found], atol=1.3e-4)
    assert np.mean(found[2:-2, 2:-2]) > found_of_all
    assert gaps.of_use > 0.8
    assert gaps.filled == pytest.approx(1.0 - share / found.mean(), abs=0.1)


def test_nothing_is_filled_beyond_what_is_known() -> None:
    given_m = plane()
    given_m[:, 40:] = NAN
    given_m[:20] = NAN
    filled_m, gaps = without_gaps(given_m, CELL_M)
    npt.assert_array_equal(filled_m, given_m)
    assert gaps == Gaps(0.0, 1.0)


def test_nothing_is_filled_beside_a_thing_that_stands_there() -> None:
    """Half way up a leg there is no soil."""
    true_m = plane()
    true_m[20:30, 30:40] += np.float32(0.5)
    given_m = known_here_and_there(true_m, 0.5)
    filled_m, _ = without_gaps(given_m, CELL_M)
    found = np.isfinite(filled_m)
    npt.assert_allclose(filled_m[found], true_m[found], atol=1.3e-4)


def test_of_too_little_nothing_is_made() -> None:
    given_m = known_here_and_there(plane(), 0.12)
    filled_m, gaps = without_gaps(given_m, CELL_M)
    npt.assert_array_equal(filled_m, given_m)
    assert gaps.filled == 0.0
    assert gaps.of_use < 0.5


def test_what_is_dense_enough_is_filled_beside_what_is_not() -> None:
    """As of a scan that is sparse far off."""
    true_m = plane((64, 160))
    given_m = known_here_and_there(true_m, 0.5)
    given_m[:, 80:] = known_here_and_there(true_m, 0.1)[:, 80:]
    filled_m, gaps = without_gaps(given_m, CELL_M)
    npt.assert_array_equal(filled_m[:, 80:], given_m[:, 80:])
    assert np.isfinite(filled_m[:, :78]).mean() > 0.9
    assert gaps.filled == pytest.approx(0.5, abs=0.05)


def test_a_grid_with_holes_is_dense_and_one_of_single_cells_is_not() -> None:
    rng = np.random.default_rng(3)
    holes = plane()
    for row, col in rng.integers(0, 60, (8, 2)):
        holes[row:row + 8, col:col + 8] = NAN
    assert not is_sparse(known_here_and_there(holes, 0.97))
    assert is_sparse(known_here_and_there(holes, 0.6))
    rings = plane()
    row, col = np.indices(rings.shape)
    rings[np.hypot(row + 40.0, col + 40.0) % 4.0 > 1.0] = NAN
    assert is_sparse(rings)
    assert not is_sparse(np.full((60, 80), NAN))


@pytest.mark.skipif(compiled.gaps is None, reason='the kernels are not built')
@given(st.integers(0, 2**32 - 1), st.integers(2, 90), st.integers(2, 90), st.floats(0.05, 0.95),
       st.sampled_from('CF'))
def test_both_ways_fill_the_same(
    seed: int, rows: int, cols: int, share: float, order: str
) -> None:
    rng = np.random.default_rng(seed)
    height_m = rng.normal(rng.choice([0.0, 900.0]), rng.choice([0.02, 0.1]), (rows, cols))
    height_m = known_here_and_there(height_m.astype(np.float32), share, seed).copy(order)
    height_m[rng.random((rows, cols)) < 0.01] = np.inf
    filled_m, gaps = without_gaps(height_m, CELL_M)
    with numpy_only():
        plain_m, plain = without_gaps(height_m, CELL_M)
        counted = _counted(height_m, 1 + seed % rows)
    assert filled_m.tobytes() == plain_m.tobytes()
    assert gaps == plain
    assert _counted(height_m, 1 + seed % rows) == counted


@pytest.mark.skipif(compiled.gaps is None, reason='the kernels are not built')
@pytest.mark.parametrize('every', [0, 4])
def test_rows_that_there_are_not_are_refused(every) -> None:
    with pytest.raises(ValueError, match='no such rows'):
        compiled.gaps.counted(np.zeros((3, 4), np.float32), every)


@pytest.mark.skipif(compiled.gaps is None, reason='the kernels are not built')
@pytest.mark.parametrize(('padded', 'steps', 'says'), [
    ((6, 8), [1], 'the border does not fit'), ((7, 8), [19], 'a step leads out of the border')])
def test_what_does_not_fit_is_refused(padded, steps, says) -> None:
    with pytest.raises(ValueError, match=says):
        compiled.gaps.fill(
            np.zeros(padded, np.float32), 2, np.array(steps, dtype=np.int64),
            np.zeros((len(steps), 6)), 4, 0.9, 1e-6, 0.1, np.zeros((3, 4), np.float32))


def test_what_was_carried_over_is_a_gap_of_a_sparse_grid() -> None:
    """Of a mapper that gathers scans: what it remembers is not measured anew, nor filled from."""
    axes = GridAxes((0.0, 0.0), (0.0, CELL_M), (CELL_M, 0.0))
    noisy_m = [plane((120, 120)) - np.float32(800.0) + np.float32(0.004)
               * np.random.default_rng(k).standard_normal((120, 120), dtype=np.float32)
               for k in range(2)]
    fresh = np.random.default_rng(5).random((120, 120))
    before_m = np.where(fresh < 0.65, noisy_m[0], NAN)
    now_m = np.where(fresh < 0.3, before_m, np.where(fresh < 0.7, noisy_m[1], NAN))
    carried = CarriedOver()
    # The first one shows on which lattice they lie.
    for _ in range(2):
        cleaned(ElevationGrid(1, 'map', axes, before_m), carried)
    clean = cleaned(ElevationGrid(2, 'map', axes, now_m), carried)

    assert clean.carried_over == pytest.approx(0.3 * 120**2, rel=0.05)
    assert clean.gaps is not None
    assert clean.fresh is None
    old = fresh < 0.3
    assert not (clean.grid.height_m[old] == now_m[old]).any()
    assert np.isfinite(clean.grid.height_m[old]).mean() > 0.6


# ---- from look to look -----------------------------------------------------------------------


def test_dense_grids_are_as_coarse_as_their_cells() -> None:
    sparse = Sparseness()
    assert {sparse.coarser(None) for _ in range(100)} == {1.0}


def test_cells_are_taken_for_wider_the_more_is_filled_and_not_at_every_look() -> None:
    """Half filled: the squares of both widths add up, 1 / 6 and half of 0.85 cells squared."""
    sparse = Sparseness()
    rng = np.random.default_rng(2)
    cells = {sparse.coarser(Gaps(0.5 + 0.05 * rng.standard_normal(), 1.0)) for _ in range(200)}
    assert cells == {1.75, 2.0} or len(cells) == 1
    assert min(cells) == pytest.approx(math.sqrt(1.0 + 6.0 * 0.5 * 0.85), abs=0.15)
    assert [sparse.coarser(None) for _ in range(200)][-1] == 1.0


def codes(looks):
    """Return what is found about each (gaps, seconds)."""
    sparse = Sparseness()
    return [[finding.code for finding in sparse.findings(gaps, round(s * SECOND_NS))]
            for gaps, s in looks]


def test_grids_that_never_do_are_told_of_from_the_tenth_on() -> None:
    found = codes([(SPARSE, k) for k in range(12)])
    assert found == [[]] * 9 + [['sparse_grid']] * 3


@pytest.mark.parametrize('good', [None, OF_USE])
def test_a_rover_that_looks_from_afar_now_and_then_is_not_told(good) -> None:
    cycle = [(good, 0)] + [(SPARSE, k) for k in range(1, 240)]
    assert not any(codes([(gaps, 240 * n + s) for n in range(3) for gaps, s in cycle]))


def test_grids_that_have_become_too_sparse_are_told_of_until_they_are_not() -> None:
    found = codes([(None, 0), *((SPARSE, k) for k in range(1, 401)), (OF_USE, 401), (SPARSE, 402)])
    assert not any(found[:300])
    assert found[310:401] == [['sparse_grid']] * 91
    assert found[401:] == [[], []]
