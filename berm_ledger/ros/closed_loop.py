# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What the stand-in robot does: it goes where the target node says, and says what it does.

Knows no ROS: it yields messages to send and questions to ask, and is sent the answers, so that
the same work can be driven over topics or in one process. It builds all berms, an intruder spoils
one finished segment while nobody looks, the operator looks and resumes, and the robot mends it.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..books.rows import Row, State
from ..geometry import Pose2
from ..simulation import Intrusion, SimEvent, Yard
from ..simulation.approach import dig_spot, stops_along
from ..wording import counted

SURVEY_LOOKS = 2
LOOKS_PER_LOAD = 4
LOOKS_AT_DAMAGE = 10
# Share of a load that the intruder takes.
STOLEN_SHARE = 0.8
# Times in a row that the robot looks at everything again before it gives up.
MOST_ROUNDS = 3
SPARE_LOADS = 20
# How long it waits where the order of work is being made [s].
WAIT_S = 1.0


@dataclass(frozen=True)
class Ask:
    """The question for the next target; answered with an ``Answer``."""


@dataclass(frozen=True)
class Resume:
    """The operator's order to resume; answered with what the ledger said."""


@dataclass(frozen=True)
class Accept:
    """The operator's order to accept what is flagged; answered with what the ledger said."""


@dataclass(frozen=True)
class Answer:
    """What the target node said: ``code``, ``content`` of its line, and the ``rows`` behind it."""

    code: str
    content: Mapping[str, Any]
    rows: tuple[Row, ...]


Step = SimEvent | Ask | Resume | Accept
Work = Generator[Step, Any, None]


class ClosedLoop:
    """
    One build of a site by the answers of the target node.

    Parameters
    ----------
    yard : Yard
        The simulated yard.
    say : callable
        Called with one line about each thing that happens.
    most_loads : int, optional
        More than this and something is wrong; left out, about twice what the design takes.

    """

    def __init__(
        self, yard: Yard, say: Callable[[str], None], *, most_loads: int | None = None
    ) -> None:
        """Begin before the first survey."""
        self.yard = yard
        self.loads = 0
        self.spoiled = 0
        #: Why the work could not be finished; empty when it was.
        self.trouble = ''
        self._accepted = False
        self._say = say
        design_m3 = sum(float(row['design_m3']) for row in yard.truth()['segments'])
        self._most_loads = most_loads or (
            round(2.0 * design_m3 / yard.site.load_volume_m3) + SPARE_LOADS)

    def work(self) -> Work:
        """
        Yield messages and questions until all is built, spoiled once and mended.

        Yields
        ------
        SimEvent, Ask, Resume or Accept
            A message to send; a question or order, to which the answer is to be sent in.

        """
        self._say('survey of the bare ground')
        yield from self._look_everywhere(SURVEY_LOOKS)
        rounds = 0
        while not self.trouble:
            yield from self._dig()
            answer = yield from self._ask()
            if answer.code == 'target':
                rounds = 0
                yield from self._haul(answer)
            elif answer.code == 'hold':
                yield from self._resume(answer)
            elif rounds == 0 or (answer.code != 'done' and rounds < MOST_ROUNDS):
                # Nobody should act on one look: go round once more before believing it.
                rounds += 1
                self._say(f'no target ({answer.content["reason"]}); looking everywhere')
                yield from self._look_everywhere(SURVEY_LOOKS)
            elif answer.code == 'done' and not self.spoiled:
                rounds = 0
                yield from self._spoil(answer.rows)
            elif answer.code == 'done' and not self._accepted and flagged(answer.rows):
                yield from self._accept(answer.rows)
            elif answer.code == 'done':
                self._say(f'done after {counted(self.loads, "load")}')
                return
            else:
                self.trouble = f'no target: {answer.content["reason"]}'

    def _ask(self) -> Generator[Step, Any, Answer]:
        """Ask for the next target, again where the order of work is still being made."""
        answer: Answer = yield Ask()
        while answer.code == 'planning':
            yield from self.yard.wait(WAIT_S)
            answer = yield Ask()
        return answer

    def _haul(self, answer: Answer) -> Work:
        """Drive to the run-up, dump, back out, look."""
        content, yard = answer.content, self.yard
        if self.loads >= self._most_loads:
            self.trouble = f'{counted(self.loads, "load")} and still no end'
            return
        pose = Pose2(content['x'], content['y'], content['yaw'])
        run_up = pose @ Pose2(-content['run_up'], 0.0)
        yield from yard.drive_to(run_up)
        yield from yard.drive_to(pose, straight=True)
        yield from yard.dump()
        self.loads += 1
        self._say(f'load {self.loads} on segment {content["segment"]}: {content["reason"]}')
        yield from yard.drive_to(run_up, straight=True)
        yield from yard.look_round(LOOKS_PER_LOAD)

    def _dig(self) -> Work:
        """Fill the drum in a borrow area; without one, somebody fills it on the spot."""
        areas = self.yard.site.yard.borrow_areas
        if not areas:
            yield from self.yard.wait(self.yard.options.dig_s)
            return
        spot = dig_spot(self.yard, areas[self.loads % len(areas)])
        yield from self.yard.drive_to(self.yard.error.reported(spot))
        yield from self.yard.dig()

    def _look_everywhere(self, looks: int) -> Work:
        """Look at every berm from several places."""
        for berm in range(len(self.yard.site.berms)):
            for stop in stops_along(self.yard, berm):
                yield from self.yard.drive_to(self.yard.error.reported(stop))
                yield from self.yard.look_round(looks)

    def _spoil(self, rows: Iterable[Row]) -> Work:
        """Let an intruder take soil while the robot is away, then come back and look."""
        yard, row = self.yard, best_segment(rows)
        station_m = 0.5 * (row.station_from_m + row.station_to_m)
        yard.intrude(Intrusion(
            'remove', STOLEN_SHARE * yard.site.load_volume_m3, station_m, berm=row.berm_index))
        self.spoiled += 1
        self._say(f'an intruder takes soil from segment {row.segment} of {row.berm} while nobody '
                  f'looks')
        place = yard.site.berms[row.berm_index].centreline.point_at(station_m)
        stops = stops_along(yard, row.berm_index)
        if stops:
            stop = min(stops, key=lambda pose: float(np.hypot(*(pose.xy - place))))
            yield from yard.drive_to(yard.error.reported(stop))
        yield from yard.look_round(LOOKS_AT_DAMAGE)

    def _resume(self, answer: Answer) -> Work:
        """Have the operator look and resume."""
        self._say(f'{answer.content["reason"]}')
        said = yield Resume()
        self._say(f'the operator has looked, nobody is in the yard, and calls resume: {said}')

    def _accept(self, rows: Iterable[Row]) -> Work:
        """Have the operator accept what was mended as well as whole loads can mend it."""
        self._accepted = True
        names = ', '.join(f'segment {row.segment} of {row.berm}' for row in flagged(rows))
        self._say(f'no further load would bring {names} closer to the design')
        said = yield Accept()
        self._say(f'the operator has looked and accepts it as it stands: {said}')


def flagged(rows: Iterable[Row]) -> tuple[Row, ...]:
    """Return the segments that are flagged for rework."""
    return tuple(row for row in rows if row.state == State.REWORK)


def best_segment(rows: Iterable[Row]) -> Row:
    """Return the segment that most looks finished; of equals the one nearest the middle."""
    known = tuple(rows)
    middle = 0.5 * (len(known) - 1)
    return min(enumerate(known), key=lambda item: (
        item[1].state != State.AT_GRADE, -item[1].at_grade, abs(item[0] - middle)))[1]
