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
from .freshness import same_reason
from .intake import Intake, type_name
from .last_load import as_soil_allows
from .managed import ManagedNode
from .messages import (
    fill_diagnostics,
    fill_no_pose,
    fill_path,
    fill_pose,
    fill_target_status,
    pose_from_msg,
)
from .messages.diagnostics import OK, seconds_text, Status, WARN
from .parameters import TargetParameters
from .plan_worker import PlanWorker
from .target_inputs import JUDGED, TargetInputs
from .wire import (
    count_publishers,
    DUMP_DEPTH,
    event_qos,
    latched_publishers,
    latched_qos,
    POSE_DEPTH,
    POSE_TYPES,
    sensor_qos,
    wire_types,
)
from ..design import Site
from ..errors import MessageError
from ..findings import Severity
from ..geometry import Pose2, StampedPose
from ..site_source import load_site
from ..targeting import NoTarget, ReadyChoice, Target
from ..targeting.landing import Landings

# How often freshness is looked at while nothing comes in.
WATCH_PERIOD_S = 0.5
LOG_PERIOD_S = 5.0
# The crest tells where within a segment a load is missed most, the borrow side whether there is
# soil for one; the work can go on without.
LATCHED = {'segments': PointCloud2, 'no_go': OccupancyGrid, 'rework': DiagnosticArray,
           'crest': PointCloud2, 'borrow': DiagnosticArray, 'site_file': String}


class TargetNode(ManagedNode[TargetParameters]):
    """
    Gives the next dump target of one site.

    Parameters
    ----------
    choose : callable, optional
        Makes the choice, as ``targeting.ReadyChoice``; left out, with a plan kept ready that is
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
        self._known: TargetInputs | None = None
        self._intake: Intake | None = None
        self._watch: Any = None
        self._offers: list[Any] = []
        self._types = wire_types()
        self._forget()

    def _forget(self) -> None:
        """Have shown nothing and handed out nothing."""
        self._stale: str | None = None
        self._shown: Pose2 | None = None
        self._offered: Target | None = None
        self._told: Target | NoTarget | None = None
        self._landings = Landings()

    @property
    def known(self) -> TargetInputs:
        """Return what came in."""
        assert self._known is not None
        return self._known

    @property
    def site(self) -> Site:
        """Return the site."""
        return self.known.site

    def set_up(self) -> None:
        """Read the site, offer topics and services."""
        self._known = TargetInputs(load_site(self.parameters.site_file))
        create_publisher = latched_publishers(self)
        self._pose_out = create_publisher(PoseStamped, 'target_pose')
        self._path_out = create_publisher(Path, 'target_path')
        self._status_out = create_publisher(DiagnosticStatus, 'target')
        self._health_out = create_publisher(DiagnosticArray, '/diagnostics')
        self._offers = [
            self.create_service(Trigger, '~/next_target', self._next_target),
            self.create_service(GetPlan, '~/plan_approach', self._plan_approach)]
        self.get_logger().info(f'targets of {self.parameters.site_file}')

    def start(self) -> None:
        """Subscribe and say that there is no target yet."""
        self._known = TargetInputs(self.known.loaded)
        self._forget()
        self._intake = self._listening()
        self._watch = self.create_timer(
            WATCH_PERIOD_S, self._look_at_the_clock,
            clock=Clock(clock_type=ClockType.STEADY_TIME))
        self._waker = self.create_guard_condition(self._decide_and_show)
        self._show_no_pose()
        self._decide_and_show()

    def _listening(self) -> Intake:
        """Subscribe."""
        intake = Intake(self, self._on_message)
        for name, kind in LATCHED.items():
            intake.subscribe(name, kind, name, latched_qos())
        intake.subscribe(
            'pose', POSE_TYPES[self.parameters.pose_type], 'pose', sensor_qos(POSE_DEPTH))
        intake.subscribe(
            'dump', Float32, 'dump', event_qos(DUMP_DEPTH), weaker_qos=sensor_qos(DUMP_DEPTH))
        return intake

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
        self._known = None

    # ---- what comes in -----------------------------------------------------------------------

    def _on_message(self, kind: str, msg: Any) -> None:
        """Take one message; what it changes of the books, hold or soil makes a new choice."""
        if kind == 'dump':
            self._on_dump()
            return
        before = self.known.hold_text, self.known.drum
        try:
            self.known.take(kind, msg, self._steady_s())
        except MessageError as exc:
            self.get_logger().warning(f'{kind}: {exc}', throttle_duration_sec=LOG_PERIOD_S)
            if kind in JUDGED:
                self._decide_and_show()
            return
        if kind in ('segments', 'site_file') or (self.known.hold_text, self.known.drum) != before:
            self._decide_and_show()

    def _on_dump(self) -> None:
        """Compare a dump with the target handed out before it, by the last pose."""
        if not self._landings.add_dump(self._offered, self.known.robot, self.site.rover):
            return
        if caution := self._dump_caution():
            self.get_logger().warning(caution)
        self._decide_and_show()
        self._show_health()

    # ---- the choice --------------------------------------------------------------------------

    def _stale_now(self) -> str | None:
        """Say what is missing or stale at this moment."""
        if self._intake is None:
            return 'the target node is not active'
        self.known.note_ledgers(
            count_publishers(self, 'segments', type_name(PointCloud2)),
            tells_site_file=count_publishers(self, 'site_file', type_name(String)) > 0)
        return self.known.stale_text(
            self._steady_s(), books_timeout_s=self.parameters.books_timeout_s,
            pose_timeout_s=self.parameters.pose_timeout_s, name_of=self.resolve_topic_name,
            mistaken_pose=(
                '' if 'pose' in self.known.receipts else self._intake.mistaken_type('pose')))

    def _decide(self, stale: str | None, robot: Pose2 | None = None) -> Target | NoTarget:
        """Choose for a robot pose, that of the last message where none is given."""
        known = self.known
        if robot is None and known.robot is not None:
            robot = known.robot.pose
        return as_soil_allows(self._choose(
            known.site, known.rows, known.ground, robot, hold_text=known.hold_text,
            stale_text=stale), known.drum)

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
        stale = self._stale_now()
        if self._intake is not None and self.known.is_to_be_heard_anew:
            # The ground, and what else is told once, may be that of the other one.
            self._intake.close()
            self._known, self._intake = TargetInputs(self.known.loaded), self._listening()
        if not same_reason(stale, self._stale):
            self._decide_and_show()

    # ---- what goes out -----------------------------------------------------------------------

    def _show(self, choice: Target | NoTarget) -> None:
        """Publish the choice; pose and path only when they change."""
        self._told = choice
        self._offered = choice if isinstance(choice, Target) else None
        stamp_ns, receipts = self.known.stamp_ns, self.known.receipts
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
            f'{name}_stamp_s': seconds_text(receipts[name].stamp_ns)
            for name in ('segments', 'pose') if name in receipts}
        values.update(self._dump_values())
        status = DiagnosticStatus()
        fill_target_status(
            status, segment=choice.segment, berm=choice.berm, reason=choice.reason,
            loads_remaining=loads_left(self.known.rows), on_hold=self.known.hold_text is not None,
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
        msg = DiagnosticArray()
        fill_diagnostics(msg, statuses, stamp_ns=self.get_clock().now().nanoseconds,
                         types=self._types)
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
        fill_no_pose(msg, self.site.frame, self.known.books_stamp_ns)
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
        answer.message = target_json(choice, self.known.rows)
        return answer

    def _plan_approach(
        self, request: GetPlan.Request, answer: GetPlan.Response
    ) -> GetPlan.Response:
        """Answer with the run-up for a robot pose; an empty path where there is none."""
        robot = None
        if request.start.header.frame_id:
            try:
                robot = self.known.in_site_frame(pose_from_msg(request.start)).pose
            except MessageError as exc:
                self.get_logger().warning(f'plan_approach: {exc}')
                return answer
        # Nothing is published here: what is stale since is left to the clock to tell.
        choice = self._decide(self._stale_now(), robot)
        self._landings.hand_out(choice)
        fill_path(answer.plan, approach_poses(choice), frame_id=self.site.frame,
                  stamp_ns=self.known.books_stamp_ns, types=self._types)
        return answer
