# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What holds for every command: help, exit codes, one line for bad input, no needless imports."""

from __future__ import annotations

import argparse
from collections.abc import Callable
import errno
import os
from pathlib import Path
import shlex
import subprocess
import sys
from typing import NoReturn

from berm_ledger import cli
from berm_ledger.errors import BooksError, SiteFileError
from cli_kit import Outcome, ROOT, SITE
import pytest

Call = Callable[..., Outcome]
COMMANDS = [command.__name__.rpartition('.')[2] for command in cli.COMMANDS]


def raising(exc: BaseException) -> Callable[[argparse.Namespace], NoReturn]:
    def run(_: argparse.Namespace) -> NoReturn:
        raise exc
    return run


def python(*arguments: str, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments], cwd=folder, capture_output=True, text=True, check=False,
        env={**os.environ, 'PYTHONPATH': str(ROOT)})


def test_help_names_every_command_and_the_exit_codes(call: Call) -> None:
    done = call('--help')
    assert done.code == 0
    assert all(f'\n    {name} ' in done.out for name in COMMANDS)
    codes = ' '.join(done.out.partition('Exit codes: ')[2].split())
    assert codes == (
        '0 done, 1 judged not to specification or not all of the work can be done, 2 bad input.')


@pytest.mark.parametrize('name', COMMANDS)
def test_every_command_has_help(call: Call, name: str) -> None:
    done = call(name, '--help')
    assert done.code == 0
    assert done.out.startswith(f'usage: berm-ledger {name} ')
    assert done.err == ''


@pytest.mark.parametrize(('arguments', 'text'), [
    ([], 'the following arguments are required: COMMAND; see berm-ledger --help'),
    (['dig'], "invalid choice: 'dig'"),
    (['check'], 'required: SITE; see berm-ledger check --help'),
    (['check', 'a', 'b'], 'unrecognized arguments: b'),
    (['replay', 'bag'], 'required: --out'),
    (['replay', 'b', '--site', 's', '--out', 'o', '--start', 'soon'],
     "--start: invalid float value: 'soon'"),
    (['simulate', 's', '--out', 'b', '--noise', 'loud'], "invalid choice: 'loud'"),
    (['show', 'b', '--segment', 'two'], "invalid int value: 'two'"),
])
def test_wrong_command_line_is_one_line(call: Call, arguments: list[str], text: str) -> None:
    assert text in call(*arguments).complaint


@pytest.mark.parametrize(('exc', 'text'), [
    (BooksError('books.sqlite is not\n a books file'), 'books.sqlite is not a books file'),
    (SiteFileError('a.yaml', ('format: is missing',)), 'a.yaml: format: is missing'),
    (FileNotFoundError(errno.ENOENT, 'No such file or directory', 'x.mcap'),
     'x.mcap: No such file or directory; name a file or folder that can be used here'),
    (PermissionError(errno.EACCES, 'Permission denied', 'out'), 'out: Permission denied; name'),
    (OSError(errno.ENOSPC, 'No space left on device'),
     'a file or the output: No space left on device; name'),
])
def test_bad_input_is_one_line_whatever_raises_it(
        call: Call, monkeypatch: pytest.MonkeyPatch, exc: Exception, text: str) -> None:
    monkeypatch.setattr('berm_ledger.commands.check.run', raising(exc))
    assert call('check', 'x').complaint.startswith(text)


def test_several_faults_of_a_site_file_are_a_headline_and_a_line_each(
        call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    exc = SiteFileError('a.yaml', ('format (line 1): must be 1', 'frame: is missing'))
    monkeypatch.setattr('berm_ledger.commands.check.run', raising(exc))
    done = call('check', 'x')
    assert done.code == 2
    assert done.err == ('berm-ledger: a.yaml: 2 faults in this site file\n'
                        '  format (line 1): must be 1\n  frame: is missing\n')


def test_defects_of_the_program_are_not_taken_for_bad_input(
        call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr('berm_ledger.commands.check.run', raising(ZeroDivisionError('ours')))
    with pytest.raises(ZeroDivisionError, match='ours'):
        call('check', 'x')


def test_interrupt_is_no_traceback(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr('berm_ledger.commands.check.run', raising(KeyboardInterrupt()))
    done = call('check', 'x')
    assert (done.code, done.err) == (130, 'berm-ledger: interrupted\n')


def test_reader_that_goes_away_is_no_traceback() -> None:
    # More text than a pipe holds, so that the writer is still at it when the reader has gone.
    script = ('import sys; from berm_ledger import cli\n'
              'from berm_ledger.commands import check\n'
              "check.run = lambda args: all(sys.stdout.write('x' * 99 + '\\n') "
              'for _ in range(100_000)) - 1\n'
              "sys.exit(cli.main(['check', 'x']))")
    with subprocess.Popen([sys.executable, '-c', script], cwd=ROOT, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.read(10) == b'x' * 10
        process.stdout.close()
        assert process.stderr.read() == b''
        assert process.wait() == 141


@pytest.mark.parametrize('streams', ['>&-', '<&- >&-', '<&- >&- 2>&-'])
@pytest.mark.parametrize(('arguments', 'code'), [
    (['check', str(SITE)], 0), (['plan', str(SITE), '--out', 'plan.csv'], 0), (['--help'], 0),
    (['show', 'none.sqlite'], 2), (['dig'], 2),
], ids=lambda value: value[0] if isinstance(value, list) else str(value))
def test_a_command_without_standard_streams_does_its_work(
        tmp_path: Path, streams: str, arguments: list[str], code: int) -> None:
    command = shlex.join([sys.executable, '-m', 'berm_ledger.cli', *arguments])
    done = subprocess.run(
        ['sh', '-c', f'{command} {streams}'], cwd=tmp_path, capture_output=True, text=True,
        check=False, env={**os.environ, 'PYTHONPATH': str(ROOT)})
    assert (done.returncode, done.stdout) == (code, '')
    heard = '2>' not in streams and code == 2
    assert done.stderr.count('\n') == heard
    assert done.stderr.startswith('berm-ledger: ') == heard
    assert sorted(path.name for path in tmp_path.iterdir()) == ['plan.csv'][:'plan' in arguments]


def test_entry_point_and_module_are_the_same_program() -> None:
    done = python('-m', 'berm_ledger.cli', 'check', str(SITE))
    assert (done.returncode, done.stderr) == (0, '')
    assert done.stdout.startswith('frame map; ')


BLOCKED = ('rclpy', 'rosbags', 'apsw', 'lz4', 'backports', 'matplotlib', 'rich')


def test_a_name_that_the_terminal_cannot_show_is_spelled_out(
        monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    text = SITE.read_text(encoding='utf-8')
    assert '- name: windward' in text
    path = tmp_path / 'site.yaml'
    path.write_text(text.replace('- name: windward', '- name: sever\u0148'), encoding='utf-8')
    monkeypatch.setenv('PYTHONIOENCODING', 'latin-1')
    done = python('-m', 'berm_ledger.cli', 'check', str(path))
    assert (done.returncode, done.stderr) == (0, '')
    assert "berm 'sever\\u0148': open" in done.stdout


def without_extras(*arguments: str, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run the program where nothing but the run-time dependencies can be imported."""
    script = (f'import sys; sys.modules.update(dict.fromkeys({BLOCKED!r}))\n'
              'from berm_ledger.cli import main; sys.exit(main(sys.argv[1:]))')
    return python('-c', script, *arguments, folder=folder)


@pytest.mark.parametrize('arguments', [
    ('check', str(SITE)), ('plan', str(SITE), '--out', 'plan.csv'), ('--help',),
], ids=lambda arguments: arguments[0])
def test_what_needs_no_extra_runs_without(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    done = without_extras(*arguments, folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, '')
    assert done.stdout


@pytest.mark.parametrize(('arguments', 'extra'), [
    (('replay', 'bag', '--site', str(SITE), '--out', 'out'), 'replay'),
    (('simulate', str(SITE), '--out', 'bag'), 'replay'),
    (('demo', '--out', 'out'), 'ros'),
])
def test_missing_extra_is_named_with_the_command_that_installs_it(
        tmp_path: Path, arguments: tuple[str, ...], extra: str) -> None:
    done = without_extras(*arguments, folder=tmp_path)
    assert done.returncode == 2
    assert done.stderr.count('\n') == 1
    assert f'pip install "berm_ledger[{extra}]"' in done.stderr
    assert list(tmp_path.iterdir()) == []
