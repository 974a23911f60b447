# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which topics of a bag are the elevation, the pose and the dumps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from ..errors import BagError
from ..inputs import DRUM_CURRENT, DUMP, ELEVATION, POSE
from ..wording import counted

POINT_CLOUD = 'sensor_msgs/msg/PointCloud2'
GRID_MAP = 'grid_map_msgs/msg/GridMap'
POSE_STAMPED = 'geometry_msgs/msg/PoseStamped'
POSE_WITH_COVARIANCE = 'geometry_msgs/msg/PoseWithCovarianceStamped'
ODOMETRY = 'nav_msgs/msg/Odometry'
MASS = 'std_msgs/msg/Float32'

# Role -> types it may have. The role is also the name looked for first, in any namespace.
ROLE_TYPES = {
    ELEVATION: (POINT_CLOUD, GRID_MAP),
    POSE: (POSE_STAMPED, POSE_WITH_COVARIANCE, ODOMETRY),
    DUMP: (MASS,),
    DRUM_CURRENT: (MASS,),
}
# Topics of this package's own nodes that have one of these types but are never an input.
OWN_OUTPUTS = ('segments', 'crest', 'target_pose', 'borrow_pose')
# Without dumps there are still books; without the others there are none.
OPTIONAL = (DUMP, DRUM_CURRENT)
# Topics of one type with others are taken by their name alone.
BY_NAME = (DRUM_CURRENT,)
MAX_LISTED = 40


@dataclass(frozen=True)
class BagTopic:
    """
    One topic of a bag.

    Parameters
    ----------
    name : str
        Name as recorded.
    kind : str
        Message type.
    count : int or None
        Number of messages; None where the bag does not say.
    definition : str
        Text of the message definition in the bag; empty where it has none.

    """

    name: str
    kind: str
    count: int | None = None
    definition: str = ''

    def line(self) -> str:
        """Return name, type and count for a person."""
        count = '' if self.count is None else f', {counted(self.count, "message")}'
        return f'{self.name} ({self.kind}{count})'


@dataclass(frozen=True)
class TopicChoice:
    """The topics used, by role; ``dump`` and ``drum_current`` may be None."""

    elevation: BagTopic
    pose: BagTopic
    dump: BagTopic | None
    drum_current: BagTopic | None = None

    def roles(self) -> dict[str, str]:
        """Return role by topic name."""
        named = ((ELEVATION, self.elevation), (POSE, self.pose), (DUMP, self.dump),
                 (DRUM_CURRENT, self.drum_current))
        return {topic.name: role for role, topic in named if topic is not None}

    def lines(self) -> tuple[str, ...]:
        """Return the choice for a person, one line per role."""
        dump = 'none in the bag' if self.dump is None else self.dump.line()
        current = () if self.drum_current is None else (
            f'drum current: {self.drum_current.line()}',)
        return (f'elevation: {self.elevation.line()}', f'pose: {self.pose.line()}',
                f'dump: {dump}', *current)

    @property
    def topics(self) -> tuple[BagTopic, ...]:
        """Topics used, in the order of the roles."""
        given = (self.elevation, self.pose, self.dump, self.drum_current)
        return tuple(topic for topic in given if topic is not None)


def joined_topics(parts: Iterable[Sequence[BagTopic]]) -> tuple[BagTopic, ...]:
    """
    Return the topics of several files as one list, sorted by name.

    Parameters
    ----------
    parts : iterable of sequence of BagTopic
        Topics of each file.

    Returns
    -------
    tuple of BagTopic
        Counts added up, None where one of them is not known.

    """
    joined: dict[tuple[str, str], BagTopic] = {}
    for topic in (topic for part in parts for topic in part):
        key = (topic.name, topic.kind)
        before = joined.get(key)
        if before is None:
            joined[key] = topic
            continue
        unknown = before.count is None or topic.count is None
        count = None if unknown else (before.count or 0) + (topic.count or 0)
        joined[key] = BagTopic(*key, count, before.definition or topic.definition)
    return tuple(joined[key] for key in sorted(joined))


def _listing(topics: Iterable[BagTopic]) -> str:
    """Return topics as one line, the first of many."""
    lines = [topic.line() for topic in topics]
    more = f' and {len(lines) - MAX_LISTED} more' if len(lines) > MAX_LISTED else ''
    return (', '.join(lines[:MAX_LISTED]) or 'none') + more


def _named(topics: Sequence[BagTopic], role: str, name: str) -> BagTopic:
    """Return the topic that was asked for, with or without its leading slash."""
    found = [t for t in topics if t.name == name] or [t for t in topics if t.name == f'/{name}']
    if not found:
        msg = f'no topic {name} for the {role}; the bag has: {_listing(topics)}'
        raise BagError(msg)
    usable = [topic for topic in found if topic.kind in ROLE_TYPES[role]]
    if len(found) > 1 or not usable:
        msg = (f'topic {_listing(found)} cannot be the {role}: one type of '
               f'{", ".join(ROLE_TYPES[role])} is needed')
        raise BagError(msg)
    if usable[0].count == 0:
        msg = f'topic {name} for the {role} has no messages'
        raise BagError(msg)
    return usable[0]


def _found(topics: Sequence[BagTopic], role: str) -> BagTopic | None:
    """Return the one topic that can be meant; a topic of the role's own name goes first."""
    fitting = [topic for topic in topics if topic.kind in ROLE_TYPES[role]
               and topic.name.rsplit('/', 1)[-1] not in OWN_OUTPUTS]
    spoken = [topic for topic in fitting if topic.count != 0]
    named = [topic for topic in spoken if topic.name.rsplit('/', 1)[-1] == role]
    others = [topic for topic in spoken if topic.name.rsplit('/', 1)[-1] not in BY_NAME]
    for candidates in (named, () if role in BY_NAME else others):
        if len(candidates) == 1:
            return candidates[0]
        if candidates:
            msg = (f'more than one topic can be the {role}: {_listing(candidates)}; name one '
                   f'with --{role.replace("_", "-")}-topic')
            raise BagError(msg)
    if role in OPTIONAL:
        return None
    msg = (f'no topic with messages can be the {role} (types {", ".join(ROLE_TYPES[role])}); the '
           f'bag has: {_listing(topics)}')
    raise BagError(msg)


def choose_topics(
    topics: Sequence[BagTopic], asked: Mapping[str, str | None] | None = None
) -> TopicChoice:
    """
    Choose the topic of each role, by name where one is given, by type otherwise.

    Parameters
    ----------
    topics : sequence of BagTopic
        What the bag has.
    asked : mapping, optional
        Name of a topic by role; None for any that fits, as for a role that is left out.

    Returns
    -------
    TopicChoice
        The choice.

    Raises
    ------
    BagError
        No such topic, one of another type, none that fits, or more than one.

    Examples
    --------
    >>> choose_topics([BagTopic('/a/elevation', POINT_CLOUD), BagTopic('/odom', ODOMETRY)]).lines()
    ('elevation: /a/elevation (sensor_msgs/msg/PointCloud2)',
     'pose: /odom (nav_msgs/msg/Odometry)', 'dump: none in the bag')

    """
    names = dict.fromkeys(ROLE_TYPES) | dict(asked or {})
    chosen = {
        role: _found(topics, role) if name is None else _named(topics, role, name)
        for role, name in names.items()}
    elevation, pose = chosen[ELEVATION], chosen[POSE]
    if elevation is None or pose is None:
        msg = f'the bag has no elevation or no pose; it has: {_listing(topics)}'
        raise BagError(msg)
    return TopicChoice(elevation, pose, chosen[DUMP], chosen[DRUM_CURRENT])
