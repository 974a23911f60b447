# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the target node knows from what came in, and whether it will do; knows no ROS itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .freshness import Receipt, stale_text, uncertain_text
from .last_load import drum_where_closed
from .messages import (
    blind_text_from_rework,
    blocked_from_occupancy_grid,
    hold_from_rework,
    pose_from_msg,
    profiles_from_crest_cloud,
    rows_from_segments_cloud,
    stamp_ns_from,
    status_from,
)
from .same_site import check_same_site
from .steady_rows import steadied
from ..books.profile import CrestProfile
from ..books.rows import Row
from ..errors import MessageError
from ..geometry import StampedPose
from ..site_source import LoadedSite
from ..survey.gates import same_frame
from ..targeting import Ground
from ..targeting.loads import with_stretches

# What must have come in before a target is given.
NEEDED = ('segments', 'no_go', 'rework')
# A ledger that does not tell its site file is believed; one that has another is not.
JUDGED = ('site_file', *NEEDED)
# So long is its site file waited for after its segments, as topics come in any order; one that got
# lost must not keep the work back for good [s].
SITE_FILE_WAIT_S = 1.0


class TargetInputs:
    """
    The last of each message, as values.

    ``receipts`` tells when what could be used came in, ``unread`` why the last message of a topic
    could not, both by topic.

    Parameters
    ----------
    loaded : LoadedSite
        The site, and the text of its file.

    """

    def __init__(self, loaded: LoadedSite) -> None:
        """Know nothing."""
        self.loaded, self.site = loaded, loaded.site
        self.receipts: dict[str, Receipt] = {}
        self.unread: dict[str, str] = {}
        self.rows: tuple[Row, ...] = ()
        self.ground: Ground | None = None
        self.robot: StampedPose | None = None
        self.hold_text: str | None = None
        # What is known of the drum where every lane of the borrow areas is closed.
        self.drum: str | None = None
        self._crest: tuple[CrestProfile, ...] = ()
        self._blind_text = ''
        self._ledgers, self._tells_site_file = 0, False
        # Whether several ledgers were there at once.
        self._mixed = False
        # When what came in since the ledger came up did so [s].
        self._since: dict[str, float] = {}

    @property
    def stamp_ns(self) -> int:
        """Return the newer stamp of segments and pose, which keep coming [ns]; 0 for none."""
        # What comes seldom may have a stamp of before a clock was set back.
        return max((self.receipts[kind].stamp_ns for kind in ('segments', 'pose')
                    if kind in self.receipts), default=0)

    @property
    def books_stamp_ns(self) -> int:
        """Return the stamp of the last segments [ns]; 0 before the first."""
        return self.receipts['segments'].stamp_ns if 'segments' in self.receipts else 0

    def take(self, kind: str, msg: Any, now_s: float) -> None:
        """
        Keep what a message says.

        Parameters
        ----------
        kind : str
            Its topic.
        msg : message
            The message.
        now_s : float
            Steady clock [s].

        Raises
        ------
        MessageError
            It cannot be used; that is kept in ``unread``.

        """
        try:
            stamp_ns = 0 if kind == 'site_file' else stamp_ns_from(msg.header)
            self._keep(kind, msg)
        except MessageError as exc:
            self.unread[kind] = (
                str(exc) if kind == 'site_file' else f'{kind} cannot be used: {exc}')
            raise
        self.unread.pop(kind, None)
        self.receipts[kind] = Receipt(now_s, stamp_ns)
        self._since.setdefault(kind, now_s)

    def note_ledgers(self, count: int, *, tells_site_file: bool) -> None:
        """
        Note how many ledgers there are at this moment; one that comes back tells all anew.

        Parameters
        ----------
        count : int
            How many publish the segments.
        tells_site_file : bool
            Whether anything publishes a site file.

        """
        if self._ledgers and not count:
            self._since.clear()
        self._mixed = self._mixed or count > 1
        self._ledgers, self._tells_site_file = count, tells_site_file

    @property
    def is_to_be_heard_anew(self) -> bool:
        """Tell whether what came in is that of several ledgers, of which one is left at most."""
        return self._mixed and self._ledgers <= 1

    def _awaited(self, now_s: float) -> str:
        """Say what the ledger has not told yet since it came up; empty when nothing."""
        if self.is_to_be_heard_anew:
            return 'several ledgers told their books: those of the last one are awaited'
        if 'segments' not in self._since:
            return 'the ledger is there again, but no segments have come from it yet: wait for it'
        if self._tells_site_file and 'site_file' not in self._since and (
                now_s - self._since['segments'] <= SITE_FILE_WAIT_S):
            return 'the site file of the ledger has not come in yet: wait for it'
        return ''

    def _keep(self, kind: str, msg: Any) -> None:
        """Keep what a message says, or refuse it."""
        if kind == 'segments':
            rows = rows_from_segments_cloud(msg, self.site)
            self.rows = steadied(with_stretches(self.site, rows, self._crest), self.rows)
        elif kind == 'crest':
            self._crest = profiles_from_crest_cloud(msg, self.site)
        elif kind == 'site_file':
            check_same_site(msg.data, self.loaded.text)
        elif kind == 'no_go':
            self._check_frame(kind, msg.header.frame_id)
            self.ground = Ground(*blocked_from_occupancy_grid(msg))
        elif kind == 'rework':
            on_hold, text = hold_from_rework(msg)
            self.hold_text = text if on_hold else None
            self._blind_text = blind_text_from_rework(msg)
        elif kind == 'borrow':
            self.drum = drum_where_closed([status_from(item) for item in msg.status])
        else:
            self.robot = self.in_site_frame(pose_from_msg(msg))

    def in_site_frame(self, pose: StampedPose) -> StampedPose:
        """Refuse a pose of another frame."""
        self._check_frame('pose', pose.frame_id)
        return pose

    def _check_frame(self, what: str, frame_id: str) -> None:
        """Refuse another frame than the site's."""
        if not same_frame(frame_id, self.site.frame):
            msg = (f'the {what} is in frame {frame_id}, the site file says {self.site.frame}; '
                   f'publish it in that frame')
            raise MessageError(msg)

    def stale_text(
        self, now_s: float, *, books_timeout_s: float, pose_timeout_s: float,
        mistaken_pose: str = '', name_of: Callable[[str], str] = str,
    ) -> str | None:
        """
        Say why no target can be given on what came in, or None when one can.

        Parameters
        ----------
        now_s : float
            Steady clock [s].
        books_timeout_s, pose_timeout_s : float
            Limits [s].
        mistaken_pose : str
            As what other type the pose is published; empty when it is not.
        name_of : callable
            Gives the full name of a topic; left out, it is the short one.

        Returns
        -------
        str or None
            One plain sentence.

        """
        return self._unusable(now_s, pose_timeout_s) or stale_text(
            now_s=now_s, ledgers=self._ledgers, awaited=self._awaited(now_s),
            books_timeout_s=books_timeout_s, pose_timeout_s=pose_timeout_s,
            mistaken_pose=mistaken_pose, name_of=name_of,
            **{name: self.receipts.get(name) for name in (*NEEDED, 'pose')}) or (
                self._blind_text) or (
                None if self.robot is None else uncertain_text(self.robot))

    def _unusable(self, now_s: float, pose_timeout_s: float) -> str | None:
        """Say which input came and cannot be used; a pose that cannot matters once none can."""
        pose = self.receipts.get('pose')
        fresh = pose is not None and now_s - pose.received_s <= pose_timeout_s
        kinds = JUDGED if fresh else (*JUDGED, 'pose')
        return next((self.unread[kind] for kind in kinds if kind in self.unread), None)
