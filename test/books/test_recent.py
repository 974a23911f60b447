# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The last looks against plain lists of them."""

from berm_ledger.books.recent import LOOKS_KEPT, RecentLooks
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt

CELLS = 5
LOOKS = st.lists(st.lists(st.sampled_from([np.nan, 0.1, 0.104, 0.11]), min_size=CELLS,
                          max_size=CELLS), max_size=3 * LOOKS_KEPT)


def kept_of(heights: list) -> RecentLooks:
    """Return looks, one every second from second 1 on."""
    recent = RecentLooks(CELLS)
    for second, height_m in enumerate(heights, 1):
        recent.add(np.array(height_m), second)
    return recent


@given(LOOKS)
def test_the_last_are_kept_oldest_first(heights: list) -> None:
    last = list(enumerate(heights, 1))[-LOOKS_KEPT:]
    kept = kept_of(heights).kept()
    assert [stamp_ns for stamp_ns, _ in kept] == [second for second, _ in last]
    for (_, height_m), (_, own_m) in zip(kept, last):
        npt.assert_array_equal(height_m, np.array(own_m, dtype=np.float32))


@given(LOOKS, st.integers(1, 3 * LOOKS_KEPT), st.integers(1, LOOKS_KEPT))
def test_means_are_those_of_the_looks_asked_for(heights: list, since: int, count: int) -> None:
    """All lie close together, so that none is left out as wrong."""
    recent = kept_of(heights)
    first = max(0, len(heights) - LOOKS_KEPT)
    for (mean_m, seen), some in (
            (recent.mean_since(since), heights[max(first, since - 1):]),
            ((recent.mean_of_last(count), None), heights[first:][-count:])):
        shown = np.array(some).reshape(-1, CELLS)
        times = np.isfinite(shown).sum(axis=0)
        wanted = np.where(times > 0, np.nansum(shown, axis=0) / np.maximum(times, 1), np.nan)
        npt.assert_allclose(mean_m, wanted, atol=1e-6)
        assert seen is None or seen.tolist() == times.tolist()


def test_what_is_forgotten_was_never_seen_and_the_rest_moves_with_the_frame() -> None:
    recent = kept_of([[0.1] * CELLS] * 4)
    recent.forget(np.array([1]))
    recent.raise_by(np.full(CELLS, 0.05, dtype=np.float32))
    mean_m, seen = recent.mean_since(2)
    assert seen.tolist() == [3.0, 0.0, 3.0, 3.0, 3.0]
    npt.assert_allclose(mean_m, [0.15, np.nan, 0.15, 0.15, 0.15], atol=1e-6)
