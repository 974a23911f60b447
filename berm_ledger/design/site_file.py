# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Text of a site file to a ``Site``, or every fault of it at once.

Text -> values with lines (``yaml_lines``) -> values checked key by key (``reader`` after the table
in ``schema``) -> shapes -> rules across keys (``rules``) -> ``Site``. Degrees become radians here.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
import math
from typing import TypeVar

from .placed import site_in_map
from .reader import Reader, Table
from .rules import BermDraft, Draft, RULES
from .site import Berm, BorrowArea, Material, NamedArea, Plane, Rover, Site, Yard
from .yaml_lines import Fault, item_from_text, YamlError
from ..errors import GeometryError, SiteFileError
from ..geometry import Polygon, Polyline, Pose2

FULL_TURN_DEG = 360.0

T = TypeVar('T')


class _AbsentError(Exception):
    """A value that is needed was left out or is at fault; the fault is noted elsewhere."""


def site_from_text(text: str, source: str) -> Site:
    """
    Return the site that a site file describes.

    Parameters
    ----------
    text : str
        Text of the file.
    source : str
        Name of the file, for the faults.

    Returns
    -------
    Site
        Metres, radians and kilograms.

    Raises
    ------
    SiteFileError
        The file breaks rules; all its faults, each with path, line and rule.

    """
    root, faults = _read(text, source)
    site = None if root is None else _site(root, faults)
    if faults or site is None:
        raise _error(source, faults)
    return site


def table_from_text(text: str, source: str) -> Table:
    """
    Return the values that a site file gives, each by its key, without making a site of them.

    Parameters
    ----------
    text : str
        Text of the file.
    source : str
        Name of the file, for the faults.

    Returns
    -------
    Table
        Values in the units of the file, defaults put in.

    Raises
    ------
    SiteFileError
        The file breaks rules of single keys; all of these faults.

    """
    root, faults = _read(text, source)
    if faults or root is None:
        raise _error(source, faults)
    return root


def _read(text: str, source: str) -> tuple[Table | None, list[Fault]]:
    """Return what can be read key by key, and the faults of it."""
    try:
        item, found = item_from_text(text)
    except YamlError as exc:
        raise SiteFileError(source, (str(exc.fault),)) from exc
    reader = Reader()
    root = reader.table(item, '', 'site')
    return root, [*found, *reader.faults]


def _error(source: str, faults: list[Fault]) -> SiteFileError:
    """Return the error that tells of all faults, in the order of their lines."""
    in_order = sorted(faults, key=lambda fault: fault.line)
    return SiteFileError(source, tuple(str(fault) for fault in in_order))


def _site(root: Table, faults: list[Fault]) -> Site | None:
    """Make shapes and site, run all rules; None where something needed is absent."""
    plane = _plane(root)
    berms = tuple(_berm_draft(table, faults) for table in root.tables('berms'))
    yard, rover = root.table('yard'), root.table('rover')
    boundary = _polygon(yard, 'boundary', faults) if yard else None
    footprint = _polygon(rover, 'footprint', faults) if rover else None
    keep_outs, borrow_areas = _areas(yard, faults) if yard else ((), ())
    draft = Draft(root, berms, boundary, plane)
    for rule in RULES:
        faults += rule(draft)
    with suppress(_AbsentError):
        site = Site(
            frame=frame_name(_need(root.text('frame'))),
            berms=tuple(_need(part.berm) for part in berms),
            datum_plane=plane,
            material=_material(_need(root.table('material'))),
            rover=_rover(_need(rover), _need(footprint)),
            yard=Yard(_need(boundary), keep_outs, borrow_areas),
            hold_on_disturbance=_need(root.truth('hold_on_disturbance')),
            cell_m=_need(root.number('cell_m')),
            work_order=_need(root.text('work_order')),
        )
        placing = root.table('site_from_map')
        return site if placing is None else site_in_map(site, _transform(placing))
    return None


def frame_name(name: str) -> str:
    """Return the name of a frame as messages must bear it: since ROS 2 without a leading slash."""
    return name.lstrip('/') or name


def _transform(table: Table) -> Pose2:
    """Return where the frame lies in the coordinates of the file."""
    return Pose2(_need(table.number('x_m')), _need(table.number('y_m')),
                 math.radians(_need(table.number('yaw_deg'))))


def _need(value: T | None) -> T:
    """Return a value that is there."""
    if value is None:
        raise _AbsentError
    return value


def _shape(
    make: Callable[[], T], table: Table, key: str, faults: list[Fault]
) -> T | None:
    """Make a shape, note what is wrong with it, None where it cannot be made."""
    try:
        return make()
    except _AbsentError:
        return None
    except GeometryError as exc:
        faults.append(table.fault(key, str(exc)))
        return None


def _polygon(table: Table, key: str, faults: list[Fault]) -> Polygon | None:
    """Return the polygon that a key gives."""
    return _shape(lambda: Polygon(_need(table.points(key))), table, key, faults)


def _plane(root: Table) -> Plane | None:
    """Return the datum plane, None where the datum is surveyed."""
    table = root.table('datum')
    values = table.numbers('plane') if table else None
    return Plane(*values) if values else None


def _areas(
    yard: Table, faults: list[Fault]
) -> tuple[tuple[NamedArea, ...], tuple[BorrowArea, ...]]:
    """Return keep-outs and borrow areas, as far as they can be made."""
    keep_outs, borrow_areas = [], []
    for table in yard.tables('keep_outs'):
        name, polygon = table.text('name'), _polygon(table, 'polygon', faults)
        if name is not None and polygon is not None:
            keep_outs.append(NamedArea(name, polygon))
    for table in yard.tables('borrow_areas'):
        name, polygon = table.text('name'), _polygon(table, 'polygon', faults)
        if name is not None and polygon is not None:
            borrow_areas.append(BorrowArea(name, polygon, table.number('max_cut_m')))
    return tuple(keep_outs), tuple(borrow_areas)


def _berm_draft(table: Table, faults: list[Fault]) -> BermDraft:
    """Return a berm as far as it can be made."""
    arc = table.table('arc') or table.table('centreline')
    if arc is not None:
        key = 'arc' if 'arc' in table.lines else 'centreline'
        line = _shape(lambda: _arc(arc), table, key, faults)
        if line is not None and table.truth('closed') not in (None, line.closed):
            faults.append(table.fault('closed', (
                'an arc is closed by a sweep of 360 degrees and by nothing else; leave `closed` '
                'out')))
    else:
        closed = table.truth('closed') or False
        line = _shape(lambda: Polyline(_need(table.points('centreline')), closed),
                      table, 'centreline', faults)
    berm = None
    with suppress(_AbsentError):
        berm = _berm(table, _need(line))
    return BermDraft(table, line, berm)


def _arc(table: Table) -> Polyline:
    """Return an arc as a line."""
    sweep_deg = _need(table.number('sweep_deg'))
    if math.isclose(abs(sweep_deg), FULL_TURN_DEG, abs_tol=1e-6):
        sweep_deg = math.copysign(FULL_TURN_DEG, sweep_deg)
    return Polyline.arc(
        _need(table.numbers('centre')), _need(table.number('radius_m')),
        math.radians(_need(table.number('from_deg'))), math.radians(sweep_deg))


def _berm(table: Table, line: Polyline) -> Berm:
    """Return a berm whose values are all there."""
    height, level = table.number('crest_height_m'), table.number('crest_level_m')
    if (height is None) == (level is None):
        raise _AbsentError
    return Berm(
        name=_need(table.text('name')),
        centreline=line,
        crest_height_m=height,
        crest_level_m=level,
        crest_width_m=_need(table.number('crest_width_m')),
        side_slope_rad=math.radians(_need(table.number('side_slope_deg'))),
        segment_length_m=_need(table.number('segment_length_m')),
        height_tolerance_m=_need(table.number('height_tolerance_m')),
        line_tolerance_m=_need(table.number('line_tolerance_m')),
    )


def _material(table: Table) -> Material:
    """Return the soil."""
    return Material(
        loose_density_kg_m3=_need(table.number('loose_density_kg_m3')),
        repose_rad=math.radians(_need(table.number('repose_deg'))),
        swell=_need(table.number('swell')),
    )


def _rover(table: Table, footprint: Polygon) -> Rover:
    """Return the machine."""
    drop = _need(table.numbers('drop_point'))
    current = table.table('drum_current')
    return Rover(
        footprint=footprint,
        drop_point_xy=(drop[0], drop[1]),
        drum_width_m=_need(table.number('drum_width_m')),
        payload_kg=_need(table.number('payload_kg')),
        turning_radius_m=_need(table.number('turning_radius_m')),
        run_up_m=_need(table.number('run_up_m')),
        clearance_m=_need(table.number('clearance_m')),
        drum_current_a=None if current is None else (
            _need(current.number('empty_a')), _need(current.number('full_a'))),
    )
