# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Imports go down the ladder of rooms only, and the core knows neither ROS, files nor clocks."""

import ast
from graphlib import TopologicalSorter
from pathlib import Path
import re
import subprocess
import sys

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / 'berm_ledger'

LADDER = (
    ('errors', 'findings', 'inputs', 'kernels', 'wording'),
    ('geometry',),
    ('design',),
    ('survey',),
    ('books',),
    ('targeting', 'borrow'),
    ('updates',),
    ('pipeline',),
    ('site_source', 'streams'),  # files and standard streams, for all that is above
    ('simulation', 'offline', 'ros'),
    ('demo',),
    ('commands',),
    ('cli',),
)
RUNG = {room: rung for rung, rooms in enumerate(LADDER) for room in rooms}
CORE = frozenset(room for rooms in LADDER[:LADDER.index(('pipeline',)) + 1] for room in rooms)

# What the core may not import. books/journal.py is the one door to a file.
FORBIDDEN = re.compile(
    r'rclpy|rosbags|matplotlib|rich|launch\w*|ament_\w+|\w+_(?:msgs|srvs|interfaces)'
    r'|sqlite3|time|datetime|calendar|os|io|pathlib|shutil|tempfile|importlib|subprocess|socket'
)
JOURNAL_MAY = frozenset({'sqlite3', 'os', 'pathlib', 'io'})
FORBIDDEN_CALLS = frozenset({'open', 'print', 'input', '__import__', 'eval', 'exec'})


def module_name(path: Path) -> str:
    parts = list(path.relative_to(ROOT).with_suffix('').parts)
    return '.'.join(parts[:-1] if parts[-1] == '__init__' else parts)


MODULES = {module_name(path): path for path in sorted(PACKAGE.rglob('*.py'))}


def parse(name: str) -> ast.Module:
    return ast.parse(MODULES[name].read_text(encoding='utf-8'))


def absolute_base(name: str, is_package: bool, node: ast.ImportFrom) -> str:
    if not node.level:
        return node.module or ''
    parts = name.split('.')
    keep = len(parts) - node.level + is_package
    return '.'.join(parts[:keep] + ([node.module] if node.module else []))


def imports_of(name: str, tree: ast.Module, is_package: bool, modules: set[str]) -> set[str]:
    """Return every module imported anywhere in the tree, as an absolute name."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = absolute_base(name, is_package, node)
            inner = {f'{base}.{alias.name}' for alias in node.names} & modules
            # `from . import a` takes from the package only what is no module of it.
            found |= inner if len(inner) == len(node.names) else inner | {base}
    return found


def imported(name: str) -> set[str]:
    is_package = MODULES[name].name == '__init__.py'
    return imports_of(name, parse(name), is_package, set(MODULES))


def room_of(name: str) -> str:
    parts = name.split('.')
    return parts[1] if len(parts) > 1 else ''


def steps_up(name: str, targets: set[str]) -> list[str]:
    own = {target for target in targets if target.split('.')[0] == 'berm_ledger'}
    return sorted(target for target in own
                  if room_of(target) and RUNG[room_of(target)] > RUNG[room_of(name)])


def forbidden_imports(name: str, targets: set[str]) -> list[str]:
    tops = {target.split('.')[0] for target in targets}
    allowed = JOURNAL_MAY if name == 'berm_ledger.books.journal' else frozenset()
    return sorted(top for top in tops if FORBIDDEN.fullmatch(top) and top not in allowed)


ROOM_MODULES = [name for name in MODULES if room_of(name)]
CORE_MODULES = [name for name in ROOM_MODULES if room_of(name) in CORE]


def test_every_module_has_its_place_on_the_ladder() -> None:
    assert {room_of(name) for name in ROOM_MODULES} <= set(RUNG)
    assert imported('berm_ledger') == set()


@pytest.mark.parametrize('name', ROOM_MODULES)
def test_imports_go_down_only(name: str) -> None:
    assert steps_up(name, imported(name)) == []


def test_modules_do_not_import_each_other_in_a_circle() -> None:
    graph = {name: imported(name) & set(MODULES) - {name} for name in ROOM_MODULES}
    # The list of names a package offers stands above its modules; they do not need it.
    packages = {name for name, path in MODULES.items() if path.name == '__init__.py'}
    for name, targets in graph.items():
        targets -= {package for package in packages if name.startswith(f'{package}.')}
    tuple(TopologicalSorter(graph).static_order())


@pytest.mark.parametrize('name', CORE_MODULES)
def test_core_imports_neither_ros_nor_files_nor_clocks(name: str) -> None:
    assert forbidden_imports(name, imported(name)) == []


@pytest.mark.parametrize('name', CORE_MODULES)
def test_core_opens_and_prints_nothing(name: str) -> None:
    calls = {node.func.id for node in ast.walk(parse(name))
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert calls & FORBIDDEN_CALLS == set()


def test_core_runs_without_any_optional_package() -> None:
    # What a rover without the extras has; the command line must come up there too.
    blocked = ('rclpy', 'rosbags', 'matplotlib', 'rich', 'std_msgs', 'sensor_msgs', 'launch')
    wanted = [*CORE_MODULES, *(name for name in ('berm_ledger.cli',) if name in MODULES)]
    script = (
        'import importlib, sys\n'
        f'sys.modules.update(dict.fromkeys({blocked!r}))\n'
        f'[importlib.import_module(name) for name in {wanted!r}]\n'
    )
    command = [sys.executable, '-c', script]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_books_do_without_what_planning_takes():
    # 20 MB of the ledger node.
    code = ('import sys, berm_ledger.pipeline; '
            'print(*{"scipy.spatial", "scipy.linalg", "berm_ledger.targeting.planner"} '
            '& set(sys.modules)); '
            'from berm_ledger.targeting import *; '
            'print("scipy.spatial" in sys.modules, Planner.__module__, plan_work.__module__)')
    command = [sys.executable, '-W', 'ignore', '-c', code]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == [
        '', 'True berm_ledger.targeting.planner berm_ledger.targeting.plan']


def test_a_room_has_only_what_it_offers():
    from berm_ledger import targeting
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = targeting.nothing


@pytest.mark.parametrize(('name', 'source', 'up', 'forbidden'), [
    ('berm_ledger.survey.crest', 'from ..design import Site', [], []),
    ('berm_ledger.survey.crest', 'from ..books.rows import Row', ['berm_ledger.books.rows'], []),
    ('berm_ledger.survey.crest', 'from berm_ledger import cli', ['berm_ledger.cli'], []),
    ('berm_ledger.survey.crest', 'def f():\n    import time', [], ['time']),
    ('berm_ledger.survey.crest', 'from nav_msgs.msg import Path', [], ['nav_msgs']),
    ('berm_ledger.survey.crest', 'import os.path', [], ['os']),
    ('berm_ledger.books.ledger', 'import sqlite3', [], ['sqlite3']),
    ('berm_ledger.books.journal', 'import sqlite3', [], []),
    ('berm_ledger.books.journal', 'import time', [], ['time']),
])
def test_breaches_are_seen(
        name: str, source: str, up: list[str], forbidden: list[str]) -> None:
    known = {*MODULES, 'berm_ledger.cli', 'berm_ledger.books.rows'}
    targets = imports_of(name, ast.parse(source), False, known)
    assert steps_up(name, targets) == up
    assert forbidden_imports(name, targets) == forbidden
