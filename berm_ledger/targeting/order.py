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

The sum of what each would cost alone is a lower bound of the cost of any order; pairs in each
other's way raise it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
import heapq
import math
from typing import Any

EXACT_UP_TO = 12
# Pairs that are looked at for the lower bound.
MOST_PAIRS = 80
# Looks at the yard that a search which is not exact may take.
BEAM_LOOKS = 240
# How many sets are looked at for each one that is followed.
BEAM_SPARE = 4
# How much more than the mean regret one who cannot be served now counts.
SHUT_OFF_WEIGHT = 2.0
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
    pairs: Iterable[tuple[int, int]] = (), exact_up_to: int = EXACT_UP_TO,
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
    exact_up_to : int
        Largest stuck set that is searched exactly.

    Returns
    -------
    Order
        With a lower bound; ``exact`` where the bound or a full search proves it.

    """
    solver = _Solver(costs, least, pairs, exact_up_to)
    whole = sum(1 << k for k in wanted if math.isfinite(least[k]))
    served = whole & ~solver.lightest_left_out(whole, weights)
    left_out = tuple(k for k in wanted if not served >> k & 1)
    batches, exact = solver.backwards(served)
    extra = solver.still_to_come(served)
    forward = [tuple(k for k, _, _ in batch) for batch in reversed(batches)]
    steps = [step for batch in reversed(batches) for step in batch]
    bound = math.fsum(least[k] for k, _, _ in steps) + extra
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
# Regret so far, where it came from, and the groups taken off since.
Trail = tuple[float, Any, list[list[Step]]]


class _Solver:
    """Takes sets apart from the end."""

    def __init__(
        self, costs: Costs, least: Sequence[float], pairs: Iterable[tuple[int, int]],
        exact_up_to: int,
    ) -> None:
        """Remember every look at the yard."""
        self._pairs = list(pairs)
        self._bounds: list[tuple[float, int]] | None = None
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
        """Leave out one by one whoever frees the most others at once for the least."""
        out = 0
        while core:
            gain = {k: self._freed(core, k, weights) - weights[k] for k in members(core)}
            best = min(gain, key=lambda k: (-gain[k], k))
            out |= 1 << best
            core = self.stuck(core & ~(1 << best))
        return out

    def _freed(self, core: int, left_out: int, weights: Sequence[float]) -> float:
        """Return the weight of those who can be served at once without one of a stuck set."""
        rest = core & ~(1 << left_out)
        costs = self.look(rest)
        return sum(weights[k] for k in members(rest) if math.isfinite(costs[k]))

    def backwards(self, mask: int) -> tuple[list[list[Step]], bool]:
        """Return the whole order from its end in groups, and whether it is known to be best."""
        mask, out = self.stripped(mask)
        if not mask:
            return out, True
        if mask.bit_count() <= self.exact_up_to:
            return out + self._search(mask), True
        return out + self._beam(mask), False

    def _beam(self, start: int) -> list[list[Step]]:
        """Take a large stuck set apart one by one, following the few best ways at a time."""
        width = max(1, BEAM_LOOKS // (BEAM_SPARE * start.bit_count()))
        spare = BEAM_SPARE if start.bit_count() <= BEAM_LOOKS // BEAM_SPARE else 1
        layer: dict[int, Trail] = {start: (0.0, None, [])}
        best: Trail | None = None
        while layer:
            tried = self._one_less(layer)
            layer = {}
            for rest in sorted(tried, key=lambda rest: (tried[rest][0], rest))[:spare * width]:
                total, trail, steps = tried[rest]
                if best is not None and total >= best[0]:
                    break
                left, batches = self.stripped(rest)
                end: Trail = (total, trail, steps + batches)
                if not left:
                    best = end
                elif left not in layer or total < layer[left][0]:
                    layer[left] = end
            promise = {mask: layer[mask][0] + self._outlook(mask) for mask in layer}
            kept = sorted(layer, key=lambda mask: (promise[mask], mask))[:width]
            layer = {mask: layer[mask] for mask in kept}
        return _steps_of(best)

    def _one_less(self, layer: dict[int, Trail]) -> dict[int, Trail]:
        """Return all sets that one more step leads to, each by its best way."""
        tried: dict[int, Trail] = {}
        for mask, trail in layer.items():
            costs = self.look(mask)
            for k in members(mask):
                total = trail[0] + costs[k] - self.least[k]
                rest = mask & ~(1 << k)
                if math.isfinite(total) and (rest not in tried or total < tried[rest][0]):
                    tried[rest] = (total, trail, [[(k, mask, costs[k])]])
        return tried

    def _outlook(self, mask: int) -> float:
        """Guess the regret still to come: half of what all would pay now."""
        costs = self.look(mask)
        regrets = [costs[k] - self.least[k] for k in members(mask)]
        known = [regret for regret in regrets if math.isfinite(regret)]
        if not known:
            return math.inf
        mean = sum(known) / len(known)
        return 0.5 * (sum(known) + SHUT_OFF_WEIGHT * mean * (len(regrets) - len(known)))

    def _search(self, start: int) -> list[list[Step]]:
        """Search all orders of a stripped set, cheapest regret first."""
        found: dict[int, Trail] = {start: (0.0, None, [])}
        queue = [(self.still_to_come(start), 0.0, start)]
        while queue:
            _, regret, mask = heapq.heappop(queue)
            if not mask:
                return _steps_of(found[0])
            if regret > found[mask][0]:
                continue
            costs = self.look(mask)
            for k in members(mask):
                total = regret + costs[k] - self.least[k]
                if not math.isfinite(total):
                    continue
                rest, batches = self.stripped(mask & ~(1 << k))
                if rest not in found or total < found[rest][0]:
                    found[rest] = (total, found[mask], [[(k, mask, costs[k])], *batches])
                    heapq.heappush(queue, (total + self.still_to_come(rest), total, rest))
        return []


def _steps_of(trail: Trail | None) -> list[list[Step]]:
    """Return the groups of a trail, the end of the order first."""
    parts: list[list[list[Step]]] = []
    while trail is not None:
        parts.append(trail[2])
        trail = trail[1]
    return [batch for part in reversed(parts) for batch in part]
