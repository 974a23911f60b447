# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What RViz shows: segments, standing crest, target, flags.

Each thing has its namespace and a steady number in it, so that a newer array replaces the older
one piece by piece; what is no longer there is deleted by name. Markers never time out: the topic
is latched, and its stamp says how old it is. Whoever ends takes them all back.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .common import fill_header, MessageTypes
from .diagnostics import value_text
from .tables import crest_points
from ...books import Flag, Row, State
from ...design import Site
from ...geometry import Pose2

# Okabe and Ito (2008), colours that colour-blind readers can tell apart; each state also has its
# word in the label.
STATE_RGB = {
    State.UNSEEN: (0.60, 0.60, 0.60),
    State.SHORT: (0.90, 0.62, 0.00),
    State.AT_GRADE: (0.00, 0.62, 0.45),
    State.HIGH: (0.34, 0.71, 0.91),
    State.REWORK: (0.84, 0.37, 0.00),
}
CREST_RGB = (0.95, 0.90, 0.25)
TARGET_RGB = (0.00, 0.45, 0.70)
FLAG_RGB = STATE_RGB[State.REWORK]

LINE_WIDTH_M = 0.02
TEXT_HEIGHT_M = 0.08
ARROW_M = (0.4, 0.05, 0.05)
FLAG_SIZE_M = 0.10
FLAG_LIFT_M = 0.25
# Points of a segment's line between its ends.
LINE_STEPS = 12


class _Pen:
    """Makes markers with one header."""

    def __init__(self, msg: Any, frame_id: str, stamp_ns: int, types: MessageTypes) -> None:
        """Start an empty array."""
        self._frame_id, self._stamp_ns, self._types = frame_id, stamp_ns, types
        self.markers: list[Any] = []
        msg.markers = self.markers

    def add(
        self, namespace: str, number: int, kind: str, rgb: tuple[float, float, float],
        size_m: tuple[float, float, float],
    ) -> Any:
        """Append a marker of a kind, at the origin, that never times out."""
        marker = self._types.Marker()
        fill_header(marker.header, self._stamp_ns, self._frame_id)
        marker.ns, marker.id = namespace, number
        marker.type, marker.action = getattr(marker, kind), marker.ADD
        marker.lifetime.sec, marker.lifetime.nanosec = 0, 0
        marker.pose.orientation.w = 1.0
        marker.scale.x, marker.scale.y, marker.scale.z = size_m
        color = marker.color
        color.r, color.g, color.b, color.a = (*rgb, 1.0)
        self.markers.append(marker)
        return marker

    def delete(self, namespace: str, number: int) -> None:
        """Append the order to delete a marker."""
        marker = self.add(namespace, number, 'CUBE', FLAG_RGB, (1.0, 1.0, 1.0))
        marker.action = marker.DELETE

    def points(self, points_xyz: NDArray[np.float64]) -> list[Any]:
        """Return messages of points, shape (n, 3) [m]."""
        out = []
        for x_m, y_m, z_m in points_xyz.tolist():
            point = self._types.Point()
            point.x, point.y, point.z = x_m, y_m, z_m
            out.append(point)
        return out


def _place(marker: Any, point_xyz: Sequence[float], lift_m: float = 0.0) -> None:
    """Put a marker at a point [m]; an unknown height is drawn at zero."""
    x_m, y_m, z_m = (float(v) for v in point_xyz)
    position = marker.pose.position
    position.x, position.y = x_m, y_m
    position.z = (z_m if math.isfinite(z_m) else 0.0) + lift_m


def _label(row: Row) -> str:
    """Return what is written over a segment: number, height of target, state."""
    if not math.isfinite(row.height_m):
        return f'{row.segment}: {row.state.name}'
    return (f'{row.segment}: {value_text(round(row.height_m, 3))} of '
            f'{value_text(round(row.target_height_m, 3))} m {row.state.name}')


def _segments(pen: _Pen, site: Site, rows: Sequence[Row], crest: NDArray[np.float64]) -> None:
    """Draw each segment as a line along its design crest, and its label."""
    for number, (row, point) in enumerate(zip(rows, crest)):
        rgb = STATE_RGB[row.state]
        line = pen.add('segments', number, 'LINE_STRIP', rgb, (LINE_WIDTH_M, 0.0, 0.0))
        station = np.linspace(row.station_from_m, row.station_to_m, LINE_STEPS)
        points_xy = site.berms[row.berm_index].centreline.point_at(station)
        z_m = point[2] if math.isfinite(point[2]) else 0.0
        line.points = pen.points(np.column_stack([points_xy, np.full(LINE_STEPS, z_m)]))
        text = pen.add('labels', number, 'TEXT_VIEW_FACING', rgb, (0.0, 0.0, TEXT_HEIGHT_M))
        text.text = _label(row)
        _place(text, point, 2.0 * TEXT_HEIGHT_M)


def _crest_lines(pen: _Pen, crest_lines: Sequence[NDArray[np.float64]]) -> None:
    """Draw the standing crest of each berm; gaps stay open."""
    for number, line in enumerate(crest_lines):
        xyz = np.asarray(line, dtype=float).reshape(-1, 3)
        seen = np.isfinite(xyz).all(axis=1)
        both = np.flatnonzero(seen[:-1] & seen[1:])
        if not len(both):
            pen.delete('crest', number)
            continue
        marker = pen.add('crest', number, 'LINE_LIST', CREST_RGB, (LINE_WIDTH_M, 0.0, 0.0))
        pairs = np.stack([both, both + 1], axis=1).reshape(-1)
        marker.points = pen.points(xyz[pairs])


def _flags(
    pen: _Pen, rows: Sequence[Row], flags: Iterable[Flag], crest: NDArray[np.float64]
) -> None:
    """Draw a ball over each flagged segment; take away those of the others."""
    flagged = {(flag.berm, flag.segment) for flag in flags}
    for number, (row, point) in enumerate(zip(rows, crest)):
        if (row.berm, row.segment) not in flagged:
            pen.delete('flags', number)
            continue
        marker = pen.add('flags', number, 'SPHERE', FLAG_RGB, (FLAG_SIZE_M,) * 3)
        _place(marker, point, FLAG_LIFT_M)


def _target(pen: _Pen, target: Pose2 | None) -> None:
    """Draw the dump pose as an arrow, or take it away."""
    if target is None:
        pen.delete('target', 0)
        return
    marker = pen.add('target', 0, 'ARROW', TARGET_RGB, ARROW_M)
    _place(marker, (target.x_m, target.y_m, 0.0))
    marker.pose.orientation.z = math.sin(0.5 * target.yaw_rad)
    marker.pose.orientation.w = math.cos(0.5 * target.yaw_rad)


def fill_markers(
    msg: Any, site: Site, rows: Sequence[Row], *, stamp_ns: int, types: MessageTypes,
    crest_lines: Sequence[NDArray[np.float64]] = (), flags: Iterable[Flag] = (),
    target: Pose2 | None = None, datum_m: Sequence[float] | None = None,
) -> None:
    """
    Write the site as it stands into a marker array.

    Namespaces: ``segments`` and ``labels`` (numbered as the rows, from 0), ``crest`` (as the
    berms), ``flags`` (as the rows), ``target`` (0).

    Parameters
    ----------
    msg : visualization_msgs/MarkerArray
        Filled in place.
    site : Site
        The site.
    rows : sequence of Row
        Its rows.
    stamp_ns : int
        Stamp [ns].
    types : MessageTypes
        Makers of ``Marker`` and ``Point``.
    crest_lines : sequence of array
        Standing crest of each berm, (n, 3) [m]; NaN where not known.
    flags : iterable of Flag
        Open flags.
    target : Pose2, optional
        Dump pose of base_link.
    datum_m : sequence of float, optional
        Height of the datum at each row's middle [m].

    """
    pen = _Pen(msg, site.frame, stamp_ns, types)
    crest = crest_points(site, rows, datum_m)
    _segments(pen, site, rows, crest)
    _crest_lines(pen, crest_lines)
    _flags(pen, rows, flags, crest)
    _target(pen, target)


def fill_no_markers(msg: Any, types: MessageTypes) -> None:
    """
    Write into a marker array that nothing is to be shown any more.

    Parameters
    ----------
    msg : visualization_msgs/MarkerArray
        Filled in place.
    types : MessageTypes
        Maker of ``Marker``.

    """
    marker = types.Marker()
    marker.action = marker.DELETEALL
    msg.markers = [marker]
