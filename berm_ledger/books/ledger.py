# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The ledger: a fold over entries that gives the rows of the segments and the state of the books.

Entries are folded in the order of their numbers, the order in which they were booked; live,
restart and replay use this one fold, so they cannot differ. A reading only replaces the last one
of its segment; rows are made when somebody asks, so a long history folds fast.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
import math
from typing import Any

from .accounts import Books, DumpRecord, Flag, with_dumps_remaining
from .entries import Entry, KIND_RANK
from .posting import AT_GRADE_SHARE, number, opening_row, read_row, state_of, unseen
from .rows import Row
from .yield_model import estimate_yield, WINDOW_LOADS, YieldEstimate
from ..design import segments_of_site, Site
from ..errors import BooksError

__all__ = [
    'AT_GRADE_SHARE',
    'Books',
    'DumpRecord',
    'Flag',
    'Fold',
    'fold',
    'with_dumps_remaining',
]


class Fold:
    """
    Books in the making: the one place where an entry changes anything.

    Parameters
    ----------
    site : Site
        Design that the accounts belong to.

    """

    def __init__(self, site: Site) -> None:
        """Open the accounts of the site."""
        self._site = site
        self._rows = [opening_row(site, segment) for segment in segments_of_site(site)]
        # Rows, and which of them are flagged, as their states were told last.
        self._stated: list[Row | None] = [None] * len(self._rows)
        self._flagged: set[int] = set()
        self._place = {(row.berm, row.segment): i for i, row in enumerate(self._rows)}
        self._readings: dict[int, Entry] = {}
        self._seen_ns: dict[int, int] = {}
        self._dumps: list[DumpRecord] = []
        self._dump_place: dict[int, int] = {}
        self._flags: dict[int, Flag] = {}
        self._hold_text: str | None = None
        self._datum: tuple[int, int] | None = None
        self._counts: dict[str, int] = {}
        self._refusals: dict[str, int] = {}
        self._last_seq = 0
        self._last_stamp_ns: int | None = None
        self._yield: YieldEstimate | None = None

    def post(self, entry: Entry) -> None:
        """
        Post one entry.

        Parameters
        ----------
        entry : Entry
            The next one; its number must be higher than that of the last.

        Raises
        ------
        BooksError
            An entry that was posted already, of an unknown kind, for a segment that the site does
            not have, or without the figures of its kind.

        """
        if entry.seq <= self._last_seq:
            msg = (f'entry {entry.seq} comes after entry {self._last_seq}: entries must be posted '
                   f'once, in the order of their numbers')
            raise BooksError(msg)
        if entry.kind not in KIND_RANK:
            msg = f'entry {entry.seq} is of the unknown kind {entry.kind!r}'
            raise BooksError(msg)
        if entry.kind == 'reading':
            index = self._index(entry)
            self._readings[index] = entry
            self._seen_ns.pop(index, None)
        else:
            self._post_event(entry)
        self._counts[entry.kind] = self._counts.get(entry.kind, 0) + 1
        self._last_seq = entry.seq
        if self._last_stamp_ns is None or entry.stamp_ns > self._last_stamp_ns:
            self._last_stamp_ns = entry.stamp_ns

    def books(self) -> Books:
        """Return the books as they stand after the entries posted so far."""
        for index, entry in self._readings.items():
            self._rows[index] = read_row(self._site, self._rows[index], entry)
        self._readings.clear()
        for index, stamp_ns in self._seen_ns.items():
            self._rows[index] = replace(self._rows[index], last_seen_ns=stamp_ns)
        self._seen_ns.clear()
        turned = self._flagged ^ set(self._flags)
        for index, row in enumerate(self._rows):
            if row is self._stated[index] and index not in turned:
                continue
            state = state_of(self._site, row, index in self._flags)
            if state != row.state:
                self._rows[index] = replace(row, state=state)
        self._stated, self._flagged = list(self._rows), set(self._flags)
        if self._yield is None:
            self._yield = self._estimate()
        datum_seq, datum_stamp_ns = self._datum or (None, None)
        return Books(
            site=self._site, rows=tuple(self._rows), dump_yield=self._yield,
            on_hold=self._hold_text is not None, hold_text=self._hold_text or '',
            dumps=tuple(self._dumps),
            flags=tuple(self._flags[i] for i in sorted(self._flags)),
            datum_seq=datum_seq, datum_stamp_ns=datum_stamp_ns,
            last_seq=self._last_seq, last_stamp_ns=self._last_stamp_ns,
            counts=dict(self._counts), refusals=dict(self._refusals))

    def _index(self, entry: Entry) -> int:
        """Return the place of the entry's segment among the rows."""
        index = self._place.get((entry.berm or '', entry.segment or 0))
        if index is None:
            msg = (f'entry {entry.seq} ({entry.kind}) concerns segment {entry.segment} of berm '
                   f'{entry.berm!r}, which the site does not have: use the site file that the '
                   f'books were opened with')
            raise BooksError(msg)
        return index

    def _post_event(self, entry: Entry) -> None:
        """Post an entry of any kind but a reading; kinds without effect are only counted."""
        action = _ACTIONS.get(entry.kind)
        if action is None:
            return
        try:
            action(self, entry)
        except (KeyError, TypeError, ValueError, AttributeError) as exc:
            msg = f'entry {entry.seq} ({entry.kind}) lacks the figures of its kind: {exc!r}'
            raise BooksError(msg) from exc

    def _refused(self, entry: Entry) -> None:
        """Count inputs that were not used."""
        code = str(entry.data['code'])
        self._refusals[code] = self._refusals.get(code, 0) + int(entry.data.get('count', 1))

    def _see(self, entry: Entry) -> None:
        """Note when segments were looked at that said nothing new."""
        for berm, numbers in entry.data['segments'].items():
            for segment in numbers:
                self._seen_ns[self._place[(berm, segment)]] = entry.stamp_ns

    def _take_datum(self, entry: Entry) -> None:
        """Take over design figures; heights above an earlier datum mean nothing any more."""
        self._readings.clear()
        self._seen_ns.clear()
        self._set_design('target_height_m', [number(v) for v in entry.data['targets']])
        self._set_design('target_volume_m3', [number(v) for v in entry.data['volumes']])
        self._rows = [unseen(row) for row in self._rows]
        self._datum = (entry.seq, entry.stamp_ns)

    def _set_design(self, name: str, values: Sequence[float]) -> None:
        """Set one design figure of every row."""
        if len(values) != len(self._rows):
            msg = f'{len(values)} figures {name} for {len(self._rows)} segments of the site'
            raise BooksError(msg)
        changes: list[dict[str, Any]] = [{name: float(value)} for value in values]
        self._rows = [replace(row, **change) for row, change in zip(self._rows, changes)]

    def _dump(self, entry: Entry) -> None:
        """Book a dump on the segment on which it was announced."""
        data = entry.data
        self._dump_place[entry.seq] = len(self._dumps)
        self._dumps.append(DumpRecord(
            seq=entry.seq, stamp_ns=entry.stamp_ns, mass_kg=number(data.get('mass_kg')),
            x_m=number(data.get('x_m')), y_m=number(data.get('y_m')),
            yaw_rad=number(data.get('yaw_rad')), berm=entry.berm, segment=entry.segment,
            station_m=number(data.get('station_m')), offset_m=number(data.get('offset_m'))))
        if entry.segment is not None:
            index = self._index(entry)
            row = self._rows[index]
            self._rows[index] = replace(row, dumps_made=row.dumps_made + 1)
            self._count_dump(index)

    def _count_dump(self, index: int) -> None:
        """Count a dump towards the open flag of a segment."""
        flag = self._flags.get(index)
        if flag is not None:
            self._flags[index] = replace(flag, dumps_since=flag.dumps_since + 1)

    def _change_dump(self, entry: Entry, **changes: Any) -> DumpRecord:
        """Change the record of the dump that an entry refers to; return it."""
        place = self._dump_place.get(entry.data['dump_seq'])
        if place is None:
            msg = f'entry {entry.seq} ({entry.kind}) refers to no dump: {entry.data["dump_seq"]}'
            raise BooksError(msg)
        self._yield = None
        self._dumps[place] = replace(self._dumps[place], **changes)
        return self._dumps[place]

    def _rise(self, entry: Entry) -> None:
        """Book the measured rise of a dump, and count it on the neighbours that it fed."""
        record = self._change_dump(
            entry, volume_m3=number(entry.data['volume_m3']),
            volume_se_m3=number(entry.data.get('volume_se_m3')),
            rise_x_m=number(entry.data.get('x_m')), rise_y_m=number(entry.data.get('y_m')),
            doubt=str(entry.data.get('text') or ''))
        for key, share in (entry.data.get('shares') or {}).items():
            index = self._place[(entry.berm or '', int(key))]
            flag = self._flags.get(index)
            own = (record.berm, record.segment) == (entry.berm, int(key))
            if flag is not None and record.seq > flag.seq and not own and share > 0.0:
                self._count_dump(index)

    def _stray(self, entry: Entry) -> None:
        """Mark a dump that missed the berm."""
        self._change_dump(entry, stray=True)

    def _disturbed(self, entry: Entry) -> None:
        """Flag a segment for rework, or add a further loss to its flag."""
        if not entry.data.get('rework'):
            return
        index = self._index(entry)
        data, old = entry.data, self._flags.get(index)
        flag = Flag(
            berm=entry.berm or '', segment=entry.segment or 0, since_ns=entry.stamp_ns,
            volume_m3=number(data.get('volume_m3')),
            station_from_m=number(data.get('station_from_m')),
            station_to_m=number(data.get('station_to_m')), seq=entry.seq)
        self._flags[index] = flag if old is None else _joined(old, flag)

    def _reworked(self, entry: Entry) -> None:
        """Take the flag off a segment that was measured at grade again."""
        self._flags.pop(self._index(entry), None)

    def _cleared(self, entry: Entry) -> None:
        """Take off the flags that the operator cleared: of a segment, a berm or all."""
        for index in list(self._flags):
            flag = self._flags[index]
            if entry.berm in (None, flag.berm) and entry.segment in (None, flag.segment):
                del self._flags[index]

    def _hold(self, entry: Entry) -> None:
        """Hold targets back."""
        self._hold_text = str(entry.data.get('text') or '')

    def _resume(self, entry: Entry) -> None:
        """End the hold."""
        self._hold_text = None

    def _estimate(self) -> YieldEstimate:
        """Estimate the yield from the latest measured dumps that did not stray."""
        good: list[DumpRecord] = []
        for record in reversed(self._dumps):
            if not record.stray and math.isfinite(record.volume_m3):
                good.append(record)
                if len(good) == WINDOW_LOADS:
                    break
        good.reverse()
        return estimate_yield(
            [record.volume_m3 for record in good], [record.volume_se_m3 for record in good],
            self._site.load_volume_m3)


_ACTIONS = {
    'refused': Fold._refused,
    'seen': Fold._see,
    'datum': Fold._take_datum,
    'dump': Fold._dump,
    'rise': Fold._rise,
    'stray_dump': Fold._stray,
    'disturbed': Fold._disturbed,
    'reworked': Fold._reworked,
    'cleared': Fold._cleared,
    'hold': Fold._hold,
    'resume': Fold._resume,
}


def fold(site: Site, entries: Iterable[Entry]) -> Books:
    """Return the books of a site after all entries, in the order of their numbers."""
    work = Fold(site)
    for entry in entries:
        work.post(entry)
    return work.books()


def _joined(old: Flag, new: Flag) -> Flag:
    """Return the flag of several disturbances of one segment."""
    volumes = [v for v in (old.volume_m3, new.volume_m3) if not math.isnan(v)]
    return replace(
        new, since_ns=old.since_ns, volume_m3=sum(volumes) if volumes else math.nan,
        station_from_m=_least([old.station_from_m, new.station_from_m], 1.0),
        station_to_m=_least([old.station_to_m, new.station_to_m], -1.0))


def _least(values: Sequence[float], sign: float) -> float:
    """Return the least (sign 1) or greatest (sign -1) known value."""
    known = [sign * v for v in values if not math.isnan(v)]
    return sign * min(known) if known else math.nan
