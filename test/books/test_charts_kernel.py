# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Means of 3 x 3 cells, compiled and by numpy; groups of cells as an opening tells them."""

from berm_ledger.books.changes import clusters
from berm_ledger.books.charts import Canvas
from berm_ledger.geometry import Lattice
from berm_ledger.kernels import compiled, numpy_only
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


@pytest.mark.skipif(
    compiled.cells is None, reason='the kernels are not built: pip install -e . with a C compiler')
@given(st.integers(0, 2**32 - 1), st.integers(1, 40), st.integers(1, 40))
def test_means_are_the_same(seed: int, rows: int, cols: int) -> None:
    rng = np.random.default_rng(seed)
    canvas = a_canvas(rng, rows, cols)
    values = rng.normal(size=len(canvas.flat_index)).astype(np.float32)
    values[rng.random(len(values)) < 0.3] = np.nan
    with numpy_only():
        plain = canvas.box_mean(values)
    npt.assert_array_equal(canvas.box_mean(values), plain)


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
