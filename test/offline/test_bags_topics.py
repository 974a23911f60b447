# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which topics are taken, and what is said when none or more than one can be meant."""

from pathlib import Path
import re

from berm_ledger.errors import BagError
from berm_ledger.offline.bag_topics import (
    BagTopic,
    choose_topics,
    joined_topics,
    OWN_OUTPUTS,
    ROLE_TYPES,
)
import pytest

CLOUD = 'sensor_msgs/msg/PointCloud2'
MAP = 'grid_map_msgs/msg/GridMap'
POSE = 'geometry_msgs/msg/PoseStamped'
COVARIANCE = 'geometry_msgs/msg/PoseWithCovarianceStamped'
ODOMETRY = 'nav_msgs/msg/Odometry'
MASS = 'std_msgs/msg/Float32'
TEXT = 'std_msgs/msg/String'


def names(choice):
    return tuple(
        topic and topic.name for topic in (choice.elevation, choice.pose, choice.dump))


@pytest.mark.parametrize(('topics', 'asked', 'expected'), [
    # The only ones of their types.
    ([('/top', CLOUD), ('/odom', ODOMETRY), ('/mass', MASS), ('/talk', TEXT)], {},
     ('/top', '/odom', '/mass')),
    # Names that speak go first, in any namespace.
    ([('/rover/elevation', MAP), ('/scan', CLOUD), ('/rover/pose', POSE), ('/odom', ODOMETRY),
      ('/rover/dump', MASS), ('/battery', MASS)], {},
     ('/rover/elevation', '/rover/pose', '/rover/dump')),
    # What this package's own nodes send is no input.
    ([('/map', CLOUD), ('/segments', CLOUD), ('/crest', CLOUD), ('/where', POSE),
      ('/rover/target_pose', POSE), ('/rover/borrow_pose', POSE)], {}, ('/map', '/where', None)),
    # Asked for, with or without the slash.
    ([('/a', CLOUD), ('/b', CLOUD), ('/c', POSE), ('/d', COVARIANCE)],
     {'elevation': 'b', 'pose': '/d'}, ('/b', '/d', None)),
    # An output is taken if asked for.
    ([('/segments', CLOUD), ('/p', POSE)], {'elevation': '/segments'},
     ('/segments', '/p', None)),
    # Topics without messages are not taken where others have some.
    ([('/pose', POSE, 0), ('/odom', ODOMETRY, 5), ('/top', CLOUD, None), ('/dump', MASS, 0)], {},
     ('/top', '/odom', None)),
])
def test_choice(topics, asked, expected):
    assert names(choose_topics([BagTopic(*topic) for topic in topics], asked)) == expected


def test_no_output_of_the_ledger_can_be_taken_for_an_input():
    """By the README's table of what it publishes."""
    readme = (Path(__file__).parents[2] / 'README.md').read_text()
    rows = re.findall(r'^\| `(\w+)` \| `(\w+)/(\w+)` \|',
                      readme.split('| publishes (latched)')[1].split('\n\n')[0], re.MULTILINE)
    kinds = {kind for kinds in ROLE_TYPES.values() for kind in kinds}
    alike = {name for name, package, kind in rows if f'{package}/msg/{kind}' in kinds}
    assert {'segments', 'crest', 'borrow_pose'} <= alike <= set(OWN_OUTPUTS)


BASE = [('/elevation', CLOUD), ('/pose', POSE)]


@pytest.mark.parametrize(('topics', 'asked', 'match'), [
    ([], {}, r'no topic with messages can be the elevation \(types .*\); the bag has: none'),
    ([('/pose', POSE), ('/talk', TEXT, 3)], {},
     r'can be the elevation .* the bag has: /pose \(.*PoseStamped\), /talk \(.*String, 3 mess'),
    ([('/elevation', CLOUD)], {}, 'can be the pose'),
    ([('/elevation', CLOUD, 0), ('/pose', POSE)], {}, 'no topic with messages'),
    ([('/a', CLOUD), ('/b', MAP), ('/pose', POSE)], {},
     r'more than one topic can be the elevation: /a .*, /b .*; name one with --elevation-topic'),
    ([('/a/elevation', CLOUD), ('/b/elevation', CLOUD), ('/pose', POSE)], {}, 'more than one'),
    ([('/odom', ODOMETRY), ('/amcl', COVARIANCE), ('/top', CLOUD)], {},
     'more than one topic can be the pose: .* --pose-topic'),
    ([*BASE, ('/volts', MASS), ('/amps', MASS)], {},
     'more than one topic can be the dump: .* --dump-topic'),
    (BASE, {'dump': '/dump'}, 'no topic /dump for the dump; the bag has: /elevation'),
    (BASE, {'elevation': '/Elevation'}, 'no topic /Elevation for the elevation'),
    (BASE, {'elevation': '/pose'},
     r'/pose \(geometry.*\) cannot be the elevation: one type of sensor_msgs/msg/PointCloud2, gr'),
    (BASE, {'dump': '/pose'}, 'cannot be the dump: one type of std_msgs/msg/Float32 is'),
    ([*BASE, ('/odd', POSE), ('/odd', TEXT)], {'pose': '/odd'}, 'cannot be the pose'),
    ([*BASE, ('/dump', MASS, 0)], {'dump': '/dump'}, 'for the dump has no messages'),
])
def test_no_choice(topics, asked, match):
    with pytest.raises(BagError, match=match):
        choose_topics([BagTopic(*topic) for topic in topics], asked)


def test_topics_of_several_files_are_added_up():
    joined = joined_topics([
        [BagTopic('/b', POSE, 2), BagTopic('/a', MASS, 1)],
        [BagTopic('/b', POSE, 3, 'text'), BagTopic('/a', MASS, None)],
        [BagTopic('/b', TEXT, 1)]])
    assert joined == (
        BagTopic('/a', MASS, None), BagTopic('/b', POSE, 5, 'text'), BagTopic('/b', TEXT, 1))


def test_choice_reads_well():
    lines = choose_topics([BagTopic('/e', CLOUD, 3), BagTopic('/p', POSE)]).lines()
    assert lines == (
        'elevation: /e (sensor_msgs/msg/PointCloud2, 3 messages)',
        'pose: /p (geometry_msgs/msg/PoseStamped)', 'dump: none in the bag')


def test_the_drum_current_is_taken_by_its_name_and_is_no_dump():
    topics = [BagTopic(*pair) for pair in (
        ('/top', CLOUD), ('/odom', ODOMETRY), ('/rover/drum_current', MASS), ('/mass', MASS))]
    choice = choose_topics(topics)
    assert choice.roles() == {'/top': 'elevation', '/odom': 'pose', '/mass': 'dump',
                              '/rover/drum_current': 'drum_current'}
    assert choice.lines()[-1] == 'drum current: /rover/drum_current (std_msgs/msg/Float32)'
    without = choose_topics(topics[:3])
    assert without.dump is None
    assert len(choose_topics([*topics[:2], topics[3]]).lines()) == 3
    asked = choose_topics([*topics[:2], BagTopic('/motor', MASS), topics[3]],
                          {'dump': '/mass', 'drum_current': '/motor'})
    assert asked.roles()['/motor'] == 'drum_current'


def test_two_drum_currents_are_too_many():
    topics = [BagTopic(*pair) for pair in (
        ('/top', CLOUD), ('/odom', ODOMETRY), ('/a/drum_current', MASS),
        ('/b/drum_current', MASS))]
    with pytest.raises(BagError, match='name one with --drum-current-topic'):
        choose_topics(topics)
