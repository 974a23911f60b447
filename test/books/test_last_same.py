# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""When cells were last seen the same, against an array of times."""

from berm_ledger.books.accepted import AcceptedSurface
from berm_ledger.books.change_charts import ChangeCharts, Compared, ShiftError
from berm_ledger.books.last_same import LastSame, LONG_AGO
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.noise import GridNoise
import numpy as np
import numpy.testing as npt
import pytest

CELLS = 200
LOOKS = 2 * LONG_AGO + 40


def test_it_says_what_an_array_of_times_says() -> None:
    """Looks at some of the cells, some of them set between; far beyond what can be counted."""
    rng, same, times_ns = np.random.default_rng(2), LastSame(CELLS), np.zeros(CELLS, np.int64)
    watched = np.flatnonzero(rng.random(CELLS) < 0.9)
    # From always the same to once in a thousand looks.
    often = np.geomspace(1.0, 0.001, len(watched))
    for look in range(1, LOOKS):
        shown = rng.random(len(watched)) < often
        same.take(watched, shown, 1000 * look)
        times_ns[watched[shown]] = 1000 * look
        if look % 50 == 7:
            some = rng.choice(CELLS, 5, replace=False)
            same.put(some, 1000 * look - 3)
            times_ns[some] = 1000 * look - 3
        npt.assert_array_equal(same.at(), times_ns)
        npt.assert_array_equal(same.at(watched[::3]), times_ns[watched[::3]])
    other = LastSame(CELLS)
    other.put_back(same.at())
    npt.assert_array_equal(other.at(), times_ns)


def after_many_looks() -> np.ndarray:
    """Return when each cell was last the same, after looks at cells that rise one by one."""
    rng, flat, charts = np.random.default_rng(4), AcceptedSurface(CELLS), ChangeCharts(CELLS)
    every = np.arange(CELLS)
    flat.accept(every, np.zeros(CELLS), np.ones(CELLS), 0)
    pieces = np.array([[0, 0, CELLS]], dtype=np.int32)
    steep = np.full(CELLS, 0.5, np.float32)
    for look in range(LOOKS):
        left = rng.normal(0.0, 0.002, CELLS).astype(np.float32)
        left[every < look // 4] += np.float32(0.05)
        left[rng.random(CELLS) < 0.1] = np.nan
        charts.take(Compared(left, left, ShiftError(steep, 0.0005, 0.001), GridNoise(0.002, 0.1),
                             1000 * (look + 1)), flat, every, pieces, pieces)
    return flat.same.at()


@pytest.mark.skipif(
    compiled.watch is None, reason='the kernels are not built: pip install -e . with a C compiler')
def test_the_charts_count_alike_for_longer_than_can_be_counted() -> None:
    """Cells that have risen were the same more than 255 looks ago."""
    with numpy_only():
        plain = after_many_looks()
    npt.assert_array_equal(after_many_looks(), plain)
    assert 0 < plain.min() < 1000 * (LOOKS - LONG_AGO)
    assert plain.max() == 1000 * LOOKS
