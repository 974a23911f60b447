# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The nodes, with the real pipeline, started again after their site file was edited."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
import json
import math
from pathlib import Path
from typing import Any

from berm_ledger.books import Entry, Row
from berm_ledger.books.journal import Journal
from berm_ledger.geometry import Lattice
from berm_ledger.ros.messages import (
    blocked_from_occupancy_grid,
    fill_pose,
    rows_from_segments_cloud,
)
from berm_ledger.simulation import BuildOptions, SensorOptions, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from ledger_kit import a_pose, NS, SMALL_SITE
from nodes_kit import add_node
import numpy as np
from player_kit import Player
import pytest
from ros_kit import World

pytest.importorskip('rclpy', reason='needs rclpy, from a ROS 2 installation or the extra ros')

SHORT = BuildOptions(
    yard=YardOptions(soil_cell_m=0.02, sensor=SensorOptions(size_m=3.2, cell_m=0.03)),
    most_loads=1, final_looks=2)
ROCK = SMALL_SITE + '  keep_outs: [{name: rock, polygon: [[1, 4], [2, 4], [2, 4.5], [1, 4.5]]}]\n'
# In the middle of the rock.
ROCK_XY = (1.5, 4.25)


@contextmanager
def running(context: Any, folder: Path, text: str) -> Iterator[tuple[World, Any]]:
    """Run a ledger on the books of a folder with a site file of this text."""
    with World(context) as world:
        yield world, add_node(world, folder, 'ledger', site=text, pipeline=None)


def told_by(world: World, ledger: Any) -> tuple[tuple[Row, ...], Lattice, np.ndarray]:
    """Return the rows and the ground to keep off as a newcomer hears them."""
    from berm_ledger.ros.wire import latched_qos, message_class
    heard: dict[str, Any] = {}
    listener = world.node('listener')
    for name, kind in (('segments', 'sensor_msgs/msg/PointCloud2'),
                       ('no_go', 'nav_msgs/msg/OccupancyGrid')):
        listener.create_subscription(
            message_class(kind), name, lambda msg, name=name: heard.update({name: msg}),
            latched_qos())
    world.until(lambda: len(heard) == 2)
    return (rows_from_segments_cloud(heard['segments'], ledger.pipeline.site),
            *blocked_from_occupancy_grid(heard['no_go']))


def is_blocked(lattice: Lattice, blocked: np.ndarray, xy: tuple[float, float]) -> bool:
    row, col = np.rint(lattice.index_from_xy(np.array(xy))).astype(int)
    return bool(blocked[row, col])


def entries_in(folder: Path) -> list[Entry]:
    with Journal.read(folder / 'books.sqlite') as journal:
        return list(journal.entries())


@pytest.fixture
def built(ros_context: Any, tmp_path: Path) -> Path:
    """Return the folder of books of a build that was begun."""
    with running(ros_context, tmp_path, SMALL_SITE) as (world, ledger):
        assert ledger.start_by_itself()
        site = load_site(tmp_path / 'site.yaml').site
        Player(world, site, taken_pose_ns=lambda: ledger.pipeline.health.pose_ns).play(
            SimulatedBuild(site, seed=5, options=SHORT).events())
    return tmp_path


def test_a_keep_out_that_comes_mid_build_is_gone_on_with(ros_context: Any, built: Path) -> None:
    before = entries_in(built)
    assert {'datum', 'dump', 'reading', 'rise'} <= {entry.kind for entry in before}
    with running(ros_context, built, SMALL_SITE) as (world, ledger):
        assert ledger.start_by_itself()
        plain = told_by(world, ledger)
    assert entries_in(built) == before

    with running(ros_context, built, ROCK) as (world, ledger):
        assert ledger.start_by_itself()
        edited = told_by(world, ledger)

    assert edited[0] == plain[0]
    assert edited[0][0].dumps_made + edited[0][1].dumps_made == 1
    assert not is_blocked(*plain[1:], ROCK_XY)
    assert is_blocked(*edited[1:], ROCK_XY)
    entries = entries_in(built)
    assert entries[:-1] == before
    assert (entries[-1].kind, entries[-1].data['changes'][0]['key']) == (
        'site', 'yard.keep_outs[rock].polygon')


def test_the_log_warns_of_an_edited_file_as_it_may_be_that_of_another_site(
        ros_context: Any, built: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Where nobody names the books, sites whose files bear one name have them in common."""
    warnings = []
    for text in (SMALL_SITE, ROCK):
        capfd.readouterr()
        with running(ros_context, built, text) as (_, ledger):
            assert ledger.start_by_itself()
        warnings.append([line.partition('[ledger]: ')[2] for line in capfd.readouterr().err
                         .splitlines() if line.startswith('[WARN]') and '[ledger]: ' in line])
    assert [len(lines) for lines in warnings] == [0, 1]
    said = warnings[1][0]
    assert said.startswith(f'{built / "books.sqlite"}: the site file was changed: ')
    assert said.endswith('; if these are the books of another site, stop, and name others '
                         '(books_file)')


def test_another_height_is_refused_with_the_key(ros_context: Any, built: Path) -> None:
    before = (built / 'books.sqlite').read_bytes()
    higher = ROCK.replace('crest_height_m: 0.12', 'crest_height_m: 0.15')
    with running(ros_context, built, higher) as (_, ledger):
        assert not ledger.start_by_itself()
        assert ('berms[0].crest_height_m: 0.12 in the books, 0.15 now; what is booked rests on '
                'that') in str(ledger.fault)
    assert (built / 'books.sqlite').read_bytes() == before
    assert [path.name for path in built.glob('books*')] == ['books.sqlite']


# ---- both nodes --------------------------------------------------------------------------------

NARROW = SMALL_SITE.replace('[6.0, 5.0], [0.0, 5.0]', '[6.0, 4.75], [0.0, 4.75]')
OTHER = ('this node read another site file than the ledger: start the one with the old file '
         'again; yard.boundary[2]: [6.0, {}] at the ledger, [6.0, {}] here; ')


class Robot:
    """Stands where the last run left it and asks for targets."""

    def __init__(self, world: World, stamp_ns: int) -> None:
        from berm_ledger.ros.wire import message_class
        self.world, self.node = world, world.node('robot')
        kind = message_class('geometry_msgs/msg/PoseStamped')
        self.msg = kind()
        fill_pose(self.msg, a_pose(stamp_ns / NS))
        self.out = self.node.create_publisher(kind, 'pose', 10)

    def told(self) -> dict[str, Any]:
        """Return what the target node answers once it knows where the robot is."""
        from std_srvs.srv import Trigger
        self.world.until(self.out.get_subscription_count)
        answer: dict[str, Any] = {}

        def known() -> bool:
            self.out.publish(self.msg)
            reply = self.world.call(self.node, Trigger, 'target/next_target')
            answer.update(json.loads(reply.message))
            reason = answer['reason']
            return answer['code'] != 'planning' and not any(
                word in reason for word in ('yet', 'is the ledger running', 'ago'))

        self.world.until(known)
        return answer


@pytest.mark.parametrize(('at_ledger', 'here', 'reason'), [
    (NARROW, SMALL_SITE, OTHER.format(4.75, '5.0')),
    (SMALL_SITE, NARROW, OTHER.format('5.0', 4.75)),
    (NARROW, f'# of spring\n{NARROW}', ''),
], ids=['ledger only', 'target only', 'a comment'])
def test_the_target_is_held_back_until_both_nodes_read_one_file(
        ros_context: Any, built: Path, at_ledger: str, here: str, reason: str) -> None:
    with running(ros_context, built, at_ledger) as (world, ledger):
        assert ledger.start_by_itself()
        target = add_node(world, built / 'other', 'target', site=here)
        assert target.start_by_itself()
        robot = Robot(world, ledger.pipeline.stamp_ns)

        told = robot.told()

        assert (told['code'], told['reason'].startswith(reason)) == (
            'stale' if reason else 'target', True)
        assert math.isfinite(told['x'] or math.nan) == (not reason)
        # Once it is started again with the file of the ledger there is a target.
        world.drop(target)
        assert add_node(world, built / 'other', 'target', site=at_ledger).start_by_itself()
        assert robot.told()['code'] == 'target'
