# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Times of recording that run back: the clock of the recorder was set back under it.

Then times do not tell the order in which messages came; the order of the file does. A file that
was written topic by topic, or in no order at all, is another matter: there the times do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Any

from .bag_topics import BagTopic, joined_topics
from ..survey.gates import MOST_LAG_NS

# Who finds more steps back than this within one topic has no recording before him.
MOST_STEPS = 5
# What a bag gives: topic, time of recording [ns], bytes of the message.
Found = tuple[str, int, Any]


class TimeWatch:
    """
    Follows the times of each topic in the order of the file, and finds where they step back.

    A message from long before that is followed by others of now was late, and nothing was set. A
    file that begins as another one does is a copy, and none of both tells anything.
    """

    def __init__(self) -> None:
        """Begin with nothing followed."""
        self._opening_ns: dict[str, list[int]] = {}
        self._last_ns: dict[str, int] = {}
        self._before_ns: dict[str, int] = {}
        self._steps: Counter[str] = Counter()
        self._most_ns = 0
        self._files: list[dict[str, list[int]]] = []
        self._has_copies = False

    def add(self, topic: str, time_ns: int) -> None:
        """Follow one more message."""
        opening_ns = self._opening_ns.setdefault(topic, [])
        if len(opening_ns) < 2:
            opening_ns.append(time_ns)
        last_ns = self._last_ns.get(topic, time_ns)
        self._last_ns[topic] = time_ns
        before_ns = self._before_ns.pop(topic, None)
        if before_ns is not None and time_ns < before_ns - MOST_LAG_NS:
            self._steps[topic] += 1
            self._most_ns = max(self._most_ns, before_ns - last_ns)
        elif time_ns < last_ns - MOST_LAG_NS:
            self._before_ns[topic] = last_ns

    def follow(self, other: TimeWatch) -> None:
        """Go on with the file after this one."""
        self._has_copies |= bool(other._opening_ns) and other._opening_ns in self._files
        self._files.append(other._opening_ns)
        for topic, opening_ns in other._opening_ns.items():
            for time_ns in opening_ns:
                self.add(topic, time_ns)
            self._last_ns[topic] = other._last_ns[topic]
        self._steps += other._steps
        self._most_ns = max(self._most_ns, other._most_ns)

    @property
    def set_back_ns(self) -> int:
        """
        Tell by how much the clock was set back, at most; 0 where it was not [ns].

        Examples
        --------
        >>> watch, second_ns = TimeWatch(), 10 ** 9
        >>> for time_s in (10, 11, 12, 2, 3):
        ...     watch.add('/pose', time_s * second_ns)
        >>> watch.set_back_ns // second_ns
        10

        """
        odd = self._has_copies or max(self._steps.values(), default=0) > MOST_STEPS
        return 0 if odd else self._most_ns

    @property
    def text(self) -> str:
        """Say that the clock was set back; empty where it was not."""
        back_ns = self.set_back_ns
        return '' if not back_ns else (
            f'the clock of the recorder was set back by {back_ns / 1e9:.1f} s')


def in_order(found: list[Found]) -> list[Found]:
    """Return messages in the order of time, or as they stand where the clock was set back."""
    watch = TimeWatch()
    for topic, time_ns, _ in found:
        watch.add(topic, time_ns)
    return found if watch.set_back_ns else sorted(found, key=lambda item: item[1])


class FilesInOrder:
    """
    Files of one bag, read one after the other whatever their times say.

    Parameters
    ----------
    sources : sequence of BagSource
        The files in the order of recording; who opened them closes them.

    Attributes
    ----------
    topics, start_ns, end_ns, damage
        As those of the files, all together.

    """

    def __init__(self, sources: Sequence[Any]) -> None:
        """Take over opened files."""
        self._sources = sources
        self.damage = [text for source in sources for text in source.damage]
        self.topics: tuple[BagTopic, ...] = joined_topics(source.topics for source in sources)
        starts = [s.start_ns for s in sources if s.start_ns is not None]
        ends = [s.end_ns for s in sources if s.end_ns is not None]
        self.start_ns: int | None = min(starts, default=None)
        self.end_ns: int | None = max(ends, default=None)

    def messages(
        self, topics: Collection[str], start_ns: int, stop_ns: int
    ) -> Iterator[Found]:
        """Yield topic, time of recording [ns] and bytes, file by file."""
        for source in self._sources:
            told = len(source.damage)
            yield from source.messages(topics, start_ns, stop_ns)
            self.damage += source.damage[told:]

    def close(self) -> None:
        """Leave the files to who opened them."""


def watched(scans: Iterable[Any]) -> TimeWatch:
    """Return what the times of opened files, one after the other, tell together."""
    watch = TimeWatch()
    for scan in scans:
        watch.follow(scan.times)
    return watch
