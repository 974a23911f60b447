# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What to say when nothing, or nothing any more, comes in; knows no ROS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
import textwrap

# Health comes every second.
SILENT_S = 5.0
DISCOVERY = ('ROS_AUTOMATIC_DISCOVERY_RANGE', 'ROS_LOCALHOST_ONLY', 'ROS_STATIC_PEERS')


@dataclass(frozen=True)
class Surroundings:
    """
    Who is there.

    Parameters
    ----------
    topic : str
        Full name of the topic of the segments.
    publishers : int
        How many publish it now.
    elsewhere : tuple of str
        Namespaces in which a ledger publishes.
    silent_s : float
        How long nothing has come in from the ledger [s].
    settings : mapping
        Environment variables of ROS that decide who hears whom.

    """

    topic: str = '/segments'
    publishers: int = 1
    elsewhere: tuple[str, ...] = ()
    silent_s: float = 0.0
    settings: Mapping[str, str] = field(default_factory=dict)


def nothing_heard_lines(around: Surroundings, width: int) -> list[str]:
    """
    Say that nothing has come in yet and what to check.

    Parameters
    ----------
    around : Surroundings
        Who is there.
    width : int
        Characters in a line.

    Returns
    -------
    list of str
        Lines; the first one says what is the matter.

    """
    if around.publishers:
        head = f'{around.topic} is offered, but nothing has come in for {around.silent_s:.0f} s.'
        space = around.topic.rpartition('/')[0]
        check = ('Is the ledger active? It publishes when it has opened its books: '
                 f'ros2 lifecycle get {space}/ledger')
    else:
        head = f'Nothing publishes {around.topic} (waiting for {around.silent_s:.0f} s).'
        check = ('Is the ledger running? ros2 node list, or start it: '
                 'ros2 launch berm_ledger ledger.launch.py site_file:=SITE')
    checks = [*_elsewhere(around.elsewhere), check, *_network(around.settings)]
    return [head, '', 'What to check:', *_list(checks, width)]


def silence_text(around: Surroundings) -> str:
    """Say in one sentence that the ledger is silent or one of several; empty when all is well."""
    if not around.publishers:
        return 'THE LEDGER IS GONE: what is shown is the last that came in; is it running?'
    if around.publishers > 1:
        return (f'{around.publishers} LEDGERS publish {around.topic}, what is shown is a mixture: '
                f'stop all but one, or give each a namespace')
    if around.silent_s > SILENT_S:
        return (f'NOTHING FROM THE LEDGER for {around.silent_s:.0f} s: what is shown is old; '
                f'is it running, is the network up?')
    return ''


def one_line(around: Surroundings) -> str:
    """Return the advice as one line."""
    head, *rest = nothing_heard_lines(around, 10_000)
    return ' '.join([head, *(line.strip().removeprefix('- ') for line in rest[2:3])])


def _elsewhere(namespaces: Sequence[str]) -> list[str]:
    """Point to the ledgers that are there."""
    return [f'A ledger publishes in the namespace {name}: berm-ledger watch --namespace {name}'
            for name in namespaces]


def _network(settings: Mapping[str, str]) -> list[str]:
    """Say which settings must be the same on both sides."""
    domain = settings.get('ROS_DOMAIN_ID') or '0'
    checks = [f'Same domain? ROS_DOMAIN_ID is {domain} here; the demo prints the one it uses.']
    found = [f'{name} is {settings[name]}' for name in DISCOVERY if settings.get(name)]
    if found:
        checks.append(f'Does discovery reach the other machine? {", ".join(found)} here.')
    if settings.get('RMW_IMPLEMENTATION'):
        checks.append(f'Same middleware? {settings["RMW_IMPLEMENTATION"]} here.')
    return checks


def _list(items: Sequence[str], width: int) -> list[str]:
    """Return items as wrapped lines."""
    return [line for item in items for line in textwrap.wrap(
        item, max(20, width), initial_indent='  - ', subsequent_indent='    ')]
