# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The node `yard` in step with ledger and target, over real topics in one process."""

from functools import partial

from berm_ledger.geometry import Pose2
from berm_ledger.site_source import load_site
from berm_ledger.targeting import NoTarget, Target
from ledger_kit import FakePipeline, SITE_TEXT
import pytest
from ros_kit import World

LOADS = 2


def choose(_site, rows, ground, robot, *, hold_text, stale_text):
    """Want two loads on segment 1."""
    if stale_text:
        return NoTarget('stale', stale_text)
    if rows[0].dumps_made >= LOADS:
        return NoTarget('done', 'no segment calls for another load')
    pose = Pose2(2.25, 1.25, 1.570796)
    return Target('west', 0, 1, pose, pose @ Pose2(-0.5, 0.0), (2.25, 2.0), 0.25, 0.0,
                  LOADS - rows[0].dumps_made, reason='segment 1 is low')


@pytest.fixture
def world(ros_context):
    with World(ros_context) as made:
        yield made


class Doubtful(FakePipeline):
    """Takes no grid before a pose has come, as the real one."""

    def add_grid(self, grid):
        if self._pose is None:
            return self.refuse('no_pose', 'a grid came before any usable pose')
        return super().add_grid(grid)


class Demo:
    """Yard, ledger and target on one executor."""

    def __init__(self, world, folder, **yard_parameters):
        from berm_ledger.ros.ledger import LedgerNode
        from berm_ledger.ros.target import TargetNode
        from berm_ledger.ros.yard import YardNode
        site_file = folder / 'site.yaml'
        site_file.write_text(SITE_TEXT)
        self.world, self.site = world, load_site(site_file).site
        self.make_ledger = partial(LedgerNode, make_pipeline=Doubtful, **options(
            world, site_file=str(site_file), books_file=str(folder / 'b.sqlite')))
        self.ledger = self.make_ledger()
        self.target = TargetNode(
            choose=choose, **options(world, site_file=str(site_file), books_timeout_s=3600.0))
        self.yard = YardNode(**options(world, site_file=str(site_file), **yard_parameters))
        world.add(self.yard)

    def join(self):
        for node in (self.ledger, self.target):
            self.world.add(node)
            assert node.start_by_itself()

    def ended(self):
        self.yard.tick()
        return self.yard.finished


def options(world, **values):
    from rclpy.parameter import Parameter
    return {'context': world.context,
            'parameter_overrides': [Parameter(n, value=v) for n, v in values.items()]}


def test_it_works_in_step_until_the_target_node_says_done(world, tmp_path):
    demo = Demo(world, tmp_path)
    demo.join()

    world.until(demo.ended)

    assert demo.yard.exit_code == 0
    assert demo.yard.loop.loads == LOADS
    truth = demo.yard.loop.yard.truth()
    assert len(truth['dumps']) == LOADS
    assert len(truth['intrusions']) == 1
    inputs = demo.ledger.pipeline.inputs
    assert inputs.count('dump') == LOADS
    # Every grid was seen, and each dump has the pose before it.
    assert inputs.count('elevation') > 20
    assert all(inputs[n - 1] == 'pose' for n, kind in enumerate(inputs) if kind == 'dump')
    demo.ledger.close()
    demo.target.close()


def test_a_ledger_that_is_started_anew_meanwhile_does_not_end_the_work(
        world, tmp_path, monkeypatch):
    monkeypatch.setattr('berm_ledger.ros.yard.RETRY_S', 0.2)
    demo = Demo(world, tmp_path)
    demo.join()
    world.until(lambda: demo.ended() or (
        demo.yard.loop.loads == 1 and demo.yard._wait.what.startswith('segments after elevation')))

    world.drop(demo.ledger)
    demo.ledger = world.add(demo.make_ledger())
    assert demo.ledger.start_by_itself()
    world.until(demo.ended)

    assert demo.yard.exit_code == 0
    assert demo.yard.loop.loads == LOADS


def test_a_ledger_that_does_not_answer_ends_the_work_with_exit_code_1(world, tmp_path):
    demo = Demo(world, tmp_path, answer_timeout_s=1.0)

    world.until(demo.ended)

    assert demo.yard.exit_code == 1
    demo.ledger.close()
    demo.target.close()
