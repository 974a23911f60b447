# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
MCAP files record by record, as far as they go: for files that a power failure cut off.

The index of an MCAP file stands at its end, so that the usual readers refuse a file without one.
Everything needed is in the records before it. Format: mcap.dev, version 0.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path
import struct
from typing import Any
import zlib

from .bag_damage import FOREIGN, inflated, reason_of
from .bag_times import Found, in_order, TimeWatch
from .bag_topics import BagTopic

MAGIC = b'\x89MCAP0\r\n'
HEADER, FOOTER, SCHEMA, CHANNEL, MESSAGE, CHUNK, MESSAGE_INDEX = range(1, 8)
DATA_END = 0x0F
RECORD = struct.Struct('<BQ')
MESSAGE_HEAD = struct.Struct('<HIQQ')
CHUNK_HEAD = struct.Struct('<QQQII')
INDEX_HEAD = struct.Struct('<HI')
INDEX_ENTRY = struct.Struct('<QQ')
MAX_TIME_NS = 2 ** 63 - 1


@dataclass(frozen=True)
class Record:
    """A record of the file: its kind, where its content is, and whether that is all of it."""

    kind: int
    start: int
    size: int
    whole: bool


@dataclass
class _Channels:
    """Schemas and channels met so far."""

    schemas: dict[int, tuple[str, str, str]] = field(default_factory=dict)
    topics: dict[int, BagTopic] = field(default_factory=dict)

    def learn(self, kind: int, content: Any) -> None:
        """Take in a schema or a channel record."""
        number, at = struct.unpack_from('<H', content)[0], 2
        if kind == SCHEMA:
            name, at = _text(content, at)
            encoding, at = _text(content, at)
            self.schemas[number] = (name, encoding, _text(content, at)[0])
            return
        schema = self.schemas.get(struct.unpack_from('<H', content, at)[0], ('', '', ''))
        topic, _ = _text(content, at + 2)
        definition = schema[2] if schema[1] == 'ros2msg' else ''
        self.topics.setdefault(number, BagTopic(topic, schema[0], None, definition))


def _text(content: Any, at: int) -> tuple[str, int]:
    """Return a string and where the next field begins."""
    end = at + 4 + struct.unpack_from('<I', content, at)[0]
    if end > len(content):
        msg = 'a text reaches beyond its record'
        raise ValueError(msg)
    return bytes(content[at + 4:end]).decode(), end


def _inner_records(content: memoryview) -> Iterator[tuple[int, memoryview]]:
    """Yield the records of a chunk that are whole."""
    at = 0
    while at + RECORD.size <= len(content):
        kind, size = RECORD.unpack_from(content, at)
        at += RECORD.size
        if at + size > len(content) or not HEADER <= kind <= DATA_END:
            return
        yield kind, content[at:at + size]
        at += size


class McapScan:
    """
    One MCAP file, read from front to back without its index.

    Parameters
    ----------
    path : Path
        The file.

    Attributes
    ----------
    topics : tuple of BagTopic
        What it holds.
    start_ns, end_ns : int or None
        First and last time of recording met in the headers [ns].
    times : TimeWatch
        Whether times run back, as far as the index of each chunk tells.
    damage : list of str
        Where and why something could not be read; empty for a whole file.

    Raises
    ------
    ValueError
        Not an MCAP file.

    """

    def __init__(self, path: Path) -> None:
        """Walk over the headers once, for topics and times."""
        self.damage: list[str] = []
        self.start_ns: int | None = None
        self.end_ns: int | None = None
        self.times = TimeWatch()
        self._size = path.stat().st_size
        self._file = path.open('rb')
        self._channels = _Channels()
        self._indexed = False
        try:
            if self._read(0, len(MAGIC)) != MAGIC:
                msg = 'not an MCAP file'
                raise ValueError(msg)
            self._survey()
        except BaseException:
            self._file.close()
            raise
        self.topics = tuple(self._channels.topics.values())

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _read(self, start: int, size: int) -> bytes:
        """Return bytes of the file; never more than it has."""
        self._file.seek(start)
        return self._file.read(min(size, max(0, self._size - start)))

    def _note(self, text: str) -> None:
        """Remember a damage once."""
        if text not in self.damage:
            self.damage.append(text)

    def _records(self) -> Iterator[Record]:
        """Yield the records up to the end of the data, the last one maybe cut off."""
        at = len(MAGIC)
        while True:
            head = self._read(at, RECORD.size)
            kind, size = RECORD.unpack(head) if len(head) == RECORD.size else (0, 0)
            if kind in (DATA_END, FOOTER):
                return
            if not HEADER <= kind < DATA_END:
                self._note(f'cut off or damaged at byte {at} of {self._size}')
                return
            start, left = at + RECORD.size, self._size - at - RECORD.size
            if size > left:
                self._note(f'cut off at byte {self._size} within a record that begins at {at}')
                yield Record(kind, start, left, whole=False)
                return
            yield Record(kind, start, size, whole=True)
            at = start + size

    def _survey(self) -> None:
        """Learn topics and times, opening only chunks that may bring channels not met yet."""
        chunk: Record | None = None
        for record in self._records():
            if record.kind in (SCHEMA, CHANNEL) and record.whole:
                self._channels.learn(record.kind, self._read(record.start, record.size))
            elif record.kind == MESSAGE and record.whole:
                head = self._read(record.start, MESSAGE_HEAD.size)
                number, _, time_ns, _ = MESSAGE_HEAD.unpack(head)
                self._span(time_ns, time_ns)
                self.times.add(str(number), time_ns)
            elif record.kind == MESSAGE_INDEX and record.whole:
                number = self._follow(self._read(record.start, record.size))
                if chunk is None:
                    continue
                if number not in self._channels.topics:
                    self._learn_from(chunk)
                    chunk = None
                self._indexed = True
            elif record.kind == CHUNK:
                self._settle(chunk)
                chunk, self._indexed = record, False
                head = self._read(record.start, CHUNK_HEAD.size)
                self._span(*CHUNK_HEAD.unpack(head.ljust(CHUNK_HEAD.size, b'\0'))[:2])
        self._settle(chunk)

    def _follow(self, index: bytes) -> int:
        """Follow the times of a channel in a chunk, in the order of the file; return which."""
        number: int
        number, size = INDEX_HEAD.unpack_from(index)
        entries = index[INDEX_HEAD.size:INDEX_HEAD.size + size]
        whole = len(entries) // INDEX_ENTRY.size * INDEX_ENTRY.size
        for time_ns, _ in sorted(
                INDEX_ENTRY.iter_unpack(entries[:whole]), key=lambda entry: entry[1]):
            self.times.add(str(number), time_ns)
        return number

    def _settle(self, chunk: Record | None) -> None:
        """Look into a chunk that no index spoke for."""
        if chunk is not None and not self._indexed:
            self._learn_from(chunk)

    def _span(self, first_ns: int, last_ns: int) -> None:
        """Widen the times met; twice zero is what an empty chunk says."""
        if first_ns <= last_ns <= MAX_TIME_NS and last_ns > 0:
            self.start_ns = first_ns if self.start_ns is None else min(first_ns, self.start_ns)
            self.end_ns = last_ns if self.end_ns is None else max(last_ns, self.end_ns)

    def _learn_from(self, chunk: Record) -> None:
        """Take in the channels of a chunk."""
        for kind, content in self._content_of(chunk):
            if kind in (SCHEMA, CHANNEL):
                self._channels.learn(kind, content)

    def _content_of(self, chunk: Record) -> list[tuple[int, memoryview]]:
        """Return the records in a chunk; those before the damage where it is damaged."""
        try:
            return list(_inner_records(memoryview(self._plain_chunk(chunk))))
        except FOREIGN as exc:
            self._note(f'chunk at byte {chunk.start}: {reason_of(exc)}')
            return []

    def _plain_chunk(self, chunk: Record) -> bytes:
        """Return a chunk's records decompressed, after the checksum where it is whole."""
        content = memoryview(self._read(chunk.start, chunk.size))
        *_, size, crc, length = CHUNK_HEAD.unpack_from(content)
        at = CHUNK_HEAD.size + length
        compression = bytes(content[CHUNK_HEAD.size:at]).decode()
        (packed,) = struct.unpack_from('<Q', content, at)
        plain = inflated(content[at + 8:at + 8 + packed], compression, size)
        if chunk.whole and (len(plain) != size or (crc and zlib.crc32(plain) != crc)):
            msg = 'length or checksum do not match'
            raise ValueError(msg)
        return plain

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
            In the order of the file; within a chunk in the order of time, unless it was set back.

        """
        for record in self._records():
            if record.kind == MESSAGE and record.whole:
                found = self._message(memoryview(self._read(record.start, record.size)))
                items = [found] if found else []
            elif record.kind == CHUNK:
                inner = (self._message(content) for kind, content in self._content_of(record)
                         if kind == MESSAGE)
                items = in_order([item for item in inner if item])
            else:
                continue
            for name, time_ns, data in items:
                if name in topics and start_ns <= time_ns < stop_ns:
                    yield name, time_ns, data

    def _message(self, content: memoryview) -> Found | None:
        """Return one message, None when its channel is not known."""
        if len(content) < MESSAGE_HEAD.size:
            return None
        number, _, time_ns, _ = MESSAGE_HEAD.unpack_from(content)
        topic = self._channels.topics.get(number)
        return (topic.name, time_ns, content[MESSAGE_HEAD.size:]) if topic else None
