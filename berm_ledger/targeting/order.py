# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The order of work: who is served before whom, so that nobody is walled off.

Soil once laid stays, so serving a segment only gets dearer, and in the end impossible, the more
of the others stand. The order is therefore found from its end: of a set that is to stand
complete, the last one served is one that can be served while all the others stand.

* Whoever costs no more as the last than as the only one may safely be the last: putting it there
  costs nothing and leaves more room to all the others. Taking such ones off loses no optimum.
* What is left is searched exactly, cheapest regret first, up to a number of segments; beyond that
  the one of least regret goes last (a heuristic).
* An order for a set exists exactly if taking off whoever can be served never gets stuck.

The sum of what each would cost alone is a lower bound of the cost of any order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
import heapq
import math

EXACT_UP_TO = 12
SAME_M = 1e-9

# Given the set of segments that stand in the end (bits), the cost of serving each of them last;
# infinite where that cannot be done. Must not fall as the set grows.
Costs = Callable[[int], Sequence[float]]


@dataclass(frozen=True)
class Order:
    """
    An order of work.

    Parameters
    ----------
    sequence : tuple of int
        Segments in the order they are served.
    stands : tuple of int
        Per step the set (bits) the step was costed with: it holds all that stand after the step.
    costs : tuple of float
        Cost of each step.
    left_out : tuple of int
        Segments that cannot be served in any order with the others, or not at all.
    lower_bound : float
        No order of the same segments costs less.
    exact : bool
        Whether this order is known to cost least.
    batches : tuple of tuple of int
        The sequence in groups whose members may change places freely.

    """

    sequence: tuple[int, ...]
    stands: tuple[int, ...]
    costs: tuple[float, ...]
    left_out: tuple[int, ...]
    lower_bound: float
    exact: bool
    batches: tuple[tuple[int, ...], ...]

    @property
    def total(self) -> float:
        """Cost of all steps."""
        return math.fsum(self.costs)

    @property
    def gap(self) -> float:
        """How far the total may be above the least, as a share of the lower bound."""
        return self.total / self.lower_bound - 1.0 if self.lower_bound > 0.0 else 0.0


def best_order(
    wanted: Sequence[int], costs: Costs, least: Sequence[float], weights: Sequence[float], *,
    exact_up_to: int = EXACT_UP_TO,
) -> Order:
    """
    Return the cheapest order of work, or the best partial one.

    Parameters
    ----------
    wanted : sequence of int
        Segments to be served.
    costs : callable
        See ``Costs``.
    least : sequence of float
        Cost of serving each segment when nothing else stands.
    weights : sequence of float
        What is lost when a segment is left out.
    exact_up_to : int
        Largest stuck set that is searched exactly.

    Returns
    -------
    Order
        With a lower bound; ``exact`` where the bound or a full search proves it.

    """
    solver = _Solver(costs, least, exact_up_to)
    whole = sum(1 << k for k in wanted if math.isfinite(least[k]))
    served = whole & ~solver.lightest_left_out(whole, weights)
    left_out = tuple(k for k in wanted if not served >> k & 1)
    batches, exact = solver.backwards(served)
    forward = [tuple(k for k, _, _ in batch) for batch in reversed(batches)]
    steps = [step for batch in reversed(batches) for step in batch]
    bound = math.fsum(least[k] for k, _, _ in steps)
    total = math.fsum(cost for _, _, cost in steps)
    return Order(
        tuple(k for k, _, _ in steps), tuple(s for _, s, _ in steps),
        tuple(c for _, _, c in steps), left_out, bound,
        exact or total <= bound * (1.0 + SAME_M), tuple(forward))


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


Step = tuple[int, int, float]


class _Solver:
    """Takes sets apart from the end."""

    def __init__(self, costs: Costs, least: Sequence[float], exact_up_to: int) -> None:
        """Remember every look at the yard."""
        self._costs = costs
        self._seen: dict[int, Sequence[float]] = {}
        self.least = least
        self.exact_up_to = exact_up_to

    def look(self, mask: int) -> Sequence[float]:
        """Return the costs with a set standing."""
        found = self._seen.get(mask)
        if found is None:
            found = self._seen[mask] = self._costs(mask)
        return found

    def stuck(self, mask: int) -> int:
        """Return what is left when whoever can be served is taken off: 0 if an order exists."""
        while mask:
            costs = self.look(mask)
            off = sum(1 << k for k in members(mask) if math.isfinite(costs[k]))
            if not off:
                return mask
            mask &= ~off
        return 0

    def stripped(self, mask: int) -> tuple[int, list[list[Step]]]:
        """Take off, last first, all who cost no more than alone."""
        batches: list[list[Step]] = []
        while mask:
            costs = self.look(mask)
            batch = [(k, mask, costs[k]) for k in members(mask)
                     if costs[k] <= self.least[k] + SAME_M]
            if not batch:
                break
            batches.append(batch)
            mask &= ~sum(1 << k for k, _, _ in batch)
        return mask, batches

    def lightest_left_out(self, whole: int, weights: Sequence[float]) -> int:
        """Return the set of least weight without which an order exists."""
        core = self.stuck(whole)
        if not core:
            return 0
        if core.bit_count() > self.exact_up_to:
            return self._left_out_greedily(core, weights)
        queue = [(0.0, 0, 0, core)]
        while queue:
            weight, out, first, rest = heapq.heappop(queue)
            left = self.stuck(rest)
            if not left:
                return out
            for k in members(core):
                if k >= first:
                    heapq.heappush(
                        queue, (weight + weights[k], out | 1 << k, k + 1, rest & ~(1 << k)))
        return core

    def _left_out_greedily(self, core: int, weights: Sequence[float]) -> int:
        """Leave out one by one whoever frees the most for the least."""
        out = 0
        while core:
            best = min(
                members(core),
                key=lambda k: (self._weight(self.stuck(core & ~(1 << k)), weights) + weights[k],
                               k))
            out |= 1 << best
            core = self.stuck(core & ~(1 << best))
        return out

    @staticmethod
    def _weight(mask: int, weights: Sequence[float]) -> float:
        """Return the weight of a set."""
        return sum(weights[k] for k in members(mask))

    def backwards(self, mask: int) -> tuple[list[list[Step]], bool]:
        """Return the whole order from its end in groups, and whether it is known to be best."""
        mask, out = self.stripped(mask)
        exact = True
        while mask:
            if mask.bit_count() <= self.exact_up_to:
                return out + self._search(mask), exact
            exact = False
            step = self._least_regret(mask)
            mask, batches = self.stripped(mask & ~(1 << step[0]))
            out += [[step], *batches]
        return out, exact

    def _least_regret(self, mask: int) -> Step:
        """Return the member that costs the least more as the last than alone."""
        costs = self.look(mask)
        k = min(members(mask), key=lambda j: (costs[j] - self.least[j], j))
        return k, mask, costs[k]

    def _search(self, start: int) -> list[list[Step]]:
        """Search all orders of a stripped set, cheapest regret first."""
        came: dict[int, tuple[float, int, list[list[Step]]]] = {start: (0.0, 0, [])}
        queue = [(0.0, start)]
        done: set[int] = set()
        while queue:
            regret, mask = heapq.heappop(queue)
            if not mask:
                return self._trail(came)
            if mask in done:
                continue
            done.add(mask)
            costs = self.look(mask)
            for k in members(mask):
                if not math.isfinite(costs[k]):
                    continue
                rest, batches = self.stripped(mask & ~(1 << k))
                total = regret + costs[k] - self.least[k]
                if rest not in came or total < came[rest][0]:
                    came[rest] = (total, mask, [[(k, mask, costs[k])], *batches])
                    heapq.heappush(queue, (total, rest))
        return []

    @staticmethod
    def _trail(came: dict[int, tuple[float, int, list[list[Step]]]]) -> list[list[Step]]:
        """Return the groups from the start of the search to the empty set."""
        parts, mask = [], 0
        while came[mask][2]:
            parts.append(came[mask][2])
            mask = came[mask][1]
        return [batch for part in reversed(parts) for batch in part]
