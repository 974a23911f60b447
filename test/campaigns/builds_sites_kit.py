# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Random sites for whole builds, each from its number, as site files that pass the check.

A site is feasible, and only then drawn, when its tolerance is 20 mm or more and one load, spread
over the drum, raises a crest that stands to height by no more than the tolerance (``MOST_RISE``).
Both come from the soil: a crest of poured loads is uneven by some 8 mm (standard deviation)
however small they are, and by a third of the rise of the last load besides, and loads come whole:
of a crest that is finished with loads that raise it by more than half the band no planner gets
95 % into the band. The rise is that of a ridge at the angle of repose of which a slice as long as
the drum and the ends of a heap takes the load: dA = V / (w + r).

Nothing else is drawn again but yards in which things lie on each other, and berms of so many
loads that a build takes too long.
"""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import Any

from berm_ledger.design import Site
from berm_ledger.design.site_file import site_from_text
from berm_ledger.errors import SiteFileError
from berm_ledger.simulation import Intrusion
import numpy as np
from shapely.geometry import box, LineString, Point, Polygon
import yaml

FAMILIES = ('straight', 'bent', 'arc', 'ring', 'ring, pit inside', 'horseshoe', 'along a wall',
            'keep-outs', 'two facing', 'intruder')
LEAST_RISE, MOST_RISE = 0.4, 1.0
LEAST_LOADS = 10
# Long berms take more; beyond that a build takes longer than it tells.
MOST_LOADS, MOST_LOADS_ROUND = 40, 70
DENSITY = 1500.0
TRIES = 4000

Draw = np.random.Generator
Points = list[list[float]]


@dataclass(frozen=True, eq=False)
class Drawn:
    """
    One site.

    Parameters
    ----------
    number : int
        Number of the build.
    family : str
        Kind of site.
    text : str
        The site file.
    site : Site
        The same, read.
    rise : float
        What a load raises a finished crest by, in units of the tolerance.
    gate_xy : tuple of float
        Where one gets out of the yard [m].
    intrusions : tuple of Intrusion
        What an intruder does, each after a load.

    """

    number: int
    family: str
    text: str
    site: Site
    rise: float
    gate_xy: tuple[float, float]
    intrusions: tuple[Intrusion, ...]


def draw(number: int, family: str | None = None) -> Drawn:
    """Return the site of a build; the families take turns unless one is named."""
    family = family or FAMILIES[number % len(FAMILIES)]
    rng = np.random.default_rng([20261125, number])
    for _ in range(TRIES):
        machine, shape, rise = _machine_and_shape(rng)
        drawn = _layout(rng, family, machine, shape)
        if drawn is None:
            continue
        berms, keep_outs, pits, yard, gate = drawn
        text = _text(machine, shape, berms, keep_outs, pits, yard)
        try:
            site = site_from_text(text, f'build {number}')
        except SiteFileError:
            continue
        loads = _loads(berms, shape, machine)
        most = MOST_LOADS_ROUND if family.startswith(('ring', 'horse')) else MOST_LOADS
        if not LEAST_LOADS <= loads <= most:
            continue
        intrusions = _intrusions(rng, site, loads) if family == 'intruder' else ()
        return Drawn(number, family, text, site, rise, gate, intrusions)
    raise SystemExit(f'no site {number} of family {family} could be drawn')


def rise_m(height_m: float, slope: float, volume_m3: float, width_m: float) -> float:
    """Return how much a load raises a ridge of a height at the angle of repose [m]."""
    low, high = 0.0, 1.0
    for _ in range(50):  # the heap a load makes on level ground: its height by halving
        heap = 0.5 * (low + high)
        full = width_m * heap**2 / slope + math.pi * heap**3 / (3.0 * slope**2)
        low, high = (heap, high) if full < volume_m3 else (low, heap)
    area = height_m**2 / slope + volume_m3 / (width_m + low / slope)
    return math.sqrt(area * slope) - height_m


def _machine_and_shape(rng: Draw) -> tuple[dict[str, Any], dict[str, float], float]:
    """Draw machine and cross-section that go together."""
    while True:
        height = rng.uniform(0.12, 0.30)
        tolerance = float(rng.choice([0.02, 0.025, 0.03]))
        repose = rng.uniform(30.0, 36.0)
        width = rng.uniform(0.25, 0.5)
        payload = rng.uniform(3.0, 14.0)
        slope = math.tan(math.radians(repose))
        rise = rise_m(height, slope, payload / DENSITY, width) / tolerance
        if LEAST_RISE <= rise <= MOST_RISE:
            break
    side = repose - rng.uniform(0.3, 3.0)
    toe = height / math.tan(math.radians(side))
    half = rng.uniform(0.16, 0.30)
    ahead, behind = rng.uniform(0.25, 0.4), rng.uniform(0.3, 0.45)
    drop = ahead + toe + rng.uniform(0.06, 0.2)
    if rng.random() < 0.2:  # dumps behind itself
        ahead, behind = behind, ahead
        drop = -(behind + toe + rng.uniform(0.06, 0.2))
    machine = {
        'footprint': [[-behind, -half], [ahead, -half], [ahead, half], [-behind, half]],
        'drop_point': [drop, rng.choice([0.0, 0.0, 0.05])], 'drum_width_m': width,
        'payload_kg': payload, 'turning_radius_m': rng.uniform(0.0, 0.8),
        'run_up_m': rng.uniform(0.3, 0.6), 'clearance_m': 0.05}
    shape = {'height': height, 'tolerance': tolerance, 'repose': repose, 'side': side, 'toe': toe,
             'segment': rng.uniform(0.35, 0.7)}
    return machine, shape, rise


def _room_m(machine: dict[str, Any]) -> float:
    """Return how much room a machine needs beside a dump line: drop, body, run-up, a turn [m]."""
    corners = np.abs(np.array(machine['footprint']))
    return (abs(machine['drop_point'][0]) + machine['run_up_m'] + float(corners[:, 0].max())
            + 0.5 * machine['turning_radius_m'] + float(corners[:, 1].max()))


def _layout(rng: Draw, family: str, machine: dict[str, Any], shape: dict[str, float]) -> Any:
    """Return berms, keep-outs, pits, yard and gate of a family; None where it did not work out."""
    room = _room_m(machine)
    berms = _berms(rng, family, room, shape)
    body = [LineString(points).buffer(shape['toe']) for points, _ in berms]
    low = np.min([b.bounds[:2] for b in body], axis=0)
    high = np.max([b.bounds[2:] for b in body], axis=0)
    margin = np.full((2, 2), room + 0.5) + rng.uniform(0.0, 0.8, (2, 2))
    keep_outs: list[Polygon] = []
    if family == 'along a wall':
        if rng.random() < 0.5:
            margin[0, 1] = 0.1 + rng.uniform(0.0, 0.3)  # the yard's own rim is the wall
        else:
            y = low[1] - rng.uniform(0.05, 0.3)
            keep_outs.append(box(low[0] - 0.3, y - 0.2, high[0] + 0.3, y))
    low, high = low - margin[0], high + margin[1]
    pit_side = rng.uniform(1.0, 1.6)
    pit = _beside(rng, low, high, family)
    low, high = np.minimum(low, np.array(pit) - 1.0), np.maximum(high, np.array(pit) + 1.0)
    half = 0.5 * pit_side
    pits = [box(pit[0] - half, pit[1] - half, pit[0] + half, pit[1] + half)]
    if family in ('ring, pit inside', 'horseshoe'):
        pits.append(Point(0.0, 0.0).buffer(0.45, 4))
        if family == 'horseshoe':
            pits.pop(0)
    if family == 'keep-outs':
        for _ in range(int(rng.integers(2, 5))):
            x, y = rng.uniform(low + 0.3, high - 0.3)
            a, b = rng.uniform(0.1, 0.4, 2)
            keep_outs.append(box(x - a, y - b, x + a, y + b))
    yard = box(*low, *high)
    if _clashes(body, keep_outs, pits, yard):
        return None
    inset = float(np.abs(np.array(machine['footprint'])).max()) + 0.1
    gate = (float(low[0] + inset), float(high[1] - inset))
    if any(area.distance(Point(gate)) < inset for area in (*keep_outs, *body)):
        return None
    return berms, keep_outs, pits, yard, gate


def _beside(rng: Draw, low: Any, high: Any, family: str) -> tuple[float, float]:
    """Return the middle of a pit at a random place along the rim, not behind a wall."""
    sides = [0, 1, 2] if family == 'along a wall' else [0, 1, 2, 3]
    side = int(rng.choice(sides))
    share = rng.uniform(0.2, 0.8)
    across = low + share * (high - low)
    return [(float(low[0]), float(across[1])), (float(high[0]), float(across[1])),
            (float(across[0]), float(high[1])), (float(across[0]), float(low[1]))][side]


def _clashes(body: list[Any], keep_outs: list[Any], pits: list[Any], yard: Any) -> bool:
    """Tell whether things lie on each other or outside."""
    for k, one in enumerate(body):
        if any(one.distance(other) < 0.05 for other in (*keep_outs, *body[k + 1:])):
            return True
        if any(one.distance(pit) < 0.4 for pit in pits):
            return True
    return any(area.intersects(pit.buffer(0.4)) for area in keep_outs for pit in pits) or (
        not all(yard.contains(thing) for thing in (*body, *pits)))


def _berms(rng: Draw, family: str, room: float, shape: dict[str, float]) -> (
        list[tuple[Points, bool]]):
    """Return the centrelines of a family, and whether each is closed."""
    turn = rng.uniform(-math.pi, math.pi)
    length = rng.uniform(1.2, 3.5)
    if family == 'intruder':
        family = str(rng.choice(['straight', 'arc', 'bent']))
    if family == 'along a wall':
        turn = 0.0
        family = str(rng.choice(['straight', 'arc']))
        if family == 'arc':  # its ends point to the wall
            radius = rng.uniform(1.0, 1.6)
            return [(_arc(radius, math.radians(35.0), math.radians(110.0)), False)]
    if family in ('straight', 'keep-outs'):
        return [(_turned([[0.0, 0.0], [length, 0.0]], turn), False)]
    if family == 'bent':
        bend = rng.uniform(-0.7, 0.7)
        end = [0.5 * length * (1.0 + math.cos(bend)), 0.5 * length * math.sin(bend)]
        return [(_turned([[0.0, 0.0], [0.5 * length, 0.0], end], turn), False)]
    if family == 'two facing':
        length = rng.uniform(1.2, 2.2)
        gap = rng.uniform(2.0 * shape['toe'] + 0.8, room + 2.0 * shape['toe'] + 1.0)
        shift = rng.uniform(-0.5, 0.5)
        lines = [[[0.0, 0.0], [length, 0.0]], [[shift, gap], [length + shift, gap]]]
        return [(_turned(line, turn), False) for line in lines]
    if family == 'arc':
        return [(_arc(rng.uniform(0.9, 1.8), turn, rng.uniform(0.8, 2.6)), False)]
    if family == 'horseshoe':
        return [(_arc(rng.uniform(1.5, 1.9), turn, rng.uniform(3.6, 4.4)), False)]
    radius = rng.uniform(1.3, 1.8) if family == 'ring, pit inside' else rng.uniform(0.8, 1.5)
    return [(_arc(radius, turn, 2.0 * math.pi)[:-1], True)]


def _arc(radius: float, start: float, sweep: float) -> Points:
    """Return points on an arc around the origin."""
    angle = start + np.linspace(0.0, sweep, max(8, math.ceil(radius * sweep / 0.08)))
    return [[float(radius * math.cos(a)), float(radius * math.sin(a))] for a in angle]


def _turned(points: Points, angle: float) -> Points:
    """Return points turned around the origin."""
    cos, sin = math.cos(angle), math.sin(angle)
    return [[cos * x - sin * y, sin * x + cos * y] for x, y in points]


def _loads(berms: list[tuple[Points, bool]], shape: dict[str, float], machine: dict[str, Any]) -> (
        float):
    """Return about how many loads the berms take."""
    length = sum(LineString([*p, p[0]] if closed else p).length for p, closed in berms)
    area = shape['height']**2 / math.tan(math.radians(shape['side']))
    return length * area * DENSITY / float(machine['payload_kg'])


def _intrusions(rng: Draw, site: Site, loads: float) -> tuple[Intrusion, ...]:
    """Return one to three acts of an intruder, spread over the build and after it."""
    line = site.berms[0].centreline
    out = []
    for kind in rng.choice(['remove', 'remove', 'slump', 'fill'], int(rng.integers(1, 4))):
        after = int(rng.uniform(0.5, 1.3) * loads)
        out.append(Intrusion(
            kind=str(kind), volume_m3=site.load_volume_m3 * rng.uniform(0.4, 1.0),
            station_m=line.length_m * rng.uniform(0.1, 0.9), offset_m=rng.uniform(-0.02, 0.02),
            after_load=after, watched=bool(rng.random() < 0.3)))
    return tuple(sorted(out, key=lambda act: act.after_load or 0))


def _text(
    machine: dict[str, Any], shape: dict[str, float], berms: list[tuple[Points, bool]],
    keep_outs: list[Polygon], pits: list[Polygon], yard: Polygon,
) -> str:
    """Return the site file."""
    def outline(area: Polygon) -> Points:
        return [[round(x, 4), round(y, 4)] for x, y in area.exterior.coords[:-1]]

    facts = {
        'format': 1, 'frame': 'map',
        'berms': [{
            'name': f'berm {k + 1}', 'centreline': [[round(x, 4), round(y, 4)] for x, y in points],
            'closed': closed, 'crest_height_m': round(shape['height'], 3), 'crest_width_m': 0.0,
            'side_slope_deg': round(shape['side'], 2),
            'segment_length_m': round(shape['segment'], 2),
            'height_tolerance_m': shape['tolerance'], 'line_tolerance_m': 0.06,
        } for k, (points, closed) in enumerate(berms)],
        'datum': 'survey',
        'material': {'loose_density_kg_m3': DENSITY, 'repose_deg': round(shape['repose'], 2)},
        'rover': {key: np.round(value, 4).tolist() for key, value in machine.items()},
        'yard': {
            'boundary': outline(yard),
            'keep_outs': [{'name': f'thing {k + 1}', 'polygon': outline(area)}
                          for k, area in enumerate(keep_outs)],
            'borrow_areas': [{'name': f'pit {k + 1}', 'polygon': outline(area)}
                             for k, area in enumerate(pits)]}}
    return str(yaml.safe_dump(facts, sort_keys=False))
