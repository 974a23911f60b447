# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the ledger publishes: the table for machines and people, flags, ground, markers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import PoseStamped
from nav_msgs.msg import OccupancyGrid
import numpy as np
from numpy.typing import NDArray
from rclpy.duration import Duration
from sensor_msgs.msg import PointCloud2
from std_msgs.msg import String
from visualization_msgs.msg import MarkerArray

from .freshness import several_text
from .intake import type_name
from .messages import (
    fill_crest_cloud,
    fill_diagnostics,
    fill_markers,
    fill_no_markers,
    fill_no_pose,
    fill_occupancy_grid,
    fill_pose,
    fill_rework,
    fill_segments_cloud,
    Status,
)
from .table_text import table_text
from .wire import count_publishers, latched_publishers, wire_types
from ..books import Books
from ..books.profile import CrestProfile
from ..borrow.lanes import Lane
from ..geometry import Lattice, Pose2, StampedPose
from ..site_source import LoadedSite

# How long whoever shows the markers may take to hear that they are gone.
LAST_WORD = Duration(seconds=0.5)


def looked_at(books: Books, looked_ns: Mapping[tuple[str, int], int]) -> Books:
    """
    Return books whose rows say when each segment was last measured.

    Parameters
    ----------
    books : Books
        Books, whose rows know the readings that were worth booking.
    looked_ns : mapping
        Stamp of the last look by berm and segment [ns].

    Returns
    -------
    Books
        The same but for ``last_seen_ns``, which is the later one.

    """
    return replace(books, rows=tuple(
        replace(row, last_seen_ns=max(row.last_seen_ns or 0, looked_ns[row.berm, row.segment]))
        if (row.berm, row.segment) in looked_ns else row for row in books.rows))


class LedgerTopics:
    """
    The ledger's publishers, all reliable and latched.

    Parameters
    ----------
    node : rclpy.node.Node
        The node.
    loaded : LoadedSite
        The site, and the text of its file.

    """

    def __init__(self, node: Any, loaded: LoadedSite) -> None:
        """Offer the topics; nothing is published yet."""
        self._node, self._site, self._types = node, loaded.site, wire_types()
        self._site_text = loaded.text
        create_publisher = latched_publishers(node)
        self._segments = create_publisher(PointCloud2, 'segments')
        self._crest = create_publisher(PointCloud2, 'crest')
        self._table = create_publisher(String, 'table')
        self._rework = create_publisher(DiagnosticArray, 'rework')
        self._no_go = create_publisher(OccupancyGrid, 'no_go')
        self._markers = create_publisher(MarkerArray, 'markers')
        # By convention one absolute topic for all nodes of a machine.
        self._diagnostics = create_publisher(DiagnosticArray, '/diagnostics')
        self._borrow = create_publisher(DiagnosticArray, 'borrow')
        self._borrow_pose = create_publisher(PoseStamped, 'borrow_pose')
        self._site_file = create_publisher(String, 'site_file')
        self._blocked: NDArray[np.bool_] | None = None
        self._lane: Lane | None = None
        self._borrow_line = ''

    def publish_site_file(self) -> None:
        """Publish the text of the site file; once, as it stays what it is."""
        if self._site_text:
            self._site_file.publish(String(data=self._site_text))
            self._site_text = ''

    def publish_borrow(
        self, statuses: Sequence[Status], lane: Lane | None, stamp_ns: int
    ) -> None:
        """Publish the borrow side; the pose where the next lane begins only when it changes."""
        if not statuses:
            return
        msg = DiagnosticArray()
        fill_diagnostics(msg, statuses, stamp_ns=stamp_ns, types=self._types)
        self._borrow.publish(msg)
        if lane == self._lane:
            return
        self._lane, pose = lane, PoseStamped()
        if lane is None:
            fill_no_pose(pose, self._site.frame, stamp_ns)
        else:
            fill_pose(pose, StampedPose(stamp_ns, self._site.frame, lane.start))
        self._borrow_pose.publish(pose)

    def publish_crest(
        self, profiles: Sequence[CrestProfile], crest_lines: Sequence[NDArray[np.float64]],
        stamp_ns: int,
    ) -> None:
        """Publish the standing crest section by section, for whoever chooses where to dump."""
        crest = PointCloud2()
        fill_crest_cloud(crest, self._site, profiles, crest_lines, stamp_ns, self._types)
        self._crest.publish(crest)

    def publish_books(
        self, books: Books, stamp_ns: int, datum_m: Sequence[float] | None = None,
        borrow: str = '', silence: str = '', blind: str = '',
    ) -> None:
        """
        Publish flags, table and segments.

        The segments go last: whoever waits for them finds the rest sent already.

        Parameters
        ----------
        books : Books
            Books as they stand.
        stamp_ns : int
            Stamp of the newest message processed [ns].
        datum_m : sequence of float, optional
            Height of the datum at each segment's middle [m].
        borrow : str
            Line about the borrow side for the table; empty for none.
        silence : str
            Line for the table that says for how long no look has come in; empty for none.
        blind : str
            Why grids that come in cannot be used for long, for the flags; empty when they can.

        """
        rework = DiagnosticArray()
        fill_rework(rework, books.flags, on_hold=books.on_hold, hold_text=books.hold_text,
                    blind_text=blind, stamp_ns=stamp_ns, types=self._types)
        self._rework.publish(rework)
        self._borrow_line = borrow
        self.publish_table(books, stamp_ns, silence)
        segments = PointCloud2()
        fill_segments_cloud(
            segments, self._site, books.rows, stamp_ns, self._types, datum_m=datum_m)
        self._segments.publish(segments)

    def publish_table(self, books: Books, stamp_ns: int, silence: str) -> None:
        """Publish the table for a person, which says when no look has come in for long."""
        self._table.publish(String(data=table_text(
            books, stamp_ns, self._borrow_line, silence=silence)))

    def publish_no_go(self, lattice: Lattice, blocked: NDArray[np.bool_], stamp_ns: int) -> None:
        """Publish the ground to keep off, if it changed."""
        if self._blocked is not None and np.array_equal(self._blocked, blocked):
            return
        self._blocked = np.array(blocked)
        msg = OccupancyGrid()
        fill_occupancy_grid(
            msg, lattice, blocked, frame_id=self._site.frame, stamp_ns=stamp_ns)
        self._no_go.publish(msg)

    @property
    def somebody_sees(self) -> bool:
        """Tell whether anybody listens to the markers."""
        return bool(self._markers.get_subscription_count())

    def publish_markers(
        self, books: Books, stamp_ns: int, *, crest_lines: Sequence[NDArray[np.float64]],
        target: Pose2 | None, datum_m: Sequence[float] | None = None,
    ) -> None:
        """Publish what RViz shows."""
        msg = MarkerArray()
        fill_markers(
            msg, self._site, books.rows, stamp_ns=stamp_ns, types=self._types,
            crest_lines=crest_lines, flags=books.flags, target=target, datum_m=datum_m)
        self._markers.publish(msg)

    def several_text(self) -> str:
        """Say that other ledgers publish under the same names; empty when none does."""
        topic = self._segments.topic_name
        ledgers = count_publishers(self._node, topic, type_name(PointCloud2))
        return several_text(ledgers, topic) if ledgers > 1 else ''

    def publish_health(self, statuses: Iterable[Status], stamp_ns: int) -> None:
        """Publish the health of the node, under its full name."""
        name = self._node.get_fully_qualified_name().lstrip('/')
        full = [Status(f'{name}: {status.name}', status.message, status.level, status.values)
                for status in statuses]
        msg = DiagnosticArray()
        fill_diagnostics(msg, full, stamp_ns=stamp_ns, types=self._types)
        self._diagnostics.publish(msg)

    def _take_markers_back(self) -> None:
        """Have whoever shows the markers delete them, and wait a moment until they know."""
        msg = MarkerArray()
        fill_no_markers(msg, self._types)
        self._markers.publish(msg)
        self._markers.wait_for_all_acked(LAST_WORD)

    def close(self) -> None:
        """Take the topics away; what was latched goes with them, and what is drawn."""
        if self.somebody_sees:
            self._take_markers_back()
        for publisher in (self._segments, self._crest, self._table, self._rework, self._no_go,
                          self._markers, self._diagnostics, self._borrow, self._borrow_pose,
                          self._site_file):
            self._node.destroy_publisher(publisher)
