# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Means of 3 x 3 cells and groups, compiled and by numpy; groups as an opening tells them."""

from berm_ledger.books.change_charts import ChangeCharts
from berm_ledger.books.changes import clusters
from berm_ledger.books.charts import Canvas
from berm_ledger.books.suspects import EDGE, LIMIT, Scene
from berm_ledger.geometry import Lattice
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.nearby import grow
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from scipy import ndimage


def a_canvas(rng, rows: int, cols: int) -> Canvas:
    """Return cells that make no whole lattice."""
    surveyed = np.flatnonzero(rng.random(rows * cols) < rng.choice([0.5, 0.9, 1.0]))
    surveyed = surveyed if len(surveyed) else np.array([0])
    return Canvas(Lattice(0.0, 0.0, 0.05, rows, cols), surveyed)


built = pytest.mark.skipif(
    compiled.cells is None, reason='the kernels are not built: pip install -e . with a C compiler')


@built
@given(st.integers(0, 2**32 - 1), st.integers(1, 40), st.integers(1, 40))
def test_means_are_the_same(seed: int, rows: int, cols: int) -> None:
    rng = np.random.default_rng(seed)
    canvas = a_canvas(rng, rows, cols)
    values = rng.normal(size=len(canvas.flat_index)).astype(np.float32)
    values[rng.random(len(values)) < 0.3] = np.nan
    for kind, of_unknown in ((k, u) for k in (np.float32, np.float64) for u in (True, False)):
        given_values = values.astype(kind)
        with numpy_only():
            plain = canvas.box_mean(given_values, of_unknown=of_unknown)
        ours = canvas.box_mean(given_values, of_unknown=of_unknown)
        assert ours.dtype == plain.dtype == kind
        npt.assert_array_equal(ours, plain)
        assert np.isnan(plain[np.isnan(values)]).all() or of_unknown


@built
@given(st.integers(0, 2**32 - 1), st.integers(1, 40), st.integers(1, 40))
def test_slopes_are_the_same(seed: int, rows: int, cols: int) -> None:
    rng = np.random.default_rng(seed)
    canvas = a_canvas(rng, rows, cols)
    height_m = rng.normal(size=len(canvas.flat_index)).astype(np.float32)
    height_m[rng.random(len(height_m)) < 0.1] = np.nan
    with numpy_only():
        plain = canvas.slopes(height_m)
    ours = canvas.slopes(height_m)
    assert ours.dtype == plain.dtype
    npt.assert_array_equal(ours, plain)
    if rows <= 2 and cols <= 2:
        assert not ours.any()


@given(st.integers(0, 2**32 - 1), st.integers(3, 30), st.integers(3, 30))
def test_groups_are_those_of_an_opening(seed: int, rows: int, cols: int) -> None:
    rng = np.random.default_rng(seed)
    canvas = a_canvas(rng, rows, cols)
    cells = rng.random(len(canvas.flat_index)) < rng.choice([0.6, 0.8, 0.95])
    core = ndimage.binary_opening(canvas.mask(cells))
    labels, count = ndimage.label(ndimage.binary_dilation(core, iterations=2))
    of_cell = np.where(core, labels, 0).ravel()[canvas.flat_index]
    wanted = [np.flatnonzero(of_cell == label).tolist() for label in range(1, count + 1)]
    # Cells of 5 cm: 0.003 m2 are two of them, and no core is that small.
    assert [group.tolist() for group in clusters(canvas, cells)] == wanted
    with numpy_only():
        assert [group.tolist() for group in clusters(canvas, cells)] == wanted


def a_scene(rng, rows: int, cols: int, cell_m: float) -> Scene:
    """Return a scene with charts that alarm in blots."""
    surveyed = np.flatnonzero(rng.random(rows * cols) < rng.choice([0.7, 0.97, 1.0]))
    canvas = Canvas(Lattice(0.0, 0.0, cell_m, rows, cols), surveyed)
    blots = ndimage.uniform_filter(rng.normal(size=(rows, cols)), rng.choice([2, 3, 5]))
    sums = (rng.choice([4.0, 8.0, 14.0]) * blots / blots.std()).ravel()[surveyed]
    if rng.random() < 0.3:
        sums = np.round(sums)  # Some just at their limits.
    charts = ChangeCharts(len(surveyed))
    charts.low[:], charts.high[:] = np.maximum(0.0, sums), np.maximum(0.0, -sums)
    # More cells than are watched; somewhere a dump may be open.
    at = np.sort(rng.choice(len(surveyed) + 9, len(surveyed), replace=False))
    open_cells = rng.random(len(surveyed) + 9) > rng.choice([0.9, 1.0])
    return Scene(canvas, charts, None, None, charts.low, open_cells, None, charts.low, charts.low,
                 at, 1)


@built
@given(st.integers(0, 2**32 - 1), st.integers(3, 60), st.integers(3, 60),
       st.sampled_from((0.012, 0.03, 0.06)), st.booleans())
def test_groups_are_the_same(seed: int, rows: int, cols: int, cell_m: float, gain: bool) -> None:
    scene = a_scene(np.random.default_rng(seed), rows, cols, cell_m)
    with numpy_only():
        plain = scene.groups(gain=gain)
    ours = scene.groups(gain=gain)
    assert [group.tolist() for group in ours] == [group.tolist() for group in plain]


@built
def test_some_scenes_have_groups() -> None:
    counts = [len(a_scene(np.random.default_rng(seed), 60, 60, 0.012).groups(gain=False))
              for seed in range(40)]
    assert 0 in counts
    assert max(counts) > 3


@given(st.integers(0, 2**32 - 1), st.integers(1, 30), st.integers(1, 30), st.integers(1, 40),
       st.sampled_from((0.0, 0.01, 0.2)))
def test_what_is_near_is_what_a_dilation_reaches(
        seed: int, rows: int, cols: int, steps: int, share: float) -> None:
    mask = np.random.default_rng(seed).random((rows, cols)) < share
    npt.assert_array_equal(grow(mask, steps), ndimage.binary_dilation(mask, iterations=steps))


@built
def test_what_does_not_fit_the_groups_is_refused() -> None:
    with pytest.raises(ValueError, match='wanted 4 values, got 3'):
        compiled.groups.grow(np.ones((2, 2), dtype=bool), 1, np.ones(3, dtype=bool))
    for mask, steps in ((np.ones(4, dtype=bool), 1), (np.ones((2, 2), dtype=bool), -1)):
        with pytest.raises(ValueError, match='rows and columns, and steps'):
            compiled.groups.grow(mask, steps, np.ones(4, dtype=bool))
    sums, nobody, every = np.full(4, 9.0, np.float32), np.zeros(4, bool), np.arange(4)
    canvas = Canvas(Lattice(0.0, 0.0, 0.05, 2, 2), np.arange(4))
    flat, place = canvas.places
    rest = LIMIT, EDGE, 3, 2, 1.0, 1
    assert compiled.groups.groups(sums, nobody, every, flat, place, *rest) == []
    with pytest.raises(ValueError, match='off the lattice'):
        compiled.groups.groups(sums, nobody, every, flat + 4, place, *rest)
    with pytest.raises(ValueError, match='off the lattice'):
        compiled.groups.groups(sums, nobody, every, flat - 4, place, *rest)
    with pytest.raises(ValueError, match='do not fit their lattice'):
        compiled.groups.groups(sums, nobody, every, flat, place.ravel(), *rest)
    with pytest.raises(ValueError, match='do not fit their lattice'):
        compiled.groups.groups(sums, nobody, every, flat, place[:4].copy(), *rest)
    # Cells that there are not count as none.
    assert compiled.groups.groups(sums, nobody, every, flat, place + 99, *rest) == []
    for at in (every + 4, every - 4):
        assert compiled.groups.groups(sums, nobody, at, flat, place, *rest) == []
    with pytest.raises(ValueError, match='wanted 4 values, got 3'):
        compiled.groups.groups(sums, nobody, every[:3], flat, place, *rest)
