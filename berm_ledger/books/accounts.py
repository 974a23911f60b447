# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the books say as a whole: rows, dumps, open flags, hold; values, derived from entries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
import math

from .rows import Row, share_at_grade
from .yield_model import YieldEstimate
from ..design import Site


@dataclass(frozen=True)
class DumpRecord:
    """
    One announced dump and what was found of it.

    Parameters
    ----------
    seq : int
        Number of its entry.
    stamp_ns : int
        When it was announced [ns].
    mass_kg : float
        Mass of the load [kg]; NaN is not weighed.
    x_m, y_m, yaw_rad : float
        Drop point in the site frame [m] and heading of the robot [rad].
    berm : str or None
        Berm on which the drop point lies.
    segment : int or None
        Segment on which it lies.
    station_m, offset_m : float
        Its station and offset there [m]; NaN off every berm.
    volume_m3, volume_se_m3 : float
        Measured rise [m3]; NaN as long as it was not measured.
    rise_x_m, rise_y_m : float
        Middle of what rose in the site frame [m]; NaN where it is not known of this load alone.
    stray : bool
        Whether it was found to have missed the berm.
    doubt : str
        Why its rise may not be all, or only, its own soil, in words; empty where it is.

    """

    seq: int
    stamp_ns: int
    mass_kg: float
    x_m: float
    y_m: float
    yaw_rad: float
    berm: str | None = None
    segment: int | None = None
    station_m: float = math.nan
    offset_m: float = math.nan
    volume_m3: float = math.nan
    volume_se_m3: float = math.nan
    rise_x_m: float = math.nan
    rise_y_m: float = math.nan
    stray: bool = False
    doubt: str = ''


@dataclass(frozen=True)
class Flag:
    """
    An open call for rework on one segment; later losses there are added to it.

    Parameters
    ----------
    berm : str
        Name of the berm.
    segment : int
        Number of the segment.
    since_ns : int
        Stamp of the first disturbance [ns].
    volume_m3 : float
        Volume lost, all disturbances together [m3]; NaN when none was measured.
    station_from_m, station_to_m : float
        Extent of all of them along the berm [m].
    seq : int
        Number of the latest entry that raised it.
    dumps_since : int
        Dumps since then that landed on the segment or added to it.

    """

    berm: str
    segment: int
    since_ns: int
    volume_m3: float
    station_from_m: float
    station_to_m: float
    seq: int
    dumps_since: int = 0


@dataclass(frozen=True)
class Books:
    """
    The state of the books after some entry; a pure function of site and entries.

    Parameters
    ----------
    site : Site
        Design that the accounts belong to.
    rows : tuple of Row
        One per segment, in the order of ``segments_of_site``.
    dump_yield : YieldEstimate
        What one dump adds.
    on_hold : bool
        Whether targets are held back.
    hold_text : str
        Why; empty when not on hold.
    dumps : tuple of DumpRecord
        In the order of booking.
    flags : tuple of Flag
        Open ones, in the order of the rows.
    datum_seq, datum_stamp_ns : int or None
        Entry and time [ns] of the latest datum; None as long as there is none.
    last_seq : int
        Number of the latest entry; 0 for none.
    last_stamp_ns : int or None
        Newest stamp booked [ns].
    counts : mapping
        Number of entries by kind.
    refusals : mapping
        Inputs refused, by code of the finding.

    """

    site: Site = field(repr=False, compare=False)
    rows: tuple[Row, ...]
    dump_yield: YieldEstimate
    on_hold: bool = False
    hold_text: str = ''
    dumps: tuple[DumpRecord, ...] = ()
    flags: tuple[Flag, ...] = ()
    datum_seq: int | None = None
    datum_stamp_ns: int | None = None
    last_seq: int = 0
    last_stamp_ns: int | None = None
    counts: Mapping[str, int] = field(default_factory=dict)
    refusals: Mapping[str, int] = field(default_factory=dict)

    def rows_of(self, berm: str) -> tuple[Row, ...]:
        """Return the rows of one berm."""
        return tuple(row for row in self.rows if row.berm == berm)

    def flag_of(self, berm: str, segment: int) -> Flag | None:
        """Return the open flag of a segment, or None."""
        for flag in self.flags:
            if (flag.berm, flag.segment) == (berm, segment):
                return flag
        return None

    def share_at_grade(self, berm: str) -> float:
        """Return the share of a berm's length in segments at grade, 0 to 1."""
        return share_at_grade(self.rows_of(berm))

    @property
    def dumps_remaining(self) -> int:
        """Whole loads still called for on all berms."""
        return sum(row.dumps_remaining for row in self.rows)


def with_dumps_remaining(rows: Sequence[Row], counts: Sequence[int]) -> tuple[Row, ...]:
    """
    Return rows with the loads still called for filled in.

    Parameters
    ----------
    rows : sequence of Row
        Rows of the books.
    counts : sequence of int
        Whole loads for each of them, in the same order.

    Returns
    -------
    tuple of Row
        New rows.

    Raises
    ------
    ValueError
        Another number of counts than rows.

    """
    if len(rows) != len(counts):
        msg = f'{len(counts)} counts for {len(rows)} rows'
        raise ValueError(msg)
    return tuple(row if row.dumps_remaining == count else replace(row, dumps_remaining=int(count))
                 for row, count in zip(rows, counts))
