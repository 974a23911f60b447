# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Bags in sqlite3 files row by row, as far as they go: for files that were cut off or not closed.

The usual readers count all messages first and go through an index, either of which a damaged file
refuses; in the order of the rows everything before the damage can be had.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
import contextlib
from pathlib import Path
import sqlite3
from typing import Any
from urllib.parse import quote

from .bag_damage import FOREIGN, reason_of
from .bag_times import Found, TimeWatch
from .bag_topics import BagTopic
from .whole_pages import is_cut_in_a_page, open_whole_pages

MAGIC = b'SQLite format 3\0'
ROWS = 'SELECT topic_id, timestamp, data FROM messages ORDER BY id'
FIRST = 'SELECT timestamp FROM messages ORDER BY id LIMIT 1'
LAST = 'SELECT timestamp FROM messages ORDER BY id DESC LIMIT 1'
TIMES = 'SELECT topic_id, timestamp FROM messages ORDER BY id'
SPAN = 'SELECT min(timestamp), max(timestamp) FROM messages'


def unfinished_log(path: Path) -> Path | None:
    """Return the write-ahead log beside a database that was not closed, None without one."""
    log = path.with_name(f'{path.name}-wal')
    return log if log.is_file() and log.stat().st_size > 0 else None


def _opened(path: Path) -> Any:
    """Open a file for reading, without the last page where that is not whole."""
    log = unfinished_log(path)
    if log is None and is_cut_in_a_page(path):
        return open_whole_pages(path)
    # Without a log the file is as it will ever be, and needs no lock beside it.
    options = 'mode=ro' if log else 'mode=ro&immutable=1'
    return sqlite3.connect(
        f'file:{quote(str(path.resolve()))}?{options}', uri=True, isolation_level=None)


class SqliteScan:
    """
    One sqlite3 file of a bag, read row by row.

    Parameters
    ----------
    path : Path
        The file. It is never written to; a write-ahead log beside it is read along.

    Attributes
    ----------
    topics : tuple of BagTopic
        What it holds, counts unknown.
    start_ns, end_ns : int or None
        Time of the first and, where it can be had, the last row [ns]; the least and the most where
        they run back.
    times : TimeWatch
        Whether times run back from row to row.
    damage : list of str
        Where and why something could not be read.

    Raises
    ------
    sqlite3.Error, apsw.Error
        Nothing can be read.

    """

    def __init__(self, path: Path) -> None:
        """Open the file and read the list of topics."""
        self.damage: list[str] = []
        self._database: Any = _opened(path)
        try:
            # A file shorter than its header says is refused otherwise.
            self._database.execute('PRAGMA writable_schema=ON')
            self._names = self._topics()
            self.start_ns, self.end_ns = self._time(FIRST), self._time(LAST)
            self.times = self._watched()
            if self.times.set_back_ns:
                self.start_ns, self.end_ns = self._database.execute(SPAN).fetchone()
        except BaseException:
            self._database.close()
            raise
        self.topics = tuple(self._names.values())

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def _topics(self) -> dict[int, BagTopic]:
        """Return the topics by number, with definitions where the file has them."""
        definitions: dict[str, str] = {}
        with contextlib.suppress(*FOREIGN):
            definitions = dict(self._database.execute(
                'SELECT topic_type, encoded_message_definition FROM message_definitions '
                'WHERE encoding = ?', ('ros2msg',)))
        rows = self._database.execute('SELECT id, name, type FROM topics ORDER BY id')
        return {
            int(number): BagTopic(str(name), str(kind), None, str(definitions.get(kind, '')))
            for number, name, kind in rows}

    def _time(self, query: str) -> int | None:
        """Return a time of recording [ns]; None where it cannot be had."""
        try:
            row = self._database.execute(query).fetchone()
        except FOREIGN:
            return None
        return int(row[0]) if row else None

    def _watched(self) -> TimeWatch:
        """Return what the times of the rows tell, as far as they go."""
        watch = TimeWatch()
        with contextlib.suppress(*FOREIGN):
            for number, time_ns in self._database.execute(TIMES):
                watch.add(str(number), int(time_ns))
        return watch

    def messages(
        self, topics: Collection[str], start_ns: int, stop_ns: int
    ) -> Iterator[Found]:
        """
        Yield topic, time of recording [ns] and bytes of each message, as far as the file goes.

        Parameters
        ----------
        topics : collection of str
            Names of the topics wanted.
        start_ns, stop_ns : int
            Half-open range of times wanted [ns].

        Yields
        ------
        tuple
            In the order of the rows, which is that of recording.

        """
        rows = None
        while True:
            try:
                rows = rows or self._database.execute(ROWS)
                number, time_ns, data = next(rows)
                topic, time_ns = self._names.get(number), int(time_ns)
            except StopIteration:
                return
            except FOREIGN as exc:
                self.damage.append(f'cut off or damaged: {reason_of(exc)}')
                return
            if topic and topic.name in topics and start_ns <= time_ns < stop_ns:
                yield topic.name, time_ns, data
