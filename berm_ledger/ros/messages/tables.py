# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The table for machines: one point per segment, both ways.

Every field is four bytes: counts, numbers and states UINT32, figures FLOAT32. ``segment`` counts
from 1 along its berm, ``berm`` from 0 in the order of the site file, ``state`` is the number of
``books.State``. A figure that is not known is NaN.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .common import fill_header, MessageTypes, NS_PER_S, quoted, stamp_ns_from
from .point_clouds import cloud_columns, fill_cloud, NUMBERS
from ...books import Row, State
from ...design import Segment, segments_of_site, Site
from ...errors import MessageError
from ...geometry import Polyline
from ...wording import counted

# Field of the cloud -> attribute of the row.
FIGURES = {
    'station_from': 'station_from_m',
    'station_to': 'station_to_m',
    'target_height': 'target_height_m',
    'height': 'height_m',
    'height_se': 'height_se_m',
    'low': 'low_m',
    'high': 'high_m',
    'coverage': 'coverage',
    'at_grade': 'at_grade',
    'deficit_height': 'deficit_height_m',
    'deficit_volume': 'deficit_volume_m3',
    'line_offset': 'line_offset_m',
}
COUNTS = {
    'segment': 'segment',
    'berm': 'berm_index',
    'dumps_remaining': 'dumps_remaining',
    'dumps_made': 'dumps_made',
    'state': 'state',
}
# Order of the fields in the message.
FIELDS = (
    'x', 'y', 'z', 'segment', 'berm', 'station_from', 'station_to', 'target_height', 'height',
    'height_se', 'low', 'high', 'coverage', 'at_grade', 'deficit_height', 'deficit_volume',
    'dumps_remaining', 'dumps_made', 'line_offset', 'state', 'age')
MAX_COUNT = 2 ** 32 - 1
# Stations are sent as float32.
STATION_SHARE = 1e-5
STATION_M = 1e-3


def crest_points(
    site: Site, rows: Sequence[Row], datum_m: Sequence[float] | None = None
) -> NDArray[np.float64]:
    """
    Return the point of each segment's middle on the design crest.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        Its rows.
    datum_m : sequence of float, optional
        Height of the datum at each row's middle [m]; without it a given plane or a given crest
        level is used, and z is NaN where there is neither.

    Returns
    -------
    array
        Shape (n, 3), in the site frame [m].

    """
    out = np.full((len(rows), 3), np.nan)
    for i, row in enumerate(rows):
        berm = site.berms[row.berm_index]
        middle = 0.5 * (row.station_from_m + row.station_to_m)
        out[i, :2] = _point_at(berm.centreline, middle)
        if datum_m is not None:
            out[i, 2] = datum_m[i] + row.target_height_m
        elif site.datum_plane is not None:
            out[i, 2] = float(site.datum_plane.height_m(out[i, :2])) + row.target_height_m
        elif berm.crest_level_m is not None:
            out[i, 2] = berm.crest_level_m
    return out


@lru_cache(maxsize=4096)
def _point_at(line: Polyline, station_m: float) -> tuple[float, float]:
    """Return a point on a line [m]; those of a site are asked for again with every look."""
    x_m, y_m = line.point_at(station_m).tolist()
    return x_m, y_m


def fill_segments_cloud(
    msg: Any, site: Site, rows: Sequence[Row], stamp_ns: int, types: MessageTypes, *,
    datum_m: Sequence[float] | None = None,
) -> None:
    """
    Write the rows into a point cloud of one row of points.

    Parameters
    ----------
    msg : sensor_msgs/PointCloud2
        Filled in place.
    site : Site
        The site; its frame is the message's.
    rows : sequence of Row
        All rows of the site, in its order.
    stamp_ns : int
        Stamp [ns]; ``age`` is the time since the last look at it [s].
    types : MessageTypes
        Maker of ``PointField``.
    datum_m : sequence of float, optional
        Height of the datum at each row's middle [m], for z; see ``crest_points``.

    """
    fill_header(msg.header, stamp_ns, site.frame)
    points = crest_points(site, rows, datum_m)
    columns: dict[str, NDArray[Any]] = {
        name: points[:, k] for k, name in enumerate('xyz')}
    for name, attribute in FIGURES.items():
        columns[name] = np.array([getattr(row, attribute) for row in rows], dtype=np.float32)
    for name, attribute in COUNTS.items():
        counts = [min(max(int(getattr(row, attribute)), 0), MAX_COUNT) for row in rows]
        columns[name] = np.array(counts, dtype=np.uint32)
    columns['age'] = np.array([_age_s(row, stamp_ns) for row in rows])
    packed = {
        name: columns[name].astype('u4' if name in COUNTS else 'f4').reshape(1, -1)
        for name in FIELDS}
    fill_cloud(msg, packed, types, is_dense=all(
        bool(np.isfinite(values).all()) for values in packed.values()))


def _age_s(row: Row, stamp_ns: int) -> float:
    """Return the time since the last look [s], NaN if there was none."""
    return math.nan if row.last_seen_ns is None else (stamp_ns - row.last_seen_ns) / NS_PER_S


def rows_from_segments_cloud(msg: Any, site: Site) -> tuple[Row, ...]:
    """
    Return the rows that a table for machines holds.

    Parameters
    ----------
    msg : sensor_msgs/PointCloud2
        As written by ``fill_segments_cloud``.
    site : Site
        The site it must be of.

    Returns
    -------
    tuple of Row
        In the order of the site. Figures that are not in the table are NaN, but for the mass,
        which follows from the volume.

    Raises
    ------
    MessageError
        Not such a table, of another frame, or its segments are not those of the site.

    """
    stamp_ns = stamp_ns_from(msg.header)
    segments = segments_of_site(site)
    if str(msg.header.frame_id) != site.frame:
        text = (f'segments are in frame {quoted(msg.header.frame_id)}; the site file says '
                f'{quoted(site.frame)}')
        raise MessageError(text)
    if int(msg.height) != 1 or int(msg.width) != len(segments):
        points = counted(int(msg.height) * int(msg.width), 'point')
        text = (f'segments table has {points}; the site file makes '
                f'{counted(len(segments), "segment")}')
        raise MessageError(text)
    names = (*FIGURES, 'age', *COUNTS)
    columns = (*cloud_columns(msg, names[:-len(COUNTS)], (NUMBERS['f4'],)),
               *cloud_columns(msg, tuple(COUNTS), (NUMBERS['u4'],)))
    by_row = zip(*(values[0].tolist() for values in columns))
    return tuple(_row(dict(zip(names, values)), segment, site, stamp_ns)
                 for values, segment in zip(by_row, segments))


def _row(values: dict[str, Any], segment: Segment, site: Site, stamp_ns: int) -> Row:
    """Return one row after checking that it is of the segment."""
    ends = ('station_from', segment.station_from_m), ('station_to', segment.station_to_m)
    same = (values['berm'], values['segment']) == (segment.berm_index, segment.number)
    if not same or any(
            not abs(values[name] - station) <= STATION_M + STATION_SHARE * station
            for name, station in ends):
        text = (
            f'segments table has berm {values["berm"]} segment {values["segment"]} from '
            f'{values["station_from"]:.3f} to {values["station_to"]:.3f} m where the site file '
            f'has berm {segment.berm_index} segment {segment.number} from '
            f'{segment.station_from_m:.3f} to {segment.station_to_m:.3f} m; both must be of the '
            f'same site file')
        raise MessageError(text)
    try:
        state = State(values['state'])
    except ValueError as exc:
        text = f'segments table has state {values["state"]} of segment {segment.number}'
        raise MessageError(text) from exc
    age_s = values['age']
    last_seen_ns = stamp_ns - round(age_s * NS_PER_S) if math.isfinite(age_s) else None
    known = {attribute: values[name] for name, attribute in {**FIGURES, **COUNTS}.items()}
    known.update(
        berm=segment.berm, state=state, last_seen_ns=last_seen_ns,
        station_from_m=segment.station_from_m, station_to_m=segment.station_to_m,
        deficit_mass_kg=values['deficit_volume'] * site.material.loose_density_kg_m3)
    return Row(**known)
