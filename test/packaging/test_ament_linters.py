# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""ament_flake8 and ament_pep257, as they are shipped, find nothing; on bad files they do."""

from importlib.util import find_spec
from pathlib import Path
import subprocess
import sys

import pytest

ROOT = Path(__file__).resolve().parents[2]
PATHS = [name for name in ('setup.py', 'berm_ledger', 'launch', 'test')
         if (ROOT / name).is_file() or any((ROOT / name).rglob('*.py'))]

BAD_STYLE = 'import sys\nimport os\n\n\ndef f( list ):\n    x = "a"\n    print( os, sys)\n'
BAD_DOCSTRING = 'def f():\n    """returns\n    nothing"""\n'


def lint(linter: str, *paths: str, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    if find_spec(linter) is None:
        pytest.skip(f'{linter} is not installed (extra test, or a ROS 2 installation)')
    # A linter's own deprecation warnings are none of ours.
    command = [sys.executable, '-W', 'ignore', '-m', f'{linter}.main', *paths]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


@pytest.mark.parametrize('linter', ['ament_flake8', 'ament_pep257'])
def test_linter_finds_nothing(linter: str) -> None:
    done = lint(linter, *PATHS)
    problems = [line for line in (done.stdout + done.stderr).splitlines()
                if not line.startswith(('* ', 'checking '))]
    assert done.returncode == 0, '\n'.join(problems)
    assert 'No problems found' in problems


@pytest.mark.parametrize(('linter', 'source', 'codes'), [
    ('ament_flake8', BAD_STYLE, ['I100', 'E201', 'A002', 'Q000', 'F841']),
    ('ament_pep257', BAD_DOCSTRING, ['summary line and description', 'start at the second line']),
])
def test_linter_would_find_something(
        linter: str, source: str, codes: list[str], tmp_path: Path) -> None:
    (tmp_path / 'bad.py').write_text(source, encoding='utf-8')
    done = lint(linter, 'bad.py', folder=tmp_path)
    assert done.returncode == 1
    for code in codes:
        assert code in done.stdout + done.stderr
