# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The keys of a site file as one table: kind, unit, bounds, default, meaning.

The reader (``reader.py``) goes by this table alone; rules that tie several keys together are in
``rules.py``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
import math
from typing import Final

REQUIRED: Final = object()
# Version of the format, the only one so far.
FORMAT = 1
# More than any line or outline needs.
MAX_POINTS = 10000
# No national grid has greater coordinates [m].
MAX_METRES = 1.0e7
# Characters of a name that tables and pictures have room for.
MAX_NAME = 60


@dataclass(frozen=True)
class Key:
    """
    One key of a mapping in the site file.

    Parameters
    ----------
    name : str
        The key.
    kind : str
        ``number``, ``whole``, ``text``, ``choice`` (one of some words), ``truth``, ``point`` (two
        numbers), ``points``, ``triple`` (three numbers), ``table`` (a mapping), ``tables`` (a
        list of mappings), ``line`` (points or an arc) or ``datum`` (``survey`` or a plane).
    text : str
        What it means.
    unit : str
        Unit of the number or of each coordinate.
    default : object
        Value where the key is left out; REQUIRED where it may not be.
    low, high : float
        Bounds of the number, or of each coordinate.
    open_low : bool
        Whether the lower bound itself is out of bounds.
    least : int
        Fewest points, or fewest mappings of a list.
    table : str
        Name of the table that the mapping or mappings follow.
    choices : tuple of str
        The words of a choice.
    fixed : bool
        Whether what is booked rests on it, so that books cannot be gone on with after it was
        changed. Of a key that is new, unless somebody has made sure that nothing does.

    """

    name: str
    kind: str
    text: str
    unit: str = ''
    default: object = REQUIRED
    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    least: int = 0
    table: str = ''
    choices: tuple[str, ...] = ()
    fixed: bool = True

    @property
    def is_required(self) -> bool:
        """Whether the key may not be left out."""
        return self.default is REQUIRED


def _length(
    name: str, text: str, *, high: float, default: object = REQUIRED, zero: bool = False
) -> Key:
    """Return a key for a length [m], positive unless zero makes sense."""
    return Key(name, 'number', text, 'm', default, 0.0, high, open_low=not zero)


def _points(name: str, text: str, least: int, default: object = REQUIRED) -> Key:
    """Return a key for a list of points [m]."""
    return Key(name, 'points', text, 'm', default, -MAX_METRES, MAX_METRES, least=least)


def _slope(name: str, text: str) -> Key:
    """Return a key for a slope [deg]; 0 is no slope and 90 a wall."""
    return Key(name, 'number', text, 'deg', low=1.0, high=89.0)


def _free(key: Key) -> Key:
    """Return a key that only what is planned, shown or held back from now on rests on."""
    return replace(key, fixed=False)


_NAME = Key('name', 'text', 'name, for people and in the tables')

TABLES: Mapping[str, tuple[Key, ...]] = {
    'site': (
        Key('format', 'whole', f'version of this file format: {FORMAT}', low=FORMAT, high=FORMAT),
        Key('frame', 'text', 'frame of every coordinate, and of the grids and poses'),
        Key('berms', 'tables', 'the berms, at least one', least=1, table='berm'),
        Key('datum', 'datum', '`survey` (natural ground is surveyed before the first dump) or '
            '`{plane: [a, b, c]}` for z = a x + b y + c', default='survey'),
        Key('material', 'table', 'the soil', table='material'),
        Key('rover', 'table', 'the machine', table='rover'),
        Key('yard', 'table', 'the ground it works on', table='yard'),
        _free(Key('hold_on_disturbance', 'truth', 'no target after a disturbance until an '
                  'operator resumes', default=True)),
        _free(Key('work_order', 'choice', '`lifts` (the lowest segment next, wherever that '
                  'blocks no other) or `segments` (one after the other)', default='lifts',
                  choices=('lifts', 'segments'))),
        Key('cell_m', 'number', 'cell of the site lattice', 'm', 0.015, 0.002, 0.5),
        Key('site_from_map', 'table', 'where the origin of `frame` lies in the coordinates of '
            'this file, when those are others', default=None, table='transform'),
    ),
    'transform': (
        Key('x_m', 'number', 'origin of `frame` along x of the file', 'm', low=-MAX_METRES,
            high=MAX_METRES),
        Key('y_m', 'number', 'origin of `frame` along y of the file', 'm', low=-MAX_METRES,
            high=MAX_METRES),
        Key('yaw_deg', 'number', 'heading of the x axis of `frame`, counter-clockwise from x of '
            'the file', 'deg', low=-360.0, high=360.0),
    ),
    'berm': (
        _NAME,
        Key('centreline', 'line', 'plan-view line of the crest: points, or `{arc: ...}`', 'm',
            None, -MAX_METRES, MAX_METRES, least=2),
        Key('arc', 'table', 'an arc in place of `centreline`', default=None, table='arc'),
        Key('closed', 'truth', 'whether the line leads back to its start', default=None),
        _length('crest_height_m', 'height of the crest above the datum', high=100.0, default=None),
        Key('crest_level_m', 'number', 'absolute level of a level crest, in place of '
            '`crest_height_m`', 'm', None, -MAX_METRES, MAX_METRES),
        _length('crest_width_m', 'width of the flat top', high=100.0, default=0.0, zero=True),
        _slope('side_slope_deg', 'slope of both sides from the horizontal'),
        _length('segment_length_m', 'longest segment; the line is cut into equal parts',
                high=1000.0),
        _length('height_tolerance_m', 'allowed difference of the crest from the design',
                high=10.0),
        _length('line_tolerance_m', 'allowed distance of the crest line from the centreline',
                high=100.0),
    ),
    'arc': (
        Key('centre', 'point', 'centre', 'm', low=-MAX_METRES, high=MAX_METRES),
        _length('radius_m', 'radius', high=10000.0),
        Key('from_deg', 'number', 'direction from the centre to the start, counter-clockwise '
            'from x', 'deg', low=-360.0, high=360.0),
        Key('sweep_deg', 'number', 'angle swept, counter-clockwise; 360 or -360 closes the line',
            'deg', low=-360.0, high=360.0),
    ),
    'plane': (
        Key('plane', 'triple', 'a, b, c of z = a x + b y + c', 'm/m, m/m, m', low=-MAX_METRES,
            high=MAX_METRES),
    ),
    'material': (
        Key('loose_density_kg_m3', 'number', 'density as dumped', 'kg/m3', low=100.0,
            high=10000.0),
        _free(_slope('repose_deg', 'angle of repose')),
        Key('swell', 'number', 'loose volume for one volume in the ground', 'm3/m3', 1.11, 1.0,
            3.0),
    ),
    'rover': (
        _free(_points('footprint', 'outline in base_link (x forward, y left)', 3)),
        Key('drop_point', 'point', 'where the load lands, in base_link', 'm', low=-100.0,
            high=100.0),
        _length('drum_width_m', 'width over which a load lands', high=100.0),
        Key('payload_kg', 'number', 'mass of a full load', 'kg', low=0.0, high=1.0e6,
            open_low=True),
        _free(_length('turning_radius_m', 'smallest turning radius; 0 turns on the spot',
                      high=1000.0, zero=True)),
        _free(_length('run_up_m', 'length of the straight run-up before a dump', high=1000.0)),
        _free(_length('clearance_m', 'ground that rises more than this is an obstacle to the '
                      'wheels', high=10.0, default=0.05)),
        Key('drum_current', 'table', 'what the drum draws while a load is carried', default=None,
            table='drum_current'),
    ),
    'drum_current': (
        Key('empty_a', 'number', 'current of the empty drum', 'A', low=0.0, high=1.0e4),
        Key('full_a', 'number', 'current with the payload in it', 'A', low=0.0, high=1.0e4,
            open_low=True),
    ),
    'yard': (
        _free(_points('boundary', 'where the robot may work', 3)),
        _free(Key('keep_outs', 'tables', 'where it may not', default=(), table='keep_out')),
        Key('borrow_areas', 'tables', 'where soil is dug; none: reach is judged from where the '
            'robot stands', default=(), table='borrow_area'),
    ),
    'keep_out': (
        _free(_NAME),
        _free(_points('polygon', 'outline', 3)),
    ),
    'borrow_area': (
        _NAME,
        _points('polygon', 'outline', 3),
        _length('max_cut_m', 'deepest cut; none: no limit', high=100.0, default=None),
    ),
}
