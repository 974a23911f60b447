# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The order of work: time against its limits, gap, growth, and general libraries as peers.

Two kinds of site: a ring, of which few segments are in each other's way, and two berms facing
each other, where all are. ``ours`` is processor time from the table of segments to the whole plan
with every approach, yard included. Peers, in the same run and on the same cells: the ways from
the borrow area by ``networkx`` (multi-source Dijkstra), and ``scipy.optimize.milp`` on the order
of ten segments (a linear ordering problem with their pairwise detours) against our exact search
on the same costs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
import math
from pathlib import Path
import statistics
import sys
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / 'test' / 'benchmarks'),
                str(ROOT / 'test' / 'targeting')]  # runs from a clone

from bench_kit import Line, medians_s, printed, processor_s, shown_ms  # noqa: E402
from berm_ledger.design import Site  # noqa: E402
from berm_ledger.geometry import Polyline  # noqa: E402
from berm_ledger.targeting import Plan, plan_work, Planner  # noqa: E402
from berm_ledger.targeting.obstacles import Obstacles  # noqa: E402
from berm_ledger.targeting.order import best_order  # noqa: E402
from berm_ledger.targeting.reach import ReachMap  # noqa: E402
import numpy as np  # noqa: E402
from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: E402
from targeting_kit import (  # noqa: E402
    bare_rows,
    berm_of,
    raised,
    rectangle,
    ring,
    site_of,
    straight,
)

SEGMENT_M = 0.6
# Processor time allowed for a plan of so many segments [s].
LIMITS_S = {12: 2.0, 100: 2.0, 300: 10.0}
REPLAN_LIMIT_S = 0.05
GAP_LIMIT = 0.15
SIZES = (12, 25, 50, 100, 200, 300)
CHANGES = 7
ROUNDS = 3
MILP_SEGMENTS = 10


def ring_site(count: int) -> Site:
    """Return a ring of so many segments with its borrow area outside."""
    radius = count * SEGMENT_M / (2.0 * math.pi)
    wide = radius + 4.0
    return site_of(
        ring(radius, segment_m=SEGMENT_M + 1e-3), yard=rectangle(-wide, -wide, wide, wide),
        borrow=[rectangle(-wide + 0.3, -1.0, -wide + 1.6, 1.0)])


def facing_site(count: int, gap_m: float = 1.1) -> Site:
    """Return two berms of half the segments each, too near for a robot between both."""
    length = count // 2 * SEGMENT_M
    lower = straight(length, name='lower', segment_m=SEGMENT_M + 1e-6)
    upper = berm_of(Polyline([[0.0, gap_m], [length, gap_m]]), name='upper',
                    segment_m=SEGMENT_M + 1e-6)
    return site_of(
        lower, upper, yard=rectangle(-3.0, -4.0, length + 4.0, 5.0),
        borrow=[rectangle(length + 1.5, -1.0, length + 3.0, 1.0)])


SITES: dict[str, Callable[[int], Site]] = {'ring': ring_site, 'facing': facing_site}


def planned(site: Site) -> tuple[float, Plan]:
    """Return the processor time of one plan from bare ground [s], and the plan."""
    rows = bare_rows(site)
    plans: list[Plan] = []
    time_s = processor_s(lambda: plans.append(plan_work(site, rows)))
    return time_s, plans[0]


def growth(sizes: list[int], times_s: list[float]) -> float:
    """Return the exponent of the power of the size that times grow with, by least squares."""
    slope: float = np.polyfit(np.log(sizes), np.log(times_s), 1)[0]
    return slope


def replans_s(site: Site) -> list[float]:
    """Return the processor times of the answer after one changed reading each [s]."""
    rows = list(bare_rows(site))
    planner = Planner(site)
    planner.update(rows)
    assert planner.plan is not None
    times = []
    for row in planner.plan.sequence[:CHANGES]:
        rows[row] = raised(rows[row], 0.08, dumps_remaining=2, dumps_made=1)
        times.append(processor_s(lambda: (planner.update(rows), planner.next_target())))
    assert planner.replans == 1
    return times


def ways_s(site: Site) -> tuple[float, float]:
    """Return the times of all shortest ways from the borrow area: ours and networkx's [s]."""
    import networkx as nx
    rows = bare_rows(site)
    reach = ReachMap(site, Obstacles.of_site(site, rows, None, None))
    reach = reach.with_standing(np.zeros(len(rows), dtype=bool))
    built = np.zeros(len(rows), dtype=bool)
    graph = nx.DiGraph()
    graph.add_weighted_edges_from(zip(
        reach._from.tolist(), reach._to.tolist(), reach._length_m.tolist()))
    sources = set(np.nonzero(reach.sources)[0].tolist())
    found: dict[str, Any] = {}

    def ours() -> None:
        found['ours'] = reach.field(built).distance_m

    def peer() -> None:
        found['peer'] = nx.multi_source_dijkstra_path_length(graph, sources)
    times = medians_s(ROUNDS, ours, peer)
    cells = list(found['peer'])
    assert np.allclose(found['ours'][cells], [found['peer'][k] for k in cells])
    return times[0], times[1]


def pairwise(count: int, random: np.random.Generator) -> np.ndarray:
    """Return what i pays when j stands already [m]: detours of pairs, as on crowded ground."""
    return np.where(random.random((count, count)) < 0.6,
                    random.uniform(0.0, 3.0, (count, count)), 0.0)


def order_by_milp(detour: np.ndarray) -> float:
    """Return the least sum of detours over all orders, as a linear ordering problem [m]."""
    count = len(detour)
    pairs = [(i, j) for i in range(count) for j in range(i + 1, count)]
    place = {pair: n for n, pair in enumerate(pairs)}
    # x[i, j] = 1: i is served before j, so that j pays for i; else i pays for j.
    cost = np.array([detour[j, i] - detour[i, j] for i, j in pairs])
    lines = []
    for i in range(count):
        for j in range(i + 1, count):
            for k in range(j + 1, count):
                line = np.zeros(len(pairs))
                line[place[i, j]] = line[place[j, k]] = 1.0
                line[place[i, k]] = -1.0
                lines.append(line)  # no three in a circle
    done = milp(cost, integrality=np.ones(len(pairs)), bounds=Bounds(0.0, 1.0),
                constraints=LinearConstraint(np.array(lines), 0.0, 1.0))
    return float(done.fun + sum(detour[i, j] for i, j in pairs))


def exact_s() -> tuple[float, float]:
    """Return the times of the least order of ten: our search and the peer's [s]."""
    times: list[tuple[float, ...]] = []
    for seed in range(ROUNDS):
        detour = pairwise(MILP_SEGMENTS, np.random.default_rng(seed))
        found: dict[str, float] = {}

        def costs(mask: int, detour: np.ndarray = detour) -> list[float]:
            standing = np.array([mask >> k & 1 for k in range(MILP_SEGMENTS)], dtype=float)
            np.fill_diagonal(detour, 0.0)
            return (1.0 + detour @ standing).tolist()

        def ours(found: dict[str, float] = found, costs: Any = costs) -> None:
            order = best_order(range(MILP_SEGMENTS), costs, [1.0] * MILP_SEGMENTS,
                               [1.0] * MILP_SEGMENTS)
            assert order.exact
            found['ours'] = order.total - MILP_SEGMENTS

        def peer(found: dict[str, float] = found, detour: np.ndarray = detour) -> None:
            found['peer'] = order_by_milp(detour)
        times.append(medians_s(1, ours, peer))
        assert math.isclose(found['ours'], found['peer'], abs_tol=1e-6), found
    return (statistics.median(t[0] for t in times), statistics.median(t[1] for t in times))


def size_lines(kind: str) -> Iterator[Line]:
    """Give time and gap of the plans of one kind of site, and how the time grows."""
    times = []
    for size in SIZES:
        time_s, plan = planned(SITES[kind](size))
        times.append(time_s)
        assert plan.complete
        if size not in LIMITS_S:
            continue
        what = 'least haul' if plan.exact else f'gap {100.0 * plan.gap:.1f} %'
        yield Line(f'plan, {kind}, {size} segments [s]', f'{time_s:.2f} s', '', time_s,
                   LIMITS_S[size], note=f'{what}, bound {plan.lower_bound_m:.0f} m')
        if size >= 100:
            yield Line(f'gap, {kind}, {size} segments', f'{plan.haul_m:.0f} m',
                       f'{plan.lower_bound_m:.0f} m', plan.gap, GAP_LIMIT,
                       note='peer: the lower bound')
    yield Line(f'plan, {kind}: growth exponent', f'{growth(list(SIZES), times):.2f}', '',
               math.nan, note=f'{SIZES[0]} to {SIZES[-1]} segments')


def rows() -> Iterator[Line]:
    """Give all lines."""
    for kind in SITES:
        yield from size_lines(kind)
    for kind, make in SITES.items():
        times = replans_s(make(100))
        yield Line(f'replan, {kind}, one reading of 100 [s]', shown_ms(max(times)), '',
                   max(times), REPLAN_LIMIT_S, note=f'worst of {len(times)}')
    ours, peer = ways_s(facing_site(100))
    yield Line('ways from the borrow area / networkx', shown_ms(ours), shown_ms(peer),
               ours / peer, 1.0, note='same cells, same lengths')
    ours, peer = exact_s()
    yield Line('exact order of 10 / scipy milp', shown_ms(ours), shown_ms(peer), ours / peer, 1.0,
               note='same least cost')


def main() -> int:
    """Print the table."""
    return printed(rows())


if __name__ == '__main__':
    sys.exit(main())
