# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The order solver against brute force, on costs that never fall as more stands."""

import functools
import itertools
import math

from berm_ledger.targeting.order import best_order
from berm_ledger.targeting.order_search import beamed, merged, regret_of, searched
from berm_ledger.targeting.order_sets import members, Sets
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest

INF = math.inf


class Table:
    """Costs that grow with what stands: each segment pays for, or is shut off by, others."""

    def __init__(self, seed, count, *, block=0.15):
        rng = np.random.default_rng(seed)
        self.alone = rng.uniform(1.0, 5.0, count)
        self.detour = rng.uniform(0.0, 3.0, (count, count)) * (rng.random((count, count)) < 0.5)
        self.blocks = [[sorted(rng.choice(count, 2, replace=False)) for _ in range(3)
                        if rng.random() < block * 3] for _ in range(count)]

    def __call__(self, mask):
        standing = members(mask)
        out = []
        for k, cost in enumerate(self.alone):
            others = set(standing) - {k}
            shut = any(set(pair) - {k} <= others for pair in self.blocks[k] if k not in pair)
            out.append(INF if shut else cost + max((self.detour[k, j] for j in others),
                                                   default=0.0))
        return out

    @property
    def least(self):
        return [self(1 << k)[k] for k in range(len(self.alone))]


def cheapest(costs, served):
    """Return the least cost over all orders of the served ones, by trying them all."""
    best = INF
    costs = functools.lru_cache(maxsize=None)(costs)
    for order in itertools.permutations(served):
        mask, total = 0, 0.0
        for k in order:
            mask |= 1 << k
            total += costs(mask)[k]
        best = min(best, total)
    return best


def cheapest_by_sets(costs, count):
    """Return the least cost over all orders of all, forwards from the empty yard, set by set."""
    best = [0.0] + [INF] * ((1 << count) - 1)
    for mask in range(1, 1 << count):
        here = costs(mask)
        best[mask] = min(best[mask & ~(1 << k)] + here[k] for k in members(mask))
    return best[-1]


def check_order(order, costs):
    """Recompute an order forwards: every step must be possible and no dearer than stated."""
    mask = 0
    for k, cost in zip(order.sequence, order.costs):
        mask |= 1 << k
        assert costs(mask)[k] <= cost + 1e-9
    assert order.total >= order.lower_bound - 1e-9


@pytest.mark.parametrize('count', [1, 2, 4, 5])
@given(seed=st.integers(0, 10 ** 6))
def test_exact_against_brute_force(count, seed):
    costs = Table(seed, count, block=0.0) if count < 2 else Table(seed, count, block=0.1)
    order = best_order(range(count), costs, costs.least, [1.0] * count)
    assert order.exact
    check_order(order, costs)
    assert sorted(order.sequence + order.left_out) == list(range(count))
    assert order.total == pytest.approx(cheapest(costs, order.sequence))


@pytest.mark.parametrize('count', [3, 5])
@pytest.mark.parametrize('seed', range(8))
def test_trying_all_orders_and_all_sets_comes_to_the_same(seed, count):
    costs = Table(seed, count, block=0.02)
    assert cheapest_by_sets(costs, count) == pytest.approx(cheapest(costs, range(count)))


@pytest.mark.parametrize(('count', 'seed'), [
    (7, 1), (8, 2), (9, 3), (10, 4), (11, 5), (12, 6), (12, 7), (12, 8)])
def test_exact_up_to_twelve_against_all_sets(count, seed):
    costs = Table(seed, count, block=0.01)
    order = best_order(range(count), costs, costs.least, [1.0] * count)
    assert order.exact
    assert not order.left_out
    check_order(order, costs)
    assert order.total == pytest.approx(cheapest_by_sets(costs, count))
    assert order.lower_bound == pytest.approx(order.total)


@given(seed=st.integers(0, 10 ** 6), most_looks=st.integers(0, 40))
def test_a_search_ended_early_gives_a_bound_that_no_order_is_below(seed, most_looks):
    count = 7
    costs = Table(seed, count, block=0.0)
    sets = Sets(costs, costs.least, [(0, 1), (2, 3)])
    found = searched(sets, (1 << count) - 1, most_looks=most_looks)
    best = cheapest_by_sets(costs, count) - sum(costs.least)
    assert found.bound <= best + 1e-9
    if found.batches is not None:
        assert regret_of(sets, found.batches) == pytest.approx(best)


@given(seed=st.integers(0, 10 ** 6))
def test_a_search_against_the_best_order_finds_none_and_proves_it(seed):
    count = 6
    costs = Table(seed, count, block=0.0)
    best = cheapest_by_sets(costs, count) - sum(costs.least)
    found = searched(Sets(costs, costs.least), (1 << count) - 1, worst=best)
    assert found.batches is None
    assert found.bound == pytest.approx(best)


@given(seed=st.integers(0, 10 ** 6))
def test_beam_and_merged_groups_are_whole_orders(seed):
    count, whole = 8, 255
    costs = Table(seed, count, block=0.0)
    sets = Sets(costs, costs.least)
    parts = [searched(sets, group).batches for group in (0b1111, 0b11110000)]
    best = cheapest_by_sets(costs, count) - sum(costs.least)
    core, first = sets.stripped(whole)
    for way in (beamed(sets, core), merged(sets, core, parts)) if core else ():
        steps = [step for batch in first + way for step in batch]
        assert sorted(k for k, _, _ in steps) == list(range(count))
        for k, stands, cost in steps:
            assert cost == costs(stands)[k]
        assert regret_of(sets, way) >= best - 1e-9


@given(seed=st.integers(0, 10 ** 6))
def test_groups_raise_the_bound_and_never_above_the_best(seed):
    costs = Table(seed, 8, block=0.0)
    orders = [best_order(range(8), costs, costs.least, [1.0] * 8, exact_up_to=1, groups=groups)
              for groups in ((), (0b1111, 0b11110000))]
    best = cheapest_by_sets(costs, 8)
    for order in orders:
        check_order(order, costs)
        assert order.lower_bound <= best + 1e-9 <= order.total + 2e-9


@given(seed=st.integers(0, 10 ** 6))
def test_leaves_out_the_least_there_is_to_leave_out(seed):
    count = 5
    costs = Table(seed, count, block=0.6)
    weights = np.random.default_rng(seed).integers(1, 9, count).astype(float)
    order = best_order(range(count), costs, costs.least, weights)
    check_order(order, costs)
    lost = min(
        sum(weights[k] for k in range(count) if k not in served)
        for size in range(count + 1) for served in itertools.combinations(range(count), size)
        if not served or math.isfinite(cheapest(costs, served)))
    assert sum(weights[k] for k in order.left_out) == pytest.approx(lost)


@pytest.mark.parametrize('exact_up_to', [1, 12])
@given(seed=st.integers(0, 10 ** 6))
def test_who_stands_already_is_served_first_and_never_left_out(exact_up_to, seed):
    count = 6
    table = Table(seed, count, block=0.6)
    rng = np.random.default_rng(seed)
    standing = sum(1 << k for k in range(count) if rng.random() < 0.5)

    def costs(mask):
        return table(mask | standing)
    least = [costs(1 << k)[k] for k in range(count)]
    weights = rng.integers(1, 9, count).astype(float)
    order = best_order(range(count), costs, least, weights, exact_up_to=exact_up_to,
                       standing=standing)
    check_order(order, costs)
    assert all(math.isinf(least[k]) for k in order.left_out if standing >> k & 1)


@given(seed=st.integers(0, 10 ** 6))
def test_heuristic_is_an_order_above_its_bound_and_the_best_order_between(seed):
    costs = Table(seed, 6, block=0.05)
    order = best_order(range(6), costs, costs.least, [1.0] * 6, exact_up_to=1)
    check_order(order, costs)
    best = cheapest(costs, order.sequence)
    assert order.lower_bound <= best + 1e-9
    assert best <= order.total + 1e-9


def test_members_of_one_group_may_change_places():
    costs = Table(3, 6)
    order = best_order(range(6), costs, costs.least, [1.0] * 6)
    for group in order.batches:
        assert set(group) <= set(order.sequence)
    turned = [k for group in order.batches for k in reversed(group)]
    mask, total = 0, 0.0
    for k in turned:
        mask |= 1 << k
        total += costs(mask)[k]
    assert total <= order.total + 1e-9


def test_nothing_to_do_and_nothing_that_can_be_done():
    assert best_order([], lambda mask: [], [], []).sequence == ()
    order = best_order([0, 1], lambda mask: [INF, 1.0], [INF, 1.0], [1.0, 1.0])
    assert (order.sequence, order.left_out) == ((1,), (0,))


def test_large_order_without_conflicts_is_proved_by_its_bound():
    costs = [float(k + 1) for k in range(300)]
    order = best_order(range(300), lambda mask: costs, costs, costs)
    assert order.exact
    assert order.total == pytest.approx(order.lower_bound)
    assert len(order.sequence) == 300
