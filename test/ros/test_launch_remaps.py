# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the launch file hands to each node, read with stand-ins for the modules of launch."""

from pathlib import Path
import runpy
import sys
from types import ModuleType

import pytest

LAUNCH = Path(__file__).resolve().parents[2] / 'launch'


@pytest.fixture
def nodes(monkeypatch):
    """Return the options of the nodes that ledger.launch.py starts, by their names."""
    started = {}

    def node(**options):
        started[options['name']] = options

    stand_ins = {
        'launch': {'LaunchDescription': list},
        'launch.actions': {'DeclareLaunchArgument': lambda name, **_: name},
        'launch.substitutions': {'LaunchConfiguration': lambda name: f'<{name}>'},
        'launch_ros': {},
        'launch_ros.actions': {'Node': node},
        'launch_ros.parameter_descriptions': {'ParameterValue': lambda value, **_: value},
    }
    for name, content in stand_ins.items():
        module = ModuleType(name)
        vars(module).update(content)
        monkeypatch.setitem(sys.modules, name, module)
    runpy.run_path(str(LAUNCH / 'ledger.launch.py'))['generate_launch_description']()
    return started


@pytest.mark.parametrize(('name', 'topics'), [
    ('ledger', {'pose', 'elevation', 'dump', 'drum_current'}), ('target', {'pose', 'dump'})])
def test_every_topic_with_an_argument_is_the_argument_s_for_each_node(nodes, name, topics):
    assert dict(nodes[name]['remappings']) == {topic: f'<{topic}_topic>' for topic in topics}
