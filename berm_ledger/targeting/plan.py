# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The whole plan: every load still called for, in order, with the approach to each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
import math

import numpy as np
from numpy.typing import NDArray

from .approach import Approach, chained
from .haul import HaulCosts
from .lifts import in_turns, rows_before
from .obstacles import Obstacles, segment_name
from .options import OptionBuilder, Options, places_of
from .order import best_order, Order
from .reach import Field, mask_from_built, ReachMap
from .reasons import Reasons
from .standing import standing_segments
from .values import Ground
from ..books.rows import Row, State
from ..design import Site
from ..geometry import Pose2
from ..wording import counted

PLAN_COLUMNS = (
    'step', 'berm', 'segment', 'load', 'drop_x_m', 'drop_y_m', 'pose_x_m', 'pose_y_m', 'yaw_rad',
    'runup_x_m', 'runup_y_m', 'haul_m')
# For how many different states of the yard the ways are kept with a plan.
WAYS_AHEAD = 12


@dataclass(frozen=True)
class PlanStep:
    """One load: index of its ``row``, number of the ``load`` on it, ``approach``, ``haul_m``."""

    row: int
    load: int
    approach: Approach
    haul_m: float


@dataclass(frozen=True)
class Unserved:
    """A segment that no step of the plan serves: index of its ``row`` and the ``reason``."""

    row: int
    reason: str


@dataclass(frozen=True, eq=False)
class Plan:
    """
    The order of work from where things stand.

    Parameters
    ----------
    rows : tuple of Row
        The table it was made from.
    standing : array of bool
        Shape (rows,): which segments stood.
    steps : tuple of PlanStep
        One per load.
    unserved : tuple of Unserved
        Segments with loads left that cannot be served; empty for a complete plan.
    lower_bound_m : float
        No order that serves the same loads hauls less [m].
    exact : bool
        Whether the haul is known to be the least.
    stands : mapping
        Per served row the rows (bits) that may stand while it is served, besides ``standing``.
    before : mapping
        Per served row the rows (bits) that must be finished before it is begun.
    ways : mapping
        For the rows served first: points (n, 2) base_link passes from the borrow area [m].
    soil_xy : array
        Shape (n, 2): blocked ground it was made with, off the standing segments [m].
    base : ReachMap or None
        The map it was made on, before anything stands.

    """

    rows: tuple[Row, ...]
    standing: NDArray[np.bool_]
    steps: tuple[PlanStep, ...]
    unserved: tuple[Unserved, ...]
    lower_bound_m: float
    exact: bool
    stands: Mapping[int, int] = field(default_factory=dict)
    before: Mapping[int, int] = field(default_factory=dict)
    ways: Mapping[int, NDArray[np.float64]] = field(default_factory=dict)
    soil_xy: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 2)))
    base: ReachMap | None = None

    @property
    def complete(self) -> bool:
        """Whether every load is served."""
        return not self.unserved

    @property
    def haul_m(self) -> float:
        """Haul of all loads [m], one way."""
        return math.fsum(step.haul_m for step in self.steps)

    @property
    def gap(self) -> float:
        """How far the haul may be above the least, as a share of the lower bound."""
        return self.haul_m / self.lower_bound_m - 1.0 if self.lower_bound_m > 0.0 else 0.0

    @property
    def sequence(self) -> tuple[int, ...]:
        """Rows in the order in which they are first served."""
        return tuple(dict.fromkeys(step.row for step in self.steps))

    def table(self) -> list[tuple[object, ...]]:
        """Return one row per load with the columns of ``PLAN_COLUMNS``."""
        out: list[tuple[object, ...]] = []
        for number, step in enumerate(self.steps, start=1):
            row, way = self.rows[step.row], step.approach
            figures = (*way.drop_xy, way.pose.x_m, way.pose.y_m, way.pose.yaw_rad,
                       way.run_up_start.x_m, way.run_up_start.y_m, step.haul_m)
            out.append((number, row.berm, row.segment, step.load,
                        *(round(value, 5) for value in figures)))
        return out

    def summary(self) -> str:
        """Say in plain words what the plan comes to."""
        kind = 'least haul' if self.exact else f'at most {100.0 * self.gap:.1f} % above the least'
        loads, segments = len(self.steps), len(self.sequence)
        text = (f'{counted(loads, "load")} on {counted(segments, "segment")}, haul '
                f'{self.haul_m:.1f} m, lower bound {self.lower_bound_m:.1f} m ({kind})')
        if self.complete:
            return text
        lost = '; '.join(
            f'{segment_name(self.rows[u.row])}: {u.reason}' for u in self.unserved)
        return f'{text}. No complete order exists. Cannot be served: {lost}'


def plan_work(
    site: Site,
    rows: Sequence[Row],
    ground: Ground | None = None,
    robot: Pose2 | None = None,
    *,
    present: int | None = None,
    base: ReachMap | None = None,
) -> Plan:
    """
    Return the order of work over all remaining loads.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        All rows with ``dumps_remaining`` filled in.
    ground : Ground or None
        Measured ground; None plans from free ground.
    robot : Pose2 or None
        Where the robot is; used where the site names no borrow area.
    present : int or None
        Row that is being worked: kept first where that is as good.
    base : ReachMap or None
        The map of an earlier plan, to save time; segments and ground must be the same.

    Returns
    -------
    Plan
        Complete, or the best partial one with the names of what cannot be served.

    """
    table = tuple(rows)
    yard = Yard.of(site, table, ground, robot, base)
    options = yard.builder.build(places_of(site, table, yard.wanted))
    work = Work.of(yard, table, options)
    wider = yard.builder.widened(options, work.order.left_out)
    if wider is not None:
        work = Work.of(yard, table, wider)
    order = work.order
    before = rows_before(order, yard.standing)
    sequence = _forward(table, yard.standing, order, present)
    steps = _steps(yard, work, sequence, before, site.in_lifts)
    reasons = Reasons(table, work.options, yard.reach, order, work.least)
    unserved = tuple(Unserved(k, reasons.why(k)) for k in order.left_out)
    stands = dict(zip(order.sequence, order.stands))
    return Plan(table, yard.standing, steps, unserved, order.lower_bound, order.exact,
                stands, before, _ways(yard, work), yard.obstacles.soil_xy, yard.base)


@dataclass(frozen=True, eq=False)
class Yard:
    """The yard as it stands: ``wanted`` rows, what is ``standing``, and the machinery on it."""

    wanted: tuple[int, ...]
    standing: NDArray[np.bool_]
    obstacles: Obstacles
    base: ReachMap
    reach: ReachMap
    builder: OptionBuilder

    @classmethod
    def of(
        cls, site: Site, rows: tuple[Row, ...], ground: Ground | None, robot: Pose2 | None,
        base: ReachMap | None,
    ) -> Yard:
        """Take stock of a yard."""
        wanted = tuple(k for k, row in enumerate(rows) if row.dumps_remaining > 0)
        standing = standing_segments(site, rows)
        obstacles = Obstacles.of_site(site, rows, ground, standing.tolist())
        if base is None:
            base = ReachMap(site, obstacles)
        reach = base.with_standing(standing, robot)
        asked = np.zeros(len(rows), dtype=bool)
        asked[list(wanted)] = True
        builder = OptionBuilder(site, rows, obstacles, reach, standing, asked)
        return cls(wanted, standing, obstacles, base, reach, builder)


@dataclass(frozen=True, eq=False)
class Work:
    """An order with the ``options`` and ``costs`` it was found by, and the ``chosen`` of them."""

    options: Options
    costs: HaulCosts
    least: Sequence[float]
    order: Order
    chosen: Mapping[int, tuple[int, float]]

    @classmethod
    def of(cls, yard: Yard, rows: tuple[Row, ...], options: Options) -> Work:
        """Find the order of work by options, the whole footprint clear along every curve."""
        weights = [float(row.dumps_remaining) for row in rows]
        while True:  # every round rules out at least one option
            costs = HaulCosts(yard.reach, options, len(rows))
            least = costs.alone()
            order = best_order(
                yard.wanted, costs, least, weights, pairs=costs.pairs(), groups=_berms(rows),
                standing=mask_from_built(yard.standing))
            chosen = _chosen(options, costs, order)
            tight = yard.builder.tightened(options, [option for option, _ in chosen.values()])
            if tight is None:
                return cls(options, costs, least, order, chosen)
            options = tight


def _berms(rows: tuple[Row, ...]) -> list[int]:
    """Return the rows of each berm as bits."""
    out: dict[int, int] = {}
    for k, row in enumerate(rows):
        out[row.berm_index] = out.get(row.berm_index, 0) | 1 << k
    return list(out.values())


def _chosen(
    options: Options, costs: HaulCosts, order: Order
) -> dict[int, tuple[int, float]]:
    """Return per served place the option of least haul and that haul [m]."""
    stands = dict(zip(order.sequence, order.stands))
    out = {}
    for p, place in enumerate(options.places):
        if place.row in stands:
            option, haul = costs.best(stands[place.row])
            out[p] = int(option[p]), float(haul[p])
    return out


def _ways(yard: Yard, work: Work) -> dict[int, NDArray[np.float64]]:
    """Return for the first rows served the points base_link passes on its way there and in."""
    options = work.options
    stands = dict(zip(work.order.sequence, work.order.stands))
    soon = set(list(dict.fromkeys(work.order.stands))[:WAYS_AHEAD])
    fields: dict[int, Field] = {}
    out: dict[int, NDArray[np.float64]] = {}
    for p, (option, _) in work.chosen.items():
        row = options.places[p].row
        mask = stands[row]
        if mask not in soon:
            continue
        if mask not in fields:
            fields[mask] = work.costs.field(mask)
        way = fields[mask].way(int(options.entry_cell[option]))[::-1]
        approach = options.approaches[options.approach[option]]
        curve = chained(approach.run_up_start, yard.builder.fan[options.entry[option]].poses)
        points = np.concatenate(
            [yard.reach.centres_xy[way], curve[:, :2], [approach.pose.xy]])
        out[row] = np.concatenate([out[row], points]) if row in out else points
    return out


def _steps(
    yard: Yard, work: Work, sequence: Sequence[int], before: Mapping[int, int], in_lifts: bool
) -> tuple[PlanStep, ...]:
    """Lay the order out load by load."""
    by_row: dict[int, list[PlanStep]] = {k: [] for k in sequence}
    options = work.options
    for p, (option, haul) in work.chosen.items():
        place = options.places[p]
        way = options.approaches[options.approach[option]]
        by_row[place.row] += [PlanStep(place.row, load, way, haul) for load in place.loads]
    loads = {k: sorted(steps, key=lambda step: step.load) for k, steps in by_row.items()}
    standing = set(np.nonzero(yard.standing)[0].tolist())
    return in_turns(loads, sequence, before, standing, in_lifts=in_lifts)


def _forward(
    rows: tuple[Row, ...], standing: NDArray[np.bool_], order: Order, present: int | None
) -> list[int]:
    """
    Return the rows in order: what stands already first, then group by group.

    A segment that stands is in nobody's way more than before, so that it may always come first;
    within a group the members may change places. Reworks come before the rest, then the segment
    at hand, then along the berms.
    """
    def key(k: int) -> tuple[bool, bool, int, int]:
        row = rows[k]
        return (row.state != State.REWORK, k != present, row.berm_index, row.segment)
    first = sorted((k for k in order.sequence if standing[k]), key=key)
    rest = [k for group in order.batches for k in sorted(group, key=key) if not standing[k]]
    return first + rest
