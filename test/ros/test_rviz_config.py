# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The RViz configuration shows what the nodes publish, with a quality of service that matches."""

from pathlib import Path
import re

import pytest
import yaml

ROOT = Path(__file__).resolve().parents[2]
CONFIG = ROOT / 'config' / 'berm_ledger.rviz'
MANAGER = yaml.safe_load(CONFIG.read_text(encoding='utf-8'))['Visualization Manager']
DISPLAYS = {d['Topic']['Value']: d for d in MANAGER['Displays'] if 'Topic' in d}

# Display of each message type in ros2/rviz, rviz_default_plugins/plugins_description.xml.
SHOWS = {
    'PointCloud2': 'rviz_default_plugins/PointCloud2',
    'MarkerArray': 'rviz_default_plugins/MarkerArray',
    'OccupancyGrid': 'rviz_default_plugins/Map',
    'PoseStamped': 'rviz_default_plugins/Pose',
    'Path': 'rviz_default_plugins/Path',
}
PUBLISHER = re.compile(r"create_publisher\((\w+), '(\w+)'")


def published() -> dict[str, str]:
    """Return topic and type of what the two nodes publish and RViz can show."""
    text = ''.join((ROOT / 'berm_ledger' / 'ros' / name).read_text(encoding='utf-8')
                   for name in ('ledger_topics.py', 'target.py'))
    return {f'/{topic}': kind for kind, topic in PUBLISHER.findall(text) if kind in SHOWS}


def test_every_topic_that_can_be_shown_is_shown_by_the_right_display() -> None:
    assert len(published()) == 7
    assert {topic: display['Class'] for topic, display in DISPLAYS.items()} == {
        topic: SHOWS[kind] for topic, kind in published().items()}


@pytest.mark.parametrize('topic', sorted(DISPLAYS))
def test_displays_get_what_was_latched(topic: str) -> None:
    given = DISPLAYS[topic]['Topic']
    assert given['Durability Policy'] == 'Transient Local'
    assert given['Reliability Policy'] == 'Reliable'
    assert given['History Policy'] == 'Keep Last'
    assert DISPLAYS[topic]['Enabled']
    assert DISPLAYS[topic]['Value']


def test_clouds_are_coloured_by_fields_that_they_have() -> None:
    from berm_ledger.ros.messages import crests, tables
    assert DISPLAYS['/segments']['Channel Name'] in tables.FIELDS
    assert DISPLAYS['/crest']['Channel Name'] in crests.FIELDS


def test_the_fixed_frame_is_that_of_the_demo() -> None:
    site = yaml.safe_load((ROOT / 'config' / 'demo_site.yaml').read_text(encoding='utf-8'))
    assert MANAGER['Global Options']['Fixed Frame'] == site['frame']
