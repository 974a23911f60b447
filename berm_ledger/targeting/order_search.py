# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How a set of segments in each other's way is taken apart from its end.

``searched`` goes through all orders, cheapest regret first; ended early it still tells what no
order can be below. ``beamed`` follows the few best ways; ``merged`` follows the best orders of
groups that were searched each by itself. Regret is cost above that of each segment alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
import heapq
import math

from .order_sets import members, SAME_M, Sets, Step, steps_of, Trail

# Looks at the yard that a beam may take.
BEAM_LOOKS = 240
# How many sets are looked at for each one that is followed.
BEAM_SPARE = 4
# How much more than the mean regret one who cannot be served now counts.
SHUT_OFF_WEIGHT = 2.0
# Looks at the yard that searches of a large set may take together.
SEARCH_LOOKS = 300
# Share of the whole cost below which a gap is not worth a search.
SMALL_GAP = 0.01


@dataclass(frozen=True)
class Found:
    """What a search came to: ``batches`` (None: none better than known) and a ``bound``."""

    batches: list[list[Step]] | None
    bound: float


def searched(
    sets: Sets, start: int, *, worst: float = math.inf, most_looks: int | None = None
) -> Found:
    """
    Search all orders of a set, cheapest regret first.

    Parameters
    ----------
    sets : Sets
        What is known of sets.
    start : int
        The set.
    worst : float
        Regret of an order that is known; only better ones are looked for.
    most_looks : int or None
        Looks after which to end.

    Returns
    -------
    Found
        The order of least regret from its end in groups, or None. No order regrets less than the
        bound.

    """
    begun = sets.looks
    found: dict[int, Trail] = {start: (0.0, None, [])}
    queue = [(sets.still_to_come(start), 0.0, start)]
    while queue:
        promise, regret, mask = heapq.heappop(queue)
        if not mask:
            return Found(steps_of(found[0]), regret)
        if promise >= worst - SAME_M:
            break
        if regret > found[mask][0]:
            continue
        if most_looks is not None and sets.looks - begun >= most_looks:
            return Found(None, promise)
        rest, batches = sets.stripped(mask)
        regrets = sets.regrets(rest)
        # Somebody has to be the last of those who are left.
        deeper = regret + max(sets.still_to_come(rest), min(regrets.values(), default=0.0))
        if rest != mask or deeper > promise + SAME_M:
            if rest == mask or rest not in found or regret < found[rest][0]:
                if rest != mask:
                    found[rest] = (regret, found[mask], batches)
                heapq.heappush(queue, (max(deeper, promise), regret, rest))
            continue
        for k, more in regrets.items():
            total, left = regret + more, mask & ~(1 << k)
            if left not in found or total < found[left][0]:
                step = (k, mask, sets.look(mask)[k])
                found[left] = (total, found[mask], [[step]])
                heapq.heappush(
                    queue, (max(promise, total + sets.still_to_come(left)), total, left))
    return Found(None, worst)


def beamed(sets: Sets, start: int) -> list[list[Step]]:
    """Take a large stuck set apart one by one, following the few best ways at a time."""
    width = max(1, BEAM_LOOKS // (BEAM_SPARE * start.bit_count()))
    spare = BEAM_SPARE if start.bit_count() <= BEAM_LOOKS // BEAM_SPARE else 1
    layer: dict[int, Trail] = {start: (0.0, None, [])}
    best: Trail | None = None
    while layer:
        tried = _one_less(sets, layer)
        layer = {}
        for rest in sorted(tried, key=lambda rest: (tried[rest][0], rest))[:spare * width]:
            total, trail, steps = tried[rest]
            if best is not None and total >= best[0]:
                break
            left, batches = sets.stripped(rest)
            end: Trail = (total, trail, steps + batches)
            if not left:
                best = end
            elif left not in layer or total < layer[left][0]:
                layer[left] = end
        promise = {mask: layer[mask][0] + _outlook(sets, mask) for mask in layer}
        kept = sorted(layer, key=lambda mask: (promise[mask], mask))[:width]
        layer = {mask: layer[mask] for mask in kept}
    return steps_of(best)


def merged(sets: Sets, start: int, orders: Iterable[list[list[Step]]]) -> list[list[Step]]:
    """Take a set apart after the orders of its groups, whoever regrets least first."""
    lines = [[k for batch in order for k, _, _ in batch] for order in orders]
    out: list[list[Step]] = []
    mask = start
    while mask:
        mask, batches = sets.stripped(mask)
        out += batches
        if not mask:
            break
        regrets = sets.regrets(mask)
        heads = [next((k for k in line if mask >> k & 1), None) for line in lines]
        ready = [k for k in heads if k in regrets] or list(regrets)
        k = min(ready, key=lambda k: (regrets[k], k))
        out.append([(k, mask, sets.look(mask)[k])])
        mask &= ~(1 << k)
    return out


def regret_of(sets: Sets, batches: Iterable[list[Step]]) -> float:
    """Return what an order costs above the sum of each alone."""
    return math.fsum(cost - sets.least[k] for batch in batches for k, _, cost in batch)


def taken_apart(
    sets: Sets, core: int, groups: Iterable[int], exact_up_to: int, small: float
) -> Found:
    """
    Return a good order of a stuck set that an order exists for, and a bound for all orders.

    Parameters
    ----------
    sets : Sets
        What is known of sets.
    core : int
        The set, not empty.
    groups : iterable of int
        Sets without common members that are little in each other's way, such as berms.
    exact_up_to : int
        Largest set that is searched to the end.
    small : float
        Gap that is not worth a search.

    Returns
    -------
    Found
        Always with an order.

    """
    if core.bit_count() <= exact_up_to:
        return searched(sets, core)
    best = beamed(sets, core)
    regret, bound = regret_of(sets, best), sets.still_to_come(core)
    parts = [part for part in (sets.stripped(core & group)[0] for group in groups) if part]
    if len(parts) > 1 and regret - bound > small:
        looks = SEARCH_LOOKS // len(parts)
        apart = [_part(sets, part, looks) for part in parts]
        bound = max(bound, math.fsum(found.bound for found in apart))
        other = merged(sets, core, [found.batches or [] for found in apart])
        if regret_of(sets, other) < regret:
            best, regret = other, regret_of(sets, other)
    if regret - bound > small:
        found = searched(sets, core, worst=regret, most_looks=SEARCH_LOOKS // max(1, len(parts)))
        best, bound = found.batches or best, max(bound, found.bound)
    return Found(best, min(bound, regret_of(sets, best)))


def _part(sets: Sets, part: int, looks: int) -> Found:
    """Return a good order of one group by itself, and the bound for it."""
    best = beamed(sets, part)
    found = searched(sets, part, worst=regret_of(sets, best), most_looks=looks)
    return Found(found.batches or best, found.bound)


def _one_less(sets: Sets, layer: dict[int, Trail]) -> dict[int, Trail]:
    """Return all sets that one more step leads to, each by its best way."""
    tried: dict[int, Trail] = {}
    for mask, trail in layer.items():
        costs = sets.look(mask)
        for k, regret in sets.regrets(mask).items():
            total, rest = trail[0] + regret, mask & ~(1 << k)
            if rest not in tried or total < tried[rest][0]:
                tried[rest] = (total, trail, [[(k, mask, costs[k])]])
    return tried


def _outlook(sets: Sets, mask: int) -> float:
    """Guess the regret still to come: half of what all would pay now."""
    known = list(sets.regrets(mask).values())
    if not known:
        return math.inf
    mean = sum(known) / len(known)
    return 0.5 * (sum(known) + SHUT_OFF_WEIGHT * mean * (len(members(mask)) - len(known)))
