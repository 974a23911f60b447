# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Recorded bags as a stream of values, decoded by the same code as the live messages.

Messages come in the order of recording, one at a time: memory does not depend on the length of
the bag. What cannot be read is an event of its own, or a finding; only a bag of which nothing can
be used is an error.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
import heapq
import math
from pathlib import Path
from types import TracebackType
from typing import Any

from rosbags.typesys import get_types_from_msg

from .bag_damage import FOREIGN, plain_message, reason_of
from .bag_records import BagReader, BagRecord
from .bag_sources import BagSource, open_sources
from .bag_times import Found
from .bag_topics import BagTopic, choose_topics, joined_topics, TopicChoice
from .bag_types import bag_typestore
from ..errors import BagError, MessageError, UsageError
from ..findings import Finding, Severity
from ..geometry import StampedPose
from ..inputs import DRUM_CURRENT, DUMP, ELEVATION, POSE
from ..ros.feed import value_from_msg
from ..ros.messages import stamp_ns_from
from ..survey import ElevationGrid

NS_PER_S = 1_000_000_000
MIN_TIME_NS, MAX_TIME_NS = -2 ** 63, 2 ** 63 - 1
# Header stamps further than this from the time of recording are worth a word.
FAR_STAMP_NS = 60 * NS_PER_S
# Messages without a header.
STAMPLESS = (DUMP, DRUM_CURRENT)


@dataclass(frozen=True)
class BagOptions:
    """
    What is read of bags.

    Parameters
    ----------
    elevation_topic, pose_topic, dump_topic, drum_current_topic : str or None
        Topics; found by type where None, that of the drum current by its name.
    layer : str
        Layer of a grid map that holds the heights.
    start_s, end_s : float or None
        Part wanted [s], counted from the first message of the first bag.

    """

    elevation_topic: str | None = None
    pose_topic: str | None = None
    dump_topic: str | None = None
    drum_current_topic: str | None = None
    layer: str = 'elevation'
    start_s: float | None = None
    end_s: float | None = None

    @property
    def topics(self) -> dict[str, str | None]:
        """Topics by role."""
        return {ELEVATION: self.elevation_topic, POSE: self.pose_topic, DUMP: self.dump_topic,
                DRUM_CURRENT: self.drum_current_topic}


@dataclass(frozen=True)
class BagEvent:
    """
    One message of a bag.

    Parameters
    ----------
    role : str
        What it is, one of ``inputs``.
    stamp_ns : int or None
        Stamp of its header [ns]; None where it has none or cannot be read.
    value : StampedPose, ElevationGrid, float or None
        What it says: of a dump the mass [kg], of the drum its current [A]; None where that cannot
        be read.
    bag_ns : int
        When it was recorded [ns].
    fault : str
        Why it cannot be read; empty where it can.

    """

    role: str
    stamp_ns: int | None
    value: StampedPose | ElevationGrid | float | None
    bag_ns: int
    fault: str = ''


@dataclass(frozen=True)
class Span:
    """Part of the bags wanted: times for a person, and the half-open range to read [ns]."""

    first_ns: int
    last_ns: int
    from_ns: int
    stop_ns: int


class BagStream:
    """
    The messages of one or several bags, in the order of recording; made by ``open_bag``.

    Attributes
    ----------
    choice : TopicChoice
        The topics used.
    start_ns, end_ns : int
        First and last time of recording, of the wanted part [ns].
    message_count : int or None
        Messages on the topics used in the whole bags; None where a bag does not say.
    findings : list of Finding
        What is wrong with the bags as a whole; grows while reading.

    """

    def __init__(
        self, sources: Sequence[tuple[str, BagSource]], choice: TopicChoice, layer: str,
        span: Span, stack: ExitStack,
    ) -> None:
        """Take over opened sources, each with the name of its bag, and what closes them."""
        self.choice = choice
        self.start_ns, self.end_ns = span.first_ns, span.last_ns
        self.findings: list[Finding] = []
        topics = choice.topics
        counts = [topic.count for topic in topics]
        self.message_count = None if None in counts else sum(c or 0 for c in counts)
        self._names = [name for name, _ in sources]
        self._sources, self._span, self._stack = [s for _, s in sources], span, stack
        pool = stack.enter_context(ThreadPoolExecutor(1, 'digest'))
        self._readers = {name: BagReader(pool) for name in self._names}
        self._kinds = {topic.name: topic.kind for topic in topics}
        self._roles = choice.roles()
        self._layer = layer
        self._recent: list[tuple[int, int, str, Any]] = []
        self._told_far = False

    def __enter__(self) -> BagStream:
        """Return itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the bags."""
        self.close()

    def close(self) -> None:
        """Close the bags; may be called again."""
        self._stack.close()

    def warn(self, code: str, text: str, stamp_ns: int) -> None:
        """Add a finding about the bags as a whole."""
        self.findings.append(Finding(code, text, Severity.WARNING, stamp_ns))

    def records(self) -> tuple[BagRecord, ...]:
        """Return what was read of each bag, in the order of time; empty ones left out."""
        found = [reader.record() for reader in self._readers.values()]
        return tuple(sorted(
            (record for record in found if record is not None),
            key=lambda record: (record.first_ns, record.last_ns, record.sha256)))

    def __iter__(self) -> Iterator[BagEvent]:
        """Yield the messages; those of one time in the order of the files."""
        for number, (topic, bag_ns, raw) in self._merged():
            raw = _plain(raw)
            self._tell_apart(number, topic, bag_ns, raw)
            self._readers[self._names[number]].add(self._roles[topic], bag_ns, raw)
            event = self._event(topic, bag_ns, raw)
            self._compare(event)
            yield event

    def _tell_apart(self, number: int, topic: str, bag_ns: int, raw: Any) -> None:
        """Raise UsageError for a message that another file holds too, of the same time."""
        if len(self._sources) == 1:
            return
        if self._recent and self._recent[0][1] != bag_ns:
            self._recent.clear()
        for other, _, its_topic, its_raw in self._recent:
            if other != number and its_topic == topic and bytes(its_raw) == bytes(raw):
                names = ' and '.join(dict.fromkeys((self._names[other], self._names[number])))
                msg = (f'{names}: the same message of {topic} is there twice; name every bag '
                       f'once, and replay of bags that overlap the second on top of the books of '
                       f'the first (--books, with --start)')
                raise UsageError(msg)
        self._recent.append((number, bag_ns, topic, raw))

    def _merged(self) -> Iterator[tuple[int, Found]]:
        """Yield from all sources in the order of time, starting each no sooner than needed."""
        waiting = sorted(
            (MAX_TIME_NS if source.start_ns is None else source.start_ns, number)
            for number, source in enumerate(self._sources))
        heads: list[tuple[int, int, Found, Iterator[Found]]] = []
        while waiting or heads:
            if waiting and (not heads or waiting[0][0] <= heads[0][0]):
                _, number = waiting.pop(0)
                stream = self._read(self._sources[number])
            else:
                _, number, found, stream = heapq.heappop(heads)
                yield number, found
            following = next(stream, None)
            if following is not None:
                heapq.heappush(heads, (following[1], number, following, stream))

    def _read(self, source: BagSource) -> Iterator[Found]:
        """Yield what a source gives, and report afterwards what it could not."""
        told, last_ns = len(source.damage), self.start_ns
        for found in source.messages(self._roles, self._span.from_ns, self._span.stop_ns):
            last_ns = found[1]
            yield found
        for text in source.damage[told:]:
            self.warn('bag_cut', f'after {_seconds(last_ns - self.start_ns)} s of the bag: {text}',
                      last_ns)

    def _event(self, topic: str, bag_ns: int, raw: Any) -> BagEvent:
        """Return a message as an event."""
        role = self._roles[topic]
        stamp_ns: int | None = None
        try:
            msg = self._decoded(raw, self._kinds[topic])
            if role not in STAMPLESS:
                stamp_ns = stamp_ns_from(msg.header)
            return BagEvent(role, stamp_ns, value_from_msg(role, msg, self._layer), bag_ns)
        except MessageError as exc:
            return BagEvent(role, stamp_ns, None, bag_ns, str(exc))

    @staticmethod
    def _decoded(raw: Any, kind: str) -> Any:
        """Return the message in the bytes; every fault of theirs is one of the message."""
        try:
            return bag_typestore().deserialize_cdr(memoryview(plain_message(raw)), kind)
        except FOREIGN as exc:
            msg = f'cannot be decoded: {reason_of(exc)}'
            raise MessageError(msg) from exc

    def _compare(self, event: BagEvent) -> None:
        """Say once when header stamps are of another time than the recording."""
        if self._told_far or not event.stamp_ns:
            return
        off_ns = event.stamp_ns - event.bag_ns
        if abs(off_ns) > FAR_STAMP_NS:
            self._told_far = True
            self.warn('bag_time', f'header stamps are {_seconds(off_ns)} s off the time of '
                      f'recording; the header stamps are used', event.stamp_ns)


def _plain(raw: Any) -> Any:
    """Return a message decompressed, or as it is where that fails; decoding then says why."""
    try:
        return plain_message(raw)
    except FOREIGN:
        return raw


def _seconds(span_ns: int) -> str:
    """Return a time span in seconds for a person."""
    return f'{span_ns / NS_PER_S:.1f}'


def _span(
    sources: Sequence[BagSource], start_s: float | None, end_s: float | None
) -> Span:
    """Return the part wanted; without limits everything is read, whatever its time."""
    starts = [source.start_ns for source in sources if source.start_ns is not None]
    ends = [source.end_ns for source in sources if source.end_ns is not None]
    if not starts:
        msg = 'the bag is empty: it has no messages'
        raise BagError(msg)
    begin_s, stop_s = start_s or 0.0, math.inf if end_s is None else end_s
    if not 0.0 <= begin_s < stop_s:
        msg = (f'start {begin_s} s and end {stop_s} s select nothing: both count from the first '
               f'message, and the end must be after the start')
        raise UsageError(msg)
    origin_ns = min(starts)
    # Of a file that is cut off the last time may not be known.
    last_ns = max(ends, default=origin_ns)
    known = len(ends) == len(sources)
    if not begin_s < (MAX_TIME_NS - origin_ns) / NS_PER_S or (
            known and begin_s * NS_PER_S > last_ns - origin_ns):
        msg = f'start {begin_s} s is after the end of the bag at {_seconds(last_ns - origin_ns)} s'
        raise BagError(msg)
    first_ns = origin_ns + round(begin_s * NS_PER_S)
    from_ns, stop_ns = first_ns if begin_s else MIN_TIME_NS, MAX_TIME_NS
    if stop_s < (MAX_TIME_NS - origin_ns) / NS_PER_S:
        stop_ns = origin_ns + round(stop_s * NS_PER_S)
        last_ns = min(last_ns, stop_ns)
    return Span(first_ns, max(first_ns, last_ns), from_ns, stop_ns)


def _check_definition(topic: BagTopic) -> None:
    """Refuse a topic recorded with other fields; messages are always read as the types we know."""
    if not topic.definition:
        return
    try:
        given = get_types_from_msg(topic.definition, topic.kind)
    except FOREIGN:
        return
    known = bag_typestore().fielddefs
    for name, (_, fields) in given.items():
        if name in known and list(fields) != list(known[name][1]):
            msg = (f'topic {topic.name} was recorded with another definition of {name} than the '
                   f'one of ROS 2')
            raise BagError(msg)


def open_bag(
    paths: Sequence[str | Path] | str | Path, options: BagOptions | None = None
) -> BagStream:
    """
    Open one or several rosbag2 bags for reading.

    Parameters
    ----------
    paths : path or sequence of paths
        Folders or single files (MCAP or sqlite3, plain or zstd), in any order.
    options : BagOptions, optional
        Topics, layer and part of the bags; left out, all that is found.

    Returns
    -------
    BagStream
        An iterable of events and a context manager.

    Raises
    ------
    BagError
        A bag or topic that cannot be used.
    UsageError
        A start that is not before the end.

    """
    options = options or BagOptions()
    listed = [paths] if isinstance(paths, (str, Path)) else list(paths)
    with ExitStack() as stack:
        named: list[tuple[str, BagSource]] = []
        damage: list[str] = []
        for path in listed:
            more, why = open_sources(Path(path), stack)
            named += [(str(path), source) for source in more]
            damage += why
            damage += [f'{path}: {text}' for source in more for text in source.damage]
        names = ', '.join(str(path) for path in listed)
        sources = [source for _, source in named]
        try:
            span = _span(sources, options.start_s, options.end_s)
            choice = choose_topics(
                joined_topics(source.topics for source in sources), options.topics)
            for topic in choice.topics:
                _check_definition(topic)
        except BagError as exc:
            msg = f'{names}: {reason_of(exc)}'
            raise BagError(msg) from exc
        stream = BagStream(named, choice, options.layer, span, stack.pop_all())
    for text in damage:
        stream.warn('bag_cut', text, span.first_ns)
    return stream
