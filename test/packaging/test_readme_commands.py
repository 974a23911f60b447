# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The README's commands: all exist, and what runs them as written finds them and their faults."""

from __future__ import annotations

from pathlib import Path
import re
import shlex

from berm_ledger.cli import build_parser, COMMANDS
import pytest
from readme_commands import Block, blocks_of, main, not_printed

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / 'README.md').read_text(encoding='utf-8')
NAMES = {command.__name__.rpartition('.')[2] for command in COMMANDS}
OURS = [command for block in blocks_of(README) for command in block.commands
        if command.startswith('berm-ledger ')]
PAGE = """
```sh
pip install something
berm-ledger check a.yaml \\
    # a comment
ledger_node --ros-args &
ros2 topic echo --once table
```

```text
3 segments
```

```yaml
berm-ledger: no
```

```sh
berm-ledger show b
```
"""


def test_every_line_of_ours_is_found_with_what_is_shown_after_it() -> None:
    assert list(blocks_of(PAGE)) == [
        Block(('berm-ledger check a.yaml      # a comment', 'ledger_node --ros-args &'),
              ('3 segments',)),
        Block(('berm-ledger show b',))]
    assert next(blocks_of(PAGE, ros2=True)).commands[2] == 'ros2 topic echo --once table'


@pytest.mark.parametrize('command', OURS)
def test_every_command_of_the_readme_is_understood(command: str) -> None:
    words = shlex.split(command.removesuffix('&'), comments=True)
    build_parser().parse_args(words[1:])


def test_the_readme_runs_every_command_but_the_demo_which_stands_alone() -> None:
    assert {shlex.split(command)[1] for command in OURS} | {'demo'} == NAMES
    assert re.search(r'<!-- demo-command -->\n```sh\n.*berm-ledger demo ', README)
    named = set(re.findall(r'`berm-ledger ([a-z]+)', README))
    assert named == NAMES


@pytest.mark.parametrize(('shown', 'missing'), [
    (['3 of 6 at grade | 1 loads left', '  2 done'], None),
    (['...', '9 done'], None),
    (['5 of 6 HIGH'], '5 of 6 HIGH'),
    (['2 done', '3 of 6 at grade | 1 loads left'], '3 of 6 at grade | 1 loads left'),
])
def test_words_must_be_printed_in_order_and_figures_may_differ(
        shown: list[str], missing: str | None) -> None:
    assert not_printed(shown, '5 of 6 at grade | -0.5 loads left\nwords\n   7  done\n') == missing


@pytest.mark.parametrize(('text', 'code', 'said'), [
    ('```sh\nberm-ledger check site.yaml\n```\n\n```text\nberm ...: no\n```\n', 1, 'not printed'),
    ('```sh\nberm-ledger check site.yaml\n```\n\n```text\nframe map\n```\n', 0, '1 commands run'),
    ('```sh\nberm-ledger check no.yaml\n```\n', 1, 'exit code 2: berm-ledger check no.yaml'),
    ('```sh\nberm-ledger check no.yaml  # ends with exit code 2\n```\n', 0, '0 not as written'),
    ('nothing\n', 1, '0 commands run'),
])
def test_what_is_not_as_written_is_told(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
        text: str, code: int, said: str) -> None:
    program = tmp_path / 'bin' / 'berm-ledger'
    program.parent.mkdir()
    program.write_text('#!/bin/sh\necho "frame map"\ntest -e "$2" || exit 2\n')
    program.chmod(0o755)
    monkeypatch.setenv('PATH', str(program.parent), prepend=':')
    (tmp_path / 'site.yaml').touch()
    (tmp_path / 'README.md').write_text(text)

    assert main([str(tmp_path)]) == code
    assert said in capsys.readouterr().out
