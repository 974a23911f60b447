# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The node ``ledger``: messages in, books out.

Each message is converted, goes through one step of the pipeline, is written to the journal, and
only then shown. Messages are taken in the order of their arrival; of one instant, pose before dump
before grid. The node uses one single-threaded executor.
"""

from __future__ import annotations

from collections.abc import Callable
import os
from pathlib import Path
import time
from typing import Any

from geometry_msgs.msg import PoseStamped
from rclpy.callback_groups import ReentrantCallbackGroup
from rclpy.clock import Clock, ClockType
from std_msgs.msg import Float32
from std_srvs.srv import Trigger

from .book_clock import BookClock
from .books_path import default_books_path
from .borrow_text import borrow_line, borrow_statuses
from .datum_levels import datum_levels_m
from .feed import feed
from .intake import Intake
from .ledger_health import LedgerHealth
from .ledger_topics import LedgerTopics, looked_at
from .live import LiveBooks
from .managed import ManagedNode
from .messages import pose_from_msg
from .parameters import LedgerParameters
from .report_files import NextTurn, ReportJob
from .silence import Silence
from .wire import (
    DRUM_CURRENT_DEPTH,
    DUMP_DEPTH,
    elevation_class,
    ELEVATION_DEPTH,
    event_qos,
    latched_qos,
    POSE_DEPTH,
    POSE_TYPES,
    sensor_qos,
)
from ..books import Books, Entry
from ..books.journal import Journal
from ..errors import MessageError, naming_books
from ..geometry import Pose2
from ..inputs import DRUM_CURRENT, DUMP, ELEVATION, POSE
from ..site_source import load_site
from ..wording import counted

HEALTH_PERIOD_S = 1.0
# Ground and markers are large and change slowly: no more often than this, in message time.
SLOW_PERIOD_NS = 1_000_000_000
LOG_PERIOD_S = 5.0
SEVERAL_LOG_PERIOD_S = 60.0
QUIET_KINDS = ('reading', 'seen', 'rise', 'cut', 'load', 'balance')
LOUD_KINDS = ('refused', 'map_shift', 'stray_dump', 'unbooked_fill', 'slump', 'disturbed', 'hold',
              'void', 'imbalance')


class LedgerNode(ManagedNode[LedgerParameters]):
    """
    Keeps the books of one site.

    Parameters
    ----------
    make_pipeline : callable, optional
        Makes the pipeline from site, entries and surfaces; left out, that of this package.
    steady_s : callable
        Steady clock [s]; only to tell for how long nothing has come in.
    system_ns : callable
        System clock [ns]; only to tell a clock that was set back from a recording.
    **options
        Passed on to ``rclpy.node.Node``.

    """

    def __init__(
        self, *, make_pipeline: Callable[..., Any] | None = None,
        steady_s: Callable[[], float] = time.monotonic,
        system_ns: Callable[[], int] = time.time_ns, **options: Any,
    ) -> None:
        """Declare the parameters; the books are opened when the node is configured."""
        super().__init__('ledger', LedgerParameters, **options)
        self._make_pipeline = make_pipeline or _pipeline
        self._silence = Silence(steady_s, self.resolve_topic_name(ELEVATION))
        self._system_ns = system_ns
        self._book_clock = BookClock(system_ns)
        self.live: LiveBooks | None = None
        self._topics: LedgerTopics | None = None
        self._intake: Intake | None = None
        self._timer: Any = None
        self._orders: list[Any] = []
        self._report: ReportJob | None = None
        self._report_service: Any = None
        self._target: Pose2 | None = None
        self._slow_ns: int | None = None
        self._drawn = True
        self._health = LedgerHealth(self.resolve_topic_name)

    @property
    def pipeline(self) -> Any:
        """Return the pipeline of the open books."""
        assert self.live is not None
        return self.live.pipeline

    def set_up(self) -> None:
        """Read the site, open the books, offer topics and services."""
        given = self.parameters
        elevation_class(given.elevation_type)
        loaded = load_site(given.site_file)
        path = self._books_path()
        journal = Journal.open(path, loaded.digest, Path(given.site_file).name, loaded.text)
        try:
            entries, surfaces = tuple(journal.entries()), journal.surfaces()
            with naming_books(path):
                pipeline = self._make_pipeline(loaded.site, entries=entries, surfaces=surfaces)
        except BaseException:
            journal.close()
            raise
        self.live = LiveBooks(pipeline, journal)
        self._book_clock = BookClock(self._system_ns)
        self._topics = LedgerTopics(self, loaded)
        for name, answer in (
                ('take_datum', self._take_datum), ('resume', self._resume),
                ('clear_rework', self._clear_rework)):
            self._orders.append(self.create_service(Trigger, f'~/{name}', answer))
        if self._report_service is None:
            # Its answer comes much later; the rest must not wait for it.
            self._report_service = self.create_service(
                Trigger, '~/write_report', self._write_report,
                callback_group=ReentrantCallbackGroup())
        self.get_logger().info(
            f'books of {given.site_file} in {path}: '
            f'{counted(journal.last_seq, "entry", "entries")}')
        if journal.news:
            self.get_logger().warning(
                f'{path}: {journal.news}; if these are the books of another site, stop, and name '
                f'others (books_file)')

    def start(self) -> None:
        """Subscribe, and show the books as they stand."""
        given = self.parameters
        self._intake = Intake(self, self._on_message)
        # Of one instant a dump takes its place from the pose before it, a grid is judged by both,
        # and a drum current belongs to the load before the dump.
        self._intake.subscribe(POSE, POSE_TYPES[given.pose_type], 'pose', sensor_qos(POSE_DEPTH))
        self._intake.subscribe(
            DRUM_CURRENT, Float32, 'drum_current', sensor_qos(DRUM_CURRENT_DEPTH))
        self._intake.subscribe(
            DUMP, Float32, 'dump', event_qos(DUMP_DEPTH), weaker_qos=sensor_qos(DUMP_DEPTH))
        self._intake.subscribe(
            ELEVATION, elevation_class(given.elevation_type), 'elevation',
            sensor_qos(ELEVATION_DEPTH))
        self._target_subscription = self.create_subscription(
            PoseStamped, 'target_pose', self._on_target, latched_qos())
        # Health must be seen when time stands still, too.
        self._timer = self.create_timer(
            HEALTH_PERIOD_S, self._publish_health, clock=Clock(clock_type=ClockType.STEADY_TIME))
        self._slow_ns = None
        self._silence.note('')
        self._publish()

    def stop(self) -> None:
        """End subscriptions and timer."""
        if self._intake is not None:
            self._intake.close()
            self.destroy_subscription(self._target_subscription)
            self.destroy_timer(self._timer)
            self._intake = self._timer = None

    def tear_down(self) -> None:
        """Take topics and services away and close the books."""
        self.give_up()
        for service in self._orders:
            self.destroy_service(service)
        self._orders = []
        # A service that still owes an answer stays until it has been sent.
        if self._report_service is not None and not self.waits:
            self.destroy_service(self._report_service)
            self._report_service = None
        if self._topics is not None:
            self._topics.close()
            self._topics = None
        if self.live is not None:
            self.live.book(self.pipeline.finish())
            if lost := self.live.close():
                self.get_logger().error(lost)
            self.live = None

    def give_up(self) -> None:
        """End a report in the making; whoever asked for it is told when the executor works on."""
        if self._report is not None:
            self._report.stop('the ledger is closing')

    @property
    def waits(self) -> bool:
        """Tell whether an answer is still owed."""
        return self._report is not None

    def _books_path(self) -> Path:
        """Return the path of the books; the default one gets its folder."""
        if self.parameters.books_file:
            return Path(self.parameters.books_file)
        path = default_books_path(self.parameters.site_file, self.get_namespace(), os.environ)
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def _on_message(self, role: str, msg: Any) -> None:
        """Take one message: convert, step, write, show."""
        assert self.live is not None
        if self.live.full and self.live.flush() is None:
            return
        update = feed(
            self.pipeline, role, msg, layer=self.parameters.layer, clock=self._book_clock)
        self._health.note(role, self.pipeline.stamp_ns, update.findings)
        if role == ELEVATION:
            self._silence.note_grid(update.findings)
        self._book(update, show=role not in (POSE, DRUM_CURRENT))

    def _book(self, update: Any, *, show: bool) -> bool:
        """Write an update and show what is due; tell whether it is written."""
        assert self.live is not None
        fault = self.live.fault
        written = self.live.book(update)
        if written is None:
            self.get_logger().error(
                f'{self.live.fault}; nothing is published until it can be written',
                throttle_duration_sec=LOG_PERIOD_S)
            return False
        if fault:
            self.get_logger().info('the books can be written again, nothing was lost')
        for entry in written:
            self._log(entry)
        if show or written:
            self._publish()
        return True

    def _publish(self) -> None:
        """Publish the books; ground and markers when they are due."""
        assert self._topics is not None
        pipeline, topics = self.pipeline, self._topics
        stamp_ns, books = self._told_ns, self._told_books()
        due = self._slow_ns is None or not 0 <= stamp_ns - self._slow_ns < SLOW_PERIOD_NS
        if due:
            topics.publish_site_file()
            lattice, blocked = pipeline.no_go()
            topics.publish_no_go(lattice, blocked, stamp_ns)
        datum_m = datum_levels_m(pipeline.survey)
        topics.publish_crest(pipeline.crest_profiles, pipeline.crest_lines, stamp_ns)
        account, proposal = pipeline.borrow, pipeline.next_lane()
        topics.publish_borrow(
            borrow_statuses(pipeline.lanes, account, proposal, books.dumps_remaining,
                            pipeline.load_aboard),
            proposal[0] if proposal else None, stamp_ns)
        topics.publish_books(
            books, stamp_ns, datum_m, borrow_line(account, books.dumps_remaining),
            self._silence.text, self._silence.blind_text)
        if due:
            self._slow_ns, self._drawn = stamp_ns, False
            self._draw()

    @property
    def _told_ns(self) -> int:
        """Return how old the books are, by the clock of the messages [ns]."""
        return int(self.pipeline.stamp_ns) - self._book_clock.ahead_ns

    def _told_books(self) -> Books:
        """Return the books with times by the clock of the messages."""
        # A look that says nothing new is not booked, but the books are as old as the last look.
        return self._book_clock.told(looked_at(self.pipeline.books, self.pipeline.looked_ns))

    def _draw(self) -> None:
        """Publish the markers, which are many, once somebody sees them."""
        assert self.live is not None
        assert self._topics is not None
        pipeline = self.pipeline
        if not self._drawn and not self.live.fault and self._topics.somebody_sees:
            self._drawn = True
            self._topics.publish_markers(
                pipeline.books, self._told_ns, crest_lines=pipeline.crest_lines,
                target=self._target, datum_m=datum_levels_m(pipeline.survey))

    def _publish_health(self) -> None:
        """Publish diagnostics."""
        if self.live is None or self._topics is None or self._intake is None:
            return
        self._draw()
        if several := self._topics.several_text():
            self.get_logger().warning(several, throttle_duration_sec=SEVERAL_LOG_PERIOD_S)
        statuses = self._health.statuses(
            self.live, self._intake.mistaken_type, self._silence.text, several)
        self._topics.publish_health(statuses, self.get_clock().now().nanoseconds)
        if not self.live.fault:
            self._tell_silence(self._topics)

    def _tell_silence(self, topics: LedgerTopics) -> None:
        """Have the table say for how long no look has come in, now and then."""
        if self._silence.is_due():
            topics.publish_table(self._told_books(), self._told_ns, self._silence.text)

    def _on_target(self, msg: PoseStamped) -> None:
        """Note the target for the markers; what is no pose means that there is none."""
        try:
            self._target = pose_from_msg(msg).pose
        except MessageError:
            self._target = None
        self._drawn = False

    def _log(self, entry: Entry) -> None:
        """Tell the log what was booked."""
        if entry.kind in QUIET_KINDS:
            return
        where = '' if entry.segment is None else f' {entry.berm} segment {entry.segment}'
        text = entry.data.get('text') or ''
        line = f'booked {entry.kind}{where}' + (f': {text}' if text else '')
        if entry.kind in LOUD_KINDS:
            self.get_logger().warning(line)
        else:
            self.get_logger().info(line)

    def _answer(
        self, answer: Trigger.Response, step: Callable[[], Any], kind: str, refusal: str
    ) -> Trigger.Response:
        """Run an operator's order; it went well when it booked an entry of its kind."""
        if self.live is None or self._intake is None:
            answer.success, answer.message = False, 'the node is not active'
            return answer
        update = step()
        done = [entry for entry in update.entries if entry.kind == kind]
        texts = [finding.text for finding in update.findings]
        if not self._book(update, show=True):
            answer.success, answer.message = False, self.live.fault
        elif done:
            answer.success, self._drawn = True, False
            answer.message = '; '.join(texts) or str(done[0].data.get('text') or f'{kind} booked')
        else:
            answer.success, answer.message = False, '; '.join(texts) or refusal
        return answer

    def _take_datum(self, _request: Any, answer: Trigger.Response) -> Trigger.Response:
        """Take the ground as it is now for the natural ground."""
        return self._answer(
            answer, self.pipeline.take_datum, 'datum',
            'no datum could be taken: no grid has been used yet')

    def _resume(self, _request: Any, answer: Trigger.Response) -> Trigger.Response:
        """End a hold."""
        return self._answer(
            answer, self.pipeline.resume, 'resume', 'the books are not on hold')

    def _clear_rework(self, _request: Any, answer: Trigger.Response) -> Trigger.Response:
        """Accept what is flagged as it stands."""
        return self._answer(
            answer, self.pipeline.clear_rework, 'cleared', 'no segment is flagged')

    async def _write_report(self, _request: Any, answer: Trigger.Response) -> Trigger.Response:
        """Have the files of a replay written beside the books, and answer when they are."""
        answer.success = False
        if self.live is None:
            answer.message = 'the node is not configured'
        elif self._report is not None:
            answer.message = 'a report is being written already: wait for it, then ask again'
        elif self.live.book(self.pipeline.finish()) is None:
            answer.message = self.live.fault
        else:
            answer.success, answer.message = await self._report_beside(self.live.journal.path)
        return answer

    async def _report_beside(self, books_path: Path) -> tuple[bool, str]:
        """Return what came of a report, once it has come; messages are taken meanwhile."""
        self.get_logger().info(f'writing a report to {books_path.parent}')
        try:
            self._report = ReportJob(books_path)
            while not self._report.done:
                await NextTurn()
            done, said = self._report.result()
        except OSError as exc:
            done, said = False, str(exc)
        finally:
            self._report = None
        self.get_logger().info(said) if done else self.get_logger().warning(said)
        return done, said


def _pipeline(*args: Any, **options: Any) -> Any:
    """Return the pipeline of this package."""
    from ..pipeline import Pipeline
    return Pipeline(*args, **options)
