# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The top level of the repository shows what its reader needs, and nothing else."""

from pathlib import Path
import subprocess

import pytest

ROOT = Path(__file__).resolve().parents[2]
VISIBLE = {
    'README.md', 'DEVELOPERS.md', 'package.xml', 'setup.py',
    'berm_ledger', 'launch', 'config', 'test',
}


@pytest.fixture(scope='module')
def tracked_files() -> list[str]:
    if not (ROOT / '.git').exists():
        pytest.skip('not a git checkout')
    command = ['git', '-c', 'safe.directory=*', '-C', str(ROOT), 'ls-files', '-z']
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    except FileNotFoundError:
        pytest.skip('needs git')
    return [name for name in done.stdout.split('\0') if name]


def test_visible_top_level_is_exactly_as_agreed(tracked_files: list[str]) -> None:
    tops = {name.split('/')[0] for name in tracked_files}
    assert {top for top in tops if not top.startswith('.')} == VISIBLE


def test_nothing_that_is_built_is_tracked(tracked_files: list[str]) -> None:
    built = ('.pyc', '.egg-info', '.sqlite', '.mcap', '.db3')
    # The one bag that comes with the package, for a first replay.
    example = 'config/example/bag/bag.mcap'
    assert [name for name in tracked_files if name.endswith(built) and name != example] == []


def test_helpers_of_the_tests_have_names_of_their_own(tracked_files: list[str]) -> None:
    # Test files may share a name, since they are imported by path; helpers are imported by name.
    names = [Path(name).name for name in tracked_files
             if name.startswith('test/') and name.endswith('.py')]
    helpers = [name for name in names if not name.startswith('test_') and name != 'conftest.py']
    assert sorted(helpers) == sorted(set(helpers))
    assert '__init__.py' not in helpers  # a package named `test` would hide Python's own
