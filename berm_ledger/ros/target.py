# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The node ``target``: where the next load goes, from what the ledger publishes.

It knows the site file, the segments, the crest, the ground to keep off, flags and hold, and the
pose; what to do with them is decided in ``targeting``. It remembers the target it handed out and
says when a dump fell far from it. It advises: it never moves a machine.
"""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock
import time
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import PoseStamped
from nav_msgs.msg import OccupancyGrid, Path
from nav_msgs.srv import GetPlan
from rclpy.clock import Clock, ClockType
from sensor_msgs.msg import PointCloud2
from std_msgs.msg import Float32, String
from std_srvs.srv import Trigger

from .answers import approach_poses, loads_left, target_json, target_values
from .freshness import Receipt, same_reason, stale_text, uncertain_text
from .intake import Intake
from .last_load import as_soil_allows, drum_where_closed
from .managed import ManagedNode
from .messages import (
    blind_text_from_rework,
    blocked_from_occupancy_grid,
    fill_diagnostics,
    fill_no_pose,
    fill_path,
    fill_pose,
    fill_target_status,
    hold_from_rework,
    pose_from_msg,
    profiles_from_crest_cloud,
    rows_from_segments_cloud,
    stamp_ns_from,
    status_from,
)
from .messages.diagnostics import OK, seconds_text, Status, WARN
from .parameters import TargetParameters
from .plan_worker import PlanWorker
from .same_site import check_same_site
from .steady_rows import steadied
from .wire import (
    DUMP_DEPTH,
    event_qos,
    latched_qos,
    POSE_DEPTH,
    POSE_TYPES,
    sensor_qos,
    wire_types,
)
from ..books.profile import CrestProfile
from ..books.rows import Row
from ..design import Site
from ..errors import MessageError
from ..findings import Severity
from ..geometry import Pose2, StampedPose
from ..site_source import load_site
from ..survey.gates import same_frame
from ..targeting import Ground, NoTarget, ReadyChoice, Target
from ..targeting.landing import Landings
from ..targeting.loads import with_stretches

# How often freshness is looked at while nothing comes in.
WATCH_PERIOD_S = 0.5
LOG_PERIOD_S = 5.0
# What must have come in before a target is given.
NEEDED = {'segments': PointCloud2, 'no_go': OccupancyGrid, 'rework': DiagnosticArray}
# The crest tells where within a segment a load is missed most, the borrow side whether there is
# soil for one; the work can go on without.
LATCHED = {**NEEDED, 'crest': PointCloud2, 'borrow': DiagnosticArray, 'site_file': String}
# A ledger that does not tell its site file is believed; one that has another is not.
JUDGED = ('site_file', *NEEDED)


class TargetNode(ManagedNode[TargetParameters]):
    """
    Gives the next dump target of one site.

    Parameters
    ----------
    choose : callable, optional
        Makes the choice, as ``targeting.choose_target``; left out, with a plan kept ready that is
        made anew on a thread of its own.
    steady_s : callable
        Steady clock [s].
    **options
        Passed on to ``rclpy.node.Node``.

    """

    def __init__(
        self, *, choose: Callable[..., Target | NoTarget] | None = None,
        steady_s: Callable[[], float] = time.monotonic, **options: Any,
    ) -> None:
        """Declare the parameters; the site is read when the node is configured."""
        super().__init__('target', TargetParameters, **options)
        self._choose = choose or ReadyChoice(PlanWorker(self._wake))
        self._steady_s = steady_s
        self._waker: Any = None
        self._waker_lock = Lock()
        self._site: Site | None = None
        self._site_text = ''
        self._intake: Intake | None = None
        self._watch: Any = None
        self._offers: list[Any] = []
        self._types = wire_types()
        self._forget()

    def _forget(self) -> None:
        """Know nothing."""
        self._receipts: dict[str, Receipt] = {}
        self._unread: dict[str, str] = {}
        self._rows: tuple[Row, ...] = ()
        self._crest: tuple[CrestProfile, ...] = ()
        self._ground: Ground | None = None
        self._robot: StampedPose | None = None
        self._hold_text: str | None = None
        self._blind_text = ''
        self._drum: str | None = None
        self._stale: str | None = None
        self._shown: Pose2 | None = None
        self._offered: Target | None = None
        self._told: Target | NoTarget | None = None
        self._landings = Landings()

    @property
    def site(self) -> Site:
        """Return the site."""
        assert self._site is not None
        return self._site

    def set_up(self) -> None:
        """Read the site, offer topics and services."""
        loaded = load_site(self.parameters.site_file)
        self._site, self._site_text = loaded.site, loaded.text
        qos = latched_qos()
        self._pose_out = self.create_publisher(PoseStamped, 'target_pose', qos)
        self._path_out = self.create_publisher(Path, 'target_path', qos)
        self._status_out = self.create_publisher(DiagnosticStatus, 'target', qos)
        self._health_out = self.create_publisher(DiagnosticArray, '/diagnostics', qos)
        self._offers = [
            self.create_service(Trigger, '~/next_target', self._next_target),
            self.create_service(GetPlan, '~/plan_approach', self._plan_approach)]
        self.get_logger().info(f'targets of {self.parameters.site_file}')

    def start(self) -> None:
        """Subscribe and say that there is no target yet."""
        self._forget()
        self._intake = Intake(self, self._on_message)
        for name, kind in LATCHED.items():
            self._intake.subscribe(name, kind, name, latched_qos())
        self._intake.subscribe(
            'pose', POSE_TYPES[self.parameters.pose_type], 'pose', sensor_qos(POSE_DEPTH))
        self._intake.subscribe(
            'dump', Float32, 'dump', event_qos(DUMP_DEPTH), weaker_qos=sensor_qos(DUMP_DEPTH))
        self._watch = self.create_timer(
            WATCH_PERIOD_S, self._look_at_the_clock,
            clock=Clock(clock_type=ClockType.STEADY_TIME))
        self._waker = self.create_guard_condition(self._decide_and_show)
        self._show_no_pose()
        self._decide_and_show()

    def stop(self) -> None:
        """End subscriptions and timer; take the target back."""
        if self._intake is not None:
            self._intake.close()
            self.destroy_timer(self._watch)
            with self._waker_lock:
                self.destroy_guard_condition(self._waker)
                self._waker = None
            self._intake = self._watch = None
            self._show(NoTarget('stale', 'the target node is not active'))

    def tear_down(self) -> None:
        """Take topics and services away."""
        for service in self._offers:
            self.destroy_service(service)
        if self._offers:
            for publisher in (
                    self._pose_out, self._path_out, self._status_out, self._health_out):
                self.destroy_publisher(publisher)
        self._offers = []
        self._site = None

    # ---- what comes in -----------------------------------------------------------------------

    def _on_message(self, kind: str, msg: Any) -> None:
        """Take one message; new segments, a hold, and the end of the soil make a new choice."""
        if kind == 'dump':
            self._on_dump()
            return
        before = self._hold_text, self._drum
        try:
            stamp_ns = 0 if kind == 'site_file' else stamp_ns_from(msg.header)
            self._take(kind, msg)
        except MessageError as exc:
            self.get_logger().warning(f'{kind}: {exc}', throttle_duration_sec=LOG_PERIOD_S)
            said = str(exc) if kind == 'site_file' else f'{kind} cannot be used: {exc}'
            self._unread[kind] = said
            if kind in JUDGED:
                self._decide_and_show()
            return
        self._unread.pop(kind, None)
        self._receipts[kind] = Receipt(self._steady_s(), stamp_ns)
        if kind == 'segments' or (self._hold_text, self._drum) != before:
            self._decide_and_show()

    def _on_dump(self) -> None:
        """Compare a dump with the target handed out before it, by the last pose."""
        if not self._landings.add_dump(self._offered, self._robot, self.site.rover):
            return
        if caution := self._dump_caution():
            self.get_logger().warning(caution)
        self._decide_and_show()
        self._show_health()

    def _take(self, kind: str, msg: Any) -> None:
        """Keep what a message says."""
        if kind == 'segments':
            rows = rows_from_segments_cloud(msg, self.site)
            self._rows = steadied(with_stretches(self.site, rows, self._crest), self._rows)
        elif kind == 'crest':
            self._crest = profiles_from_crest_cloud(msg, self.site)
        elif kind == 'site_file':
            check_same_site(msg.data, self._site_text)
        elif kind == 'no_go':
            self._check_frame(kind, msg.header.frame_id)
            self._ground = Ground(*blocked_from_occupancy_grid(msg))
        elif kind == 'rework':
            on_hold, text = hold_from_rework(msg)
            self._hold_text = text if on_hold else None
            self._blind_text = blind_text_from_rework(msg)
        elif kind == 'borrow':
            self._drum = drum_where_closed([status_from(item) for item in msg.status])
        else:
            self._robot = self._in_site_frame(pose_from_msg(msg))

    def _in_site_frame(self, pose: StampedPose) -> StampedPose:
        """Refuse a pose of another frame."""
        self._check_frame('pose', pose.frame_id)
        return pose

    def _check_frame(self, what: str, frame_id: str) -> None:
        """Refuse another frame than the site's."""
        if not same_frame(frame_id, self.site.frame):
            msg = (f'the {what} is in frame {frame_id}, the site file says {self.site.frame}; '
                   f'publish it in that frame')
            raise MessageError(msg)

    # ---- the choice --------------------------------------------------------------------------

    def _stale_now(self) -> str | None:
        """Say what is missing or stale at this moment."""
        if self._intake is None:
            return 'the target node is not active'
        return self._unusable() or stale_text(
            now_s=self._steady_s(), ledger_there=self.count_publishers('segments') > 0,
            books_timeout_s=self.parameters.books_timeout_s,
            pose_timeout_s=self.parameters.pose_timeout_s,
            **{name: self._receipts.get(name) for name in (*NEEDED, 'pose')}) or (
                self._blind_text) or (
                None if self._robot is None else uncertain_text(self._robot))

    def _unusable(self) -> str | None:
        """Say which input came and cannot be used; a pose that cannot matters once none can."""
        pose = self._receipts.get('pose')
        fresh = pose is not None and (
            self._steady_s() - pose.received_s <= self.parameters.pose_timeout_s)
        kinds = JUDGED if fresh else (*JUDGED, 'pose')
        return next((self._unread[kind] for kind in kinds if kind in self._unread), None)

    def _decide(self, stale: str | None, robot: Pose2 | None = None) -> Target | NoTarget:
        """Choose for a robot pose, that of the last message where none is given."""
        if robot is None and self._robot is not None:
            robot = self._robot.pose
        return as_soil_allows(self._choose(
            self.site, self._rows, self._ground, robot, hold_text=self._hold_text,
            stale_text=stale), self._drum)

    def _decide_and_show(self) -> None:
        """Choose and publish the choice."""
        self._stale = self._stale_now()
        self._show(self._decide(self._stale))

    def _wake(self) -> None:
        """Have the choice made again, by the executor; called on the thread that made a plan."""
        with self._waker_lock:
            if self._waker is not None:
                self._waker.trigger()

    def _look_at_the_clock(self) -> None:
        """Take the target back when something has gone stale; choose again when it is fresh."""
        self._show_health()
        if not same_reason(self._stale_now(), self._stale):
            self._decide_and_show()

    # ---- what goes out -----------------------------------------------------------------------

    def _show(self, choice: Target | NoTarget) -> None:
        """Publish the choice; pose and path only when they change."""
        self._told = choice
        self._offered = choice if isinstance(choice, Target) else None
        stamp_ns = max((receipt.stamp_ns for receipt in self._receipts.values()), default=0)
        pose = choice.pose if isinstance(choice, Target) else None
        if pose != self._shown:
            self._shown = pose
            self._show_path(choice, stamp_ns)
            if pose is None:
                self._show_no_pose()
            else:
                msg = PoseStamped()
                fill_pose(msg, StampedPose(stamp_ns, self.site.frame, pose))
                self._pose_out.publish(msg)
        values: dict[str, object] = {
            f'{name}_stamp_s': seconds_text(self._receipts[name].stamp_ns)
            for name in ('segments', 'pose') if name in self._receipts}
        values.update(self._dump_values())
        status = DiagnosticStatus()
        fill_target_status(
            status, segment=choice.segment, berm=choice.berm, reason=choice.reason,
            loads_remaining=loads_left(self._rows), on_hold=self._hold_text is not None,
            types=self._types, values={**target_values(choice), **values},
            caution=self._dump_caution())
        if isinstance(choice, NoTarget) and choice.code == 'stale':
            status.level = DiagnosticStatus.STALE
        self._status_out.publish(status)

    def _dump_caution(self) -> str:
        """Return what is wrong with the last dump; empty when nothing is."""
        last = self._landings.last
        return last.text if last is not None and last.severity > Severity.NOTE else ''

    def _dump_values(self) -> dict[str, object]:
        """Return how the last dump fell, once there was one after a target."""
        last = self._landings.last
        return {} if last is None else {
            'last_dump': last.code, 'last_dump_stamp_s': seconds_text(last.stamp_ns)}

    def _show_health(self) -> None:
        """Publish what is wrong with the inputs, and how the last dump fell."""
        stale, last = self._stale, self._landings.last
        name = f'{self.get_fully_qualified_name()}: '.lstrip('/')
        statuses = [
            Status(f'{name}inputs', stale or 'fresh', OK if stale is None else WARN),
            Status(f'{name}last dump', 'none after a target' if last is None else last.text,
                   WARN if self._dump_caution() else OK, self._dump_values())]
        stamp_ns = max((receipt.stamp_ns for receipt in self._receipts.values()), default=0)
        msg = DiagnosticArray()
        fill_diagnostics(msg, statuses, stamp_ns=stamp_ns, types=self._types)
        self._health_out.publish(msg)

    def _show_path(self, choice: Target | NoTarget, stamp_ns: int) -> None:
        """Publish the run-up; an empty path where there is no target."""
        path = Path()
        fill_path(path, approach_poses(choice), frame_id=self.site.frame, stamp_ns=stamp_ns,
                  types=self._types)
        self._path_out.publish(path)

    def _show_no_pose(self) -> None:
        """Publish that there is no target pose."""
        msg = PoseStamped()
        fill_no_pose(msg, self.site.frame, self._receipts['segments'].stamp_ns
                     if 'segments' in self._receipts else 0)
        self._pose_out.publish(msg)

    # ---- services ----------------------------------------------------------------------------

    def _next_target(self, _request: Any, answer: Trigger.Response) -> Trigger.Response:
        """Answer with the target as one line of JSON; what was published last is not again."""
        self._stale = self._stale_now()
        choice = self._decide(self._stale)
        if choice is not self._told:
            self._show(choice)
        self._landings.hand_out(choice)
        answer.success = isinstance(choice, Target)
        answer.message = target_json(choice, self._rows)
        return answer

    def _plan_approach(
        self, request: GetPlan.Request, answer: GetPlan.Response
    ) -> GetPlan.Response:
        """Answer with the run-up for a robot pose; an empty path where there is none."""
        robot = None
        if request.start.header.frame_id:
            try:
                robot = self._in_site_frame(pose_from_msg(request.start)).pose
            except MessageError as exc:
                self.get_logger().warning(f'plan_approach: {exc}')
                return answer
        # Nothing is published here: what is stale since is left to the clock to tell.
        choice = self._decide(self._stale_now(), robot)
        self._landings.hand_out(choice)
        stamp_ns = self._receipts['segments'].stamp_ns if 'segments' in self._receipts else 0
        fill_path(answer.plan, approach_poses(choice), frame_id=self.site.frame,
                  stamp_ns=stamp_ns, types=self._types)
        return answer
