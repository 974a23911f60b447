# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The nodes of this package in a namespace of a test, and what the graph says of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ledger_kit import FakePipeline, SITE_TEXT
from ros_kit import World

# One topic for all nodes of a machine, or of ROS itself.
ABSOLUTE = {'/diagnostics', '/rosout', '/parameter_events', '/clock'}
KINDS = ('publisher', 'subscriber', 'service', 'client')


def add_node(
    world: World, folder: Path, name: str, namespace: str = '', *, site: str = SITE_TEXT,
    arguments: Sequence[str] = (), pipeline: Any = FakePipeline, **parameters: Any,
) -> Any:
    """Return ``ledger``, ``target`` or ``yard``, not started; the ledger's pipeline a stand-in."""
    from berm_ledger.ros.ledger import LedgerNode
    from berm_ledger.ros.target import TargetNode
    from berm_ledger.ros.yard import YardNode
    from rclpy.parameter import Parameter
    folder.mkdir(parents=True, exist_ok=True)
    site_file = folder / 'site.yaml'
    site_file.write_text(site)
    options: dict[str, Any] = {
        'context': world.context, 'namespace': namespace, 'cli_args': list(arguments)}
    values = {'site_file': str(site_file), **parameters}
    if name == 'ledger':
        values.setdefault('books_file', str(folder / 'books.sqlite'))
        options['make_pipeline'] = pipeline
    options['parameter_overrides'] = [Parameter(n, value=v) for n, v in values.items()]
    kinds = {'ledger': LedgerNode, 'target': TargetNode, 'yard': YardNode}
    return world.add(kinds[name](**options))


def names_of(world: World, observer: Any, node: Any) -> dict[str, set[str]]:
    """Return the topics and services that a node has, by ``KINDS``, as another node sees them."""
    def seen() -> dict[str, set[str]]:
        return {kind: {name for name, _ in getattr(
            observer, f'get_{kind}_names_and_types_by_node')(
                node.get_name(), node.get_namespace())} for kind in KINDS}

    world.until(lambda: any(
        known == (node.get_name(), node.get_namespace())
        for known in observer.get_node_names_and_namespaces()))
    # What the node has made itself; the graph may tell of it a little later.
    made = {'publisher': len(list(node.publishers)), 'service': len(list(node.services))}
    world.until(lambda: all(len(seen()[kind]) >= count for kind, count in made.items()))
    return seen()
