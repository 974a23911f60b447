# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
REP 103 and REP 105 on the wire: frames, metres, radians, x forward, y left, z up.

What comes out is read by the definitions of the messages alone, not by our own readers.
"""

from __future__ import annotations

from collections.abc import Iterator
import math
from pathlib import Path
import re
import struct
from typing import Any

from berm_ledger.geometry import GridAxes
from berm_ledger.ros.messages import fill_point_cloud, fill_pose
from berm_ledger.survey import ElevationGrid
from ledger_kit import a_grid, a_pose, NS, SITE_TEXT
from nodes_kit import add_node
import numpy as np
import pytest
from ros_kit import World

pytest.importorskip('rclpy', reason='needs rclpy, from a ROS 2 installation or the extra ros')

ROOT = Path(__file__).resolve().parents[2]
LEFT_M, SLOPE = 0.04, math.tan(math.radians(33.0))
# Its sides lie 3 cm off the centres of cells: half a cell of shift is seen on every side.
KEEP_OUT = [[0.68, 3.18], [1.32, 3.18], [1.32, 3.72], [0.68, 3.72]]
# Not on whole metres, so that an origin that is forgotten shows.
GROUND_SITE = SITE_TEXT.replace(
    'boundary: [[0.0, 0.0], [6.0, 0.0], [6.0, 5.0], [0.0, 5.0]]',
    'boundary: [[-0.4, -0.3], [6.0, -0.3], [6.0, 5.0], [-0.4, 5.0]]') + (
    f'  keep_outs: [{{name: rack, polygon: {KEEP_OUT}}}]\ncell_m: 0.03\n')


@pytest.fixture
def world(ros_context: Any) -> Iterator[World]:
    with World(ros_context) as made:
        yield made


def listen(world: World, topics: dict[str, str]) -> dict[str, Any]:
    """Return what was heard last on latched topics, of the types ``package/Kind``."""
    from berm_ledger.ros.wire import latched_qos, message_class
    heard: dict[str, Any] = {}
    node = world.node('ear')
    for topic, kind in topics.items():
        node.create_subscription(
            message_class(kind.replace('/', '/msg/')), topic,
            lambda msg, topic=topic: heard.__setitem__(topic, msg), latched_qos())
    return heard


# ---- frames, headings ------------------------------------------------------------------------

FRAMED = {
    'segments': 'sensor_msgs/PointCloud2', 'crest': 'sensor_msgs/PointCloud2',
    'no_go': 'nav_msgs/OccupancyGrid', 'markers': 'visualization_msgs/MarkerArray',
    'target_pose': 'geometry_msgs/PoseStamped', 'target_path': 'nav_msgs/Path'}
STATUSES = {'target': 'diagnostic_msgs/DiagnosticStatus'}


def frames_of(msg: Any) -> set[str]:
    """Return every frame that a message names."""
    parts = [*getattr(msg, 'markers', ()), *getattr(msg, 'poses', ())]
    own = [msg.header.frame_id] if hasattr(msg, 'header') else []
    return {*own, *(part.header.frame_id for part in parts)}


@pytest.mark.parametrize('frame', ['map', 'odom'])
def test_everything_is_in_the_frame_of_the_site_and_headings_are_counter_clockwise(
        world: World, tmp_path: Path, frame: str) -> None:
    from geometry_msgs.msg import PoseStamped
    site = SITE_TEXT.replace('frame: map', f'frame: {frame}')
    for name in ('ledger', 'target'):
        assert add_node(
            world, tmp_path, name, site=site, **({} if name == 'ledger' else {
                'books_timeout_s': 86400.0, 'pose_timeout_s': 3600.0})).start_by_itself()
    heard = listen(world, {**FRAMED, **STATUSES})
    robot = world.node('robot')
    out = robot.create_publisher(PoseStamped, 'pose', 10)
    world.until(lambda: out.get_subscription_count() == 2)
    pose = PoseStamped()
    fill_pose(pose, a_pose(1.0))
    pose.header.frame_id = frame

    def targeted() -> bool:
        out.publish(pose)
        world.call(robot, trigger(), 'target/next_target')
        return 'target_pose' in heard and math.isfinite(heard['target_pose'].pose.position.x)

    world.until(targeted)
    world.until(lambda: set(heard) >= {*FRAMED, *STATUSES})
    world.until(lambda: heard['target_path'].poses)

    for topic in FRAMED:
        assert frames_of(heard[topic]) == {frame}, topic
    # REP 103: the heading turns the x axis of the robot, which looks forward, towards y.
    chosen, values = heard['target_pose'].pose, {
        pair.key: pair.value for pair in heard['target'].values}
    quat = chosen.orientation
    assert (quat.x, quat.y) == (0.0, 0.0)
    yaw = math.atan2(2.0 * quat.w * quat.z, 1.0 - 2.0 * quat.z ** 2)
    assert yaw == pytest.approx(float(values['yaw_rad']), abs=1e-5)
    first, last = (heard['target_path'].poses[k].pose.position for k in (0, -1))
    along = math.atan2(last.y - first.y, last.x - first.x)
    assert math.cos(yaw - along) == pytest.approx(1.0, abs=1e-6)
    # The drop point of this rover lies 0.75 m ahead of base_link.
    place = chosen.position
    landing = place.x + 0.75 * math.cos(yaw), place.y + 0.75 * math.sin(yaw)
    drop = float(values['drop_x_m']), float(values['drop_y_m'])
    assert landing == pytest.approx(drop, abs=1e-4)


def trigger() -> Any:
    """Return the type of the plain services."""
    from std_srvs.srv import Trigger
    return Trigger


def test_a_grid_in_another_frame_is_refused_with_what_to_do(
        world: World, tmp_path: Path) -> None:
    from berm_ledger.pipeline import Pipeline
    from berm_ledger.ros.wire import wire_types
    from sensor_msgs.msg import PointCloud2
    ledger = add_node(world, tmp_path, 'ledger', pipeline=Pipeline)
    assert ledger.start_by_itself()
    out = world.node('robot').create_publisher(PointCloud2, 'elevation', 10)
    heard = listen(world, {'/diagnostics': 'diagnostic_msgs/DiagnosticArray'})
    world.until(out.get_subscription_count)
    grid = PointCloud2()
    fill_point_cloud(grid, a_grid(1.0, 0.1, frame='base_link'), wire_types())
    out.publish(grid)

    def said() -> list[str]:
        return [status.message for status in heard['/diagnostics'].status
                if status.name == 'ledger: elevation' and 'refused' in status.message]

    world.until(lambda: '/diagnostics' in heard and said())
    text, = said()
    assert 'base_link' in text
    assert 'map' in text


# ---- a ridge that grows ----------------------------------------------------------------------

def ridge(stamp_s: float, height_m: float) -> ElevationGrid:
    """Return a look at a ridge a little left of the line from (2, 2) to (3, 2)."""
    axes = GridAxes((1.2, 0.8), (0.0, 0.03), (0.03, 0.0))
    xy = axes.world_from_index(np.moveaxis(np.indices((80, 88)), 0, -1).reshape(-1, 2))
    away = np.hypot(xy[:, 0] - np.clip(xy[:, 0], 2.0, 3.0), xy[:, 1] - 2.0 - LEFT_M)
    heights = np.maximum(0.0, height_m - SLOPE * away).reshape(80, 88).astype(np.float32)
    heights[0, 0] = np.nan
    return ElevationGrid(int(stamp_s * NS), 'map', axes, heights)


class Growing:
    """A real ledger that is shown a ridge of one height after the other."""

    def __init__(self, world: World, folder: Path) -> None:
        from berm_ledger.pipeline import Pipeline
        from geometry_msgs.msg import PoseStamped
        from sensor_msgs.msg import PointCloud2
        self.world, self.second = world, 10
        self.ledger = add_node(world, folder, 'ledger', site=GROUND_SITE, pipeline=Pipeline)
        assert self.ledger.start_by_itself()
        robot = world.node('robot')
        self.kinds = {'pose': PoseStamped, 'elevation': PointCloud2}
        self.out = {name: robot.create_publisher(kind, name, 10)
                    for name, kind in self.kinds.items()}
        world.until(lambda: all(out.get_subscription_count() for out in self.out.values()))

    def look(self, height_m: float, looks: int = 6) -> None:
        """Send looks at a ridge of a height, one a second, each after the last was booked."""
        from berm_ledger.ros.wire import wire_types
        for _ in range(looks):
            self.second += 1
            pose, grid = (kind() for kind in self.kinds.values())
            fill_pose(pose, a_pose(self.second))
            fill_point_cloud(grid, ridge(self.second + 0.1, height_m), wire_types())
            self.out['pose'].publish(pose)
            self.world.until(lambda: self.ledger.pipeline.stamp_ns >= self.second * NS)
            self.out['elevation'].publish(grid)
            self.world.until(lambda: self.ledger.pipeline.stamp_ns > (self.second + 0.05) * NS)


def cells_of(msg: Any) -> dict[tuple[float, float], int]:
    """Return the occupancy at each cell's centre, as nav_msgs/OccupancyGrid defines it."""
    info = msg.info
    assert (info.origin.orientation.z, info.origin.orientation.w) == (0.0, 1.0)
    assert len(msg.data) == info.width * info.height
    return {
        (info.origin.position.x + (col + 0.5) * info.resolution,
         info.origin.position.y + (row + 0.5) * info.resolution): msg.data[row * info.width + col]
        for row in range(info.height) for col in range(info.width)}


def away_from(box: list[list[float]], x_m: float, y_m: float) -> float:
    """Return the distance from a box along the axes [m], zero inside."""
    (left, low), _, (right, high), _ = box
    return math.hypot(max(left - x_m, 0.0, x_m - right), max(low - y_m, 0.0, y_m - high))


def test_the_ground_to_keep_off_lies_where_it_is_and_grows_with_the_berm(
        world: World, tmp_path: Path) -> None:
    growing = Growing(world, tmp_path)
    heard = listen(world, {'no_go': 'nav_msgs/OccupancyGrid'})
    growing.look(0.03)
    world.until(lambda: 'no_go' in heard)
    flat = cells_of(heard.pop('no_go'))

    # All of the yard is covered, and the keep-out is where the site file has it: to the cell.
    reach = [(min(side), max(side)) for side in zip(*flat)]
    assert reach[0][0] <= -0.4 < 6.0 <= reach[0][1] + 0.026
    assert reach[1][0] <= -0.3 + 0.026 < 5.0 <= reach[1][1] + 0.026
    for (x_m, y_m), value in flat.items():
        away = away_from(KEEP_OUT, x_m, y_m)
        assert value == (100 if away == 0.0 else value)
        # A cell of 5 cm that the keep-out touches at most with a corner is free.
        assert value in ({0} if away > 0.036 else {0, 100})

    growing.look(0.15)
    world.until(lambda: 'no_go' in heard)
    world.until(lambda: sum(v == 100 for v in cells_of(heard['no_go']).values()) > sum(
        v == 100 for v in flat.values()))
    built = cells_of(heard['no_go'])
    # What the wheels do not go over (clearance_m, 5 cm) of a roof of 15 cm, in closed form.
    half_width = (0.15 - 0.05) / SLOPE
    for (x_m, y_m), value in built.items():
        off = math.hypot(x_m - min(max(x_m, 2.0), 3.0), y_m - 2.0 - LEFT_M)
        if off < half_width - 0.05:
            assert value == 100
        elif off > half_width + 0.06:
            assert value == flat[x_m, y_m]

    # Latched: whoever comes later has it too.
    late = listen(world, {'no_go': 'nav_msgs/OccupancyGrid'})
    world.until(lambda: 'no_go' in late)
    assert cells_of(late['no_go']) == built
    assert late['no_go'].header.frame_id == 'map'


def points_of(cloud: Any) -> list[dict[str, float]]:
    """Return the points of a cloud by the definitions of PointCloud2 and PointField alone."""
    kind = type(cloud.fields[0])
    codes = {kind.INT8: 'b', kind.UINT8: 'B', kind.INT16: 'h', kind.UINT16: 'H', kind.INT32: 'i',
             kind.UINT32: 'I', kind.FLOAT32: 'f', kind.FLOAT64: 'd'}
    data, mark = bytes(cloud.data), '>' if cloud.is_bigendian else '<'
    assert cloud.row_step == cloud.width * cloud.point_step
    assert len(data) == cloud.row_step * cloud.height
    assert all(field.count == 1 for field in cloud.fields)
    return [
        {field.name: struct.unpack_from(
            mark + codes[field.datatype], data, start + field.offset)[0]
         for field in cloud.fields}
        for start in range(0, len(data), cloud.point_step)]


def test_any_reader_of_point_clouds_can_read_the_table(world: World, tmp_path: Path) -> None:
    growing = Growing(world, tmp_path)
    heard = listen(world, {'segments': 'sensor_msgs/PointCloud2'})
    growing.look(0.15, looks=4)
    world.until(lambda: 'segments' in heard and heard['segments'].header.stamp.sec == 14)
    points = points_of(heard['segments'])

    assert [(p['berm'], p['segment']) for p in points] == [(0, 1), (0, 2)]
    assert [(p['x'], p['y'], p['z']) for p in points] == [
        pytest.approx((2.25, 2.0, 0.20), abs=1e-6), pytest.approx((2.75, 2.0, 0.20), abs=1e-6)]
    for point in points:
        assert point['target_height'] == pytest.approx(0.20)
        assert point['height'] == pytest.approx(0.15, abs=0.002)
        assert point['deficit_height'] == pytest.approx(0.05, abs=0.002)
        # REP 103: left is positive.
        assert point['line_offset'] == pytest.approx(LEFT_M, abs=0.005)
        assert point['state'] == 1
        assert point['coverage'] == 1.0
        # Seen by the last look, though that one said nothing new.
        assert 0.0 <= point['age'] < 1.0
    # What viewers need, and the README's list of fields.
    assert [f.name for f in heard['segments'].fields][:3] == ['x', 'y', 'z']
    readme = (ROOT / 'README.md').read_text(encoding='utf-8')
    listed, = re.findall(r'Fields of `segments`: (.*?)\n\n', readme, re.DOTALL)
    names = [name for name in re.findall(r'`(\w+)`', listed) if not name.isupper()]
    assert sorted(names) == sorted(points[0])
    counts = {name for name in points[0] if isinstance(points[0][name], int)}
    assert counts == {'segment', 'berm', 'dumps_remaining', 'dumps_made', 'state'}
