# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The order of work: who is served before whom, so that nobody is walled off.

Soil once laid stays, so serving a segment only gets dearer, and in the end impossible, the more
of the others stand. The order is therefore found from its end: of a set that is to stand
complete, the last one served is one that can be served while all the others stand.

* Whoever costs no more as the last than as the only one may safely be the last: putting it there
  costs nothing and leaves more room to all the others. Taking such ones off loses no optimum.
* What is left is searched, cheapest regret first: up to a number of segments to the end, beyond
  that for so many looks at the yard, against the best order that a beam search and the orders of
  each berm by itself come to. A search that is ended early still gives a lower bound.
* An order for a set exists exactly if taking off whoever can be served never gets stuck.

The sum of what each would cost alone is a lower bound of the cost of any order. It is raised by
pairs in each other's way, by what each berm by itself regrets at least, and by the search.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
import heapq
import math

from .order_search import SMALL_GAP, taken_apart
from .order_sets import Costs, members, SAME_M, Sets

# Largest set of segments in each other's way that is searched to the end: 4096 looks at most.
EXACT_UP_TO = 12


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


def best_order(
    wanted: Sequence[int], costs: Costs, least: Sequence[float], weights: Sequence[float], *,
    pairs: Iterable[tuple[int, int]] = (), groups: Sequence[int] = (),
    exact_up_to: int = EXACT_UP_TO, standing: int = 0,
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
    pairs : iterable of tuple of int
        Pairs that may be in each other's way; they raise the lower bound.
    groups : sequence of int
        Sets (bits) without common members that are little in each other's way, such as berms:
        each is searched by itself first.
    exact_up_to : int
        Largest stuck set that is searched to the end, however long it takes.
    standing : int
        Segments (bits) that stand already: to leave one out makes room for nobody, and whoever can
        be served at all is served before the others.

    Returns
    -------
    Order
        With a lower bound; ``exact`` where the bound or a full search proves it.

    """
    sets = Sets(costs, least, pairs)
    whole = sum(1 << k for k in wanted if math.isfinite(least[k]))
    served = whole & ~_lightest_left_out(sets, whole, weights, exact_up_to, standing)
    left_out = tuple(k for k in wanted if not served >> k & 1)
    alone = math.fsum(least[k] for k in members(served))
    core, batches = sets.stripped(served)
    extra = 0.0
    if core:
        found = taken_apart(sets, core, groups, exact_up_to, SMALL_GAP * alone)
        batches, extra = batches + (found.batches or []), found.bound
    forward = [tuple(k for k, _, _ in batch) for batch in reversed(batches)]
    steps = [step for batch in reversed(batches) for step in batch]
    total = math.fsum(cost for _, _, cost in steps)
    return Order(
        tuple(k for k, _, _ in steps), tuple(s for _, s, _ in steps),
        tuple(c for _, _, c in steps), left_out, alone + extra,
        total <= (alone + extra) * (1.0 + SAME_M), tuple(forward))


def _lightest_left_out(
    sets: Sets, whole: int, weights: Sequence[float], exact_up_to: int, standing: int
) -> int:
    """Return the set of least weight without which an order exists."""
    core = sets.stuck(whole)
    if not core:
        return 0
    if core.bit_count() > exact_up_to:
        return _left_out_greedily(sets, core, weights, standing)
    queue = [(0.0, 0, 0, core)]
    while queue:
        weight, out, first, rest = heapq.heappop(queue)
        if not sets.stuck(rest):
            return out
        for k in members(core & ~standing):
            if k >= first:
                heapq.heappush(
                    queue, (weight + weights[k], out | 1 << k, k + 1, rest & ~(1 << k)))
    return core


def _left_out_greedily(sets: Sets, core: int, weights: Sequence[float], standing: int) -> int:
    """Leave out one by one whoever frees the most others at once for the least."""
    out = 0
    while core:
        asked = members(core & ~standing) or members(core)
        gain = {k: _freed(sets, core, k, weights) - weights[k] for k in asked}
        best = min(gain, key=lambda k: (-gain[k], k))
        out |= 1 << best
        core = sets.stuck(core & ~(1 << best))
    return out


def _freed(sets: Sets, core: int, left_out: int, weights: Sequence[float]) -> float:
    """Return the weight of those who can be served at once without one of a stuck set."""
    return sum(weights[k] for k in sets.regrets(core & ~(1 << left_out)))
