# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Sets of segments that stand, and what it costs to serve each member last.

A set is a number, one bit per segment. Every look at the yard is remembered: it is a search for
the shortest ways over all cells, by far the dearest thing in the order of work.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
import math
from typing import Any

# Pairs that are looked at for the lower bound.
MOST_PAIRS = 80
# Costs that differ by less are the same: rounding [m].
SAME_M = 1e-9

# Given the set of segments that stand in the end (bits), the cost of serving each of them last;
# infinite where that cannot be done. Must not fall as the set grows.
Costs = Callable[[int], Sequence[float]]
# Segment, set it was costed with, cost.
Step = tuple[int, int, float]
# Regret so far, where it came from, and the groups taken off since.
Trail = tuple[float, Any, list[list[Step]]]


def members(mask: int) -> list[int]:
    """
    Return the members of a set given as bits.

    Examples
    --------
    >>> members(0b1010)
    [1, 3]

    """
    out = []
    while mask:
        low = mask & -mask
        out.append(low.bit_length() - 1)
        mask ^= low
    return out


def steps_of(trail: Trail | None) -> list[list[Step]]:
    """Return the groups of a trail, the end of the order first."""
    parts: list[list[list[Step]]] = []
    while trail is not None:
        parts.append(trail[2])
        trail = trail[1]
    return [batch for part in reversed(parts) for batch in part]


class Sets:
    """
    What is known of sets of standing segments.

    Parameters
    ----------
    costs : callable
        See ``Costs``.
    least : sequence of float
        Cost of serving each segment when nothing else stands.
    pairs : iterable of tuple of int
        Pairs that may be in each other's way.

    """

    def __init__(
        self, costs: Costs, least: Sequence[float], pairs: Iterable[tuple[int, int]] = ()
    ) -> None:
        """Remember every look at the yard."""
        self._costs, self.least = costs, least
        self._pairs = list(pairs)
        self._bounds: list[tuple[float, int]] | None = None
        self._seen: dict[int, Sequence[float]] = {}

    @property
    def looks(self) -> int:
        """Count the looks at the yard so far."""
        return len(self._seen)

    def look(self, mask: int) -> Sequence[float]:
        """Return the costs with a set standing."""
        found = self._seen.get(mask)
        if found is None:
            found = self._seen[mask] = self._costs(mask)
        return found

    def regrets(self, mask: int) -> dict[int, float]:
        """Return what each member that can be served last pays above its cost alone."""
        costs = self.look(mask)
        return {k: costs[k] - self.least[k] for k in members(mask) if math.isfinite(costs[k])}

    def stuck(self, mask: int) -> int:
        """Return what is left when whoever can be served is taken off: 0 if an order exists."""
        while mask:
            off = sum(1 << k for k in self.regrets(mask))
            if not off:
                return mask
            mask &= ~off
        return 0

    def stripped(self, mask: int) -> tuple[int, list[list[Step]]]:
        """Take off, last first, all who cost no more than alone."""
        batches: list[list[Step]] = []
        while mask:
            costs = self.look(mask)
            batch = [(k, mask, costs[k]) for k, regret in self.regrets(mask).items()
                     if regret <= SAME_M]
            if not batch:
                break
            batches.append(batch)
            mask &= ~sum(1 << k for k, _, _ in batch)
        return mask, batches

    def still_to_come(self, mask: int) -> float:
        """
        Return what an order of a set must at least cost above the sum of each alone.

        Of two that are in each other's way one comes later and pays for it; pairs without a
        common member may be added up.
        """
        if self._bounds is None:
            self._bounds = sorted(self._pair_bounds(), reverse=True)
        total, free = 0.0, mask
        for bound, pair in self._bounds:
            if pair & free == pair:
                total += bound
                free &= ~pair
        return total

    def _pair_bounds(self) -> Iterator[tuple[float, int]]:
        """Give for each pair what the later of the two pays at least."""
        for i, j in self._pairs[:MOST_PAIRS]:
            pair = 1 << i | 1 << j
            costs = self.look(pair)
            bound = min(costs[i] - self.least[i], costs[j] - self.least[j])
            if SAME_M < bound < math.inf:
                yield bound, pair
