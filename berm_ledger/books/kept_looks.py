# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which looks at a load are kept until it is measured: few, but over a time that tells."""

from __future__ import annotations

from collections.abc import Sequence

# So many; while they cover less than this, of those that come in quick succession some give way
# to the next: together they show whether soil still comes up, however often there is a grid (a
# guess).
KEPT_LOOKS = 8
SPAN_NS = 12_000_000_000


def one_to_spare(stamps_ns: Sequence[int]) -> int:
    """
    Return which of some looks gives way: one soon after another, else the oldest.

    Parameters
    ----------
    stamps_ns : sequence of int
        Their times, oldest first [ns].

    Returns
    -------
    int
        Never the newest, which shows what is there now.

    Examples
    --------
    >>> one_to_spare([0, 2_000_000_000, 2_200_000_000, 2_400_000_000])
    2
    >>> one_to_spare([0, 2_000_000_000, 4_000_000_000, 4_200_000_000])
    0
    >>> one_to_spare([0, 200_000_000, 400_000_000, 60_000_000_000])
    0

    """
    if stamps_ns[-1] - stamps_ns[0] > SPAN_NS:
        return 0
    gaps_ns = (after - before for before, after in zip(stamps_ns[:-1], stamps_ns[1:-1]))
    return next((k for k, gap_ns in enumerate(gaps_ns, 1) if gap_ns * KEPT_LOOKS < SPAN_NS), 0)
