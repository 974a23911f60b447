# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Rules that hold for every source file: licence, length, nothing left open."""

from pathlib import Path
import re

import pytest

ROOT = Path(__file__).resolve().parents[2]
HEADER = [
    '# Copyright 2026 The berm_ledger authors',
    '# SPDX-License-Identifier: Apache-2.0',
]
LONGEST_MODULE = 400

# Put together here, so that this file does not find itself.
OPEN_WORK = re.compile('|'.join((
    r'\b' + 'TO' + r'DO\b', r'\b' + 'FIX' + r'ME\b', r'\b' + 'X' + r'XX\b',
    'NotImplemented' + 'Error', 'pragma' + ': no cover',
)))
MACHINE_PATH = re.compile(r'(?<![\w./:}])/(?:' + 'root|home|work|Users' + r')/\w')


def source_files(*folders: str) -> list[Path]:
    return [path for folder in folders for path in sorted((ROOT / folder).rglob('*.py'))]


def relative(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


PACKAGE = source_files('berm_ledger')
PYTHON = [ROOT / 'setup.py', *source_files('berm_ledger', 'launch', 'test')]
SCRIPTS = [path for path in sorted((ROOT / '.ci').iterdir()) if path.is_file()]
CONFIG = [path for path in sorted((ROOT / 'config').rglob('*'))
          if path.is_file() and path.suffix != '.mcap']


def test_there_is_something_to_look_at() -> None:
    assert len(PACKAGE) > 15
    assert len(PYTHON) > len(PACKAGE) + 5
    assert SCRIPTS


@pytest.mark.parametrize('path', PYTHON + SCRIPTS, ids=relative)
def test_file_begins_with_licence(path: Path) -> None:
    lines = path.read_text(encoding='utf-8').splitlines()
    start = 1 if lines[0].startswith('#!') else 0
    assert lines[start:start + 2] == HEADER


@pytest.mark.parametrize('path', PACKAGE, ids=relative)
def test_module_is_not_too_long(path: Path) -> None:
    assert len(path.read_text(encoding='utf-8').splitlines()) <= LONGEST_MODULE


@pytest.mark.parametrize('path', PYTHON + SCRIPTS + CONFIG, ids=relative)
def test_nothing_is_left_open(path: Path) -> None:
    found = [line for line in path.read_text(encoding='utf-8').splitlines()
             if OPEN_WORK.search(line) or MACHINE_PATH.search(line)]
    assert found == []


@pytest.mark.parametrize('line', [
    '# TO' + 'DO: later', 'raise NotImplemented' + 'Error', 'x = 1  # pragma' + ': no cover',
])
def test_open_work_is_recognised(line: str) -> None:
    assert OPEN_WORK.search(line)


def test_machine_path_is_recognised() -> None:
    assert MACHINE_PATH.search('open("/ho' + 'me/somebody/site.yaml")')
    assert not MACHINE_PATH.search('share/berm_ledger/config/ho' + 'me/x')
