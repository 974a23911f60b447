# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The example that comes with the package: the README's first replay, word for word."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
import re
import shlex
import shutil

from cli_kit import Outcome, ROOT
import pytest

pytest.importorskip('rosbags')
pytest.importorskip('matplotlib')

Call = Callable[..., Outcome]
EXAMPLE = ROOT / 'config' / 'example'
MOST_BYTES = 300_000
FIGURE = re.compile(r'[-+]?\d[\d.]*')
EXAMPLE_PART = re.compile(
    r'<!-- example -->\n```sh\n(.*?)```\n\n```text\n(.*?)```\n<!-- /example -->', re.DOTALL)


def readme_example() -> tuple[list[list[str]], str]:
    """Return the commands of the README's example, and what they are said to print."""
    found = EXAMPLE_PART.search((ROOT / 'README.md').read_text(encoding='utf-8'))
    assert found, 'the README has no example between its marks'
    return [shlex.split(line) for line in found[1].splitlines()], found[2]


def words(text: str) -> list[str]:
    """Return the lines that say something, each without figures and with single blanks."""
    lines = [' '.join(FIGURE.sub('#', line).split()) for line in text.splitlines()]
    return [line for line in lines if line]


def test_example_is_small() -> None:
    files = [path for path in EXAMPLE.rglob('*') if path.is_file()]
    assert {'site.yaml', 'metadata.yaml', 'bag.mcap'} <= {path.name for path in files}
    assert sum(path.stat().st_size for path in files) < MOST_BYTES


def test_example_prints_what_the_readme_says(call: Call) -> None:
    shutil.copytree(EXAMPLE, 'config/example')
    commands, text = readme_example()
    assert [command[:2] for command in commands] == [
        ['berm-ledger', 'replay'], ['berm-ledger', 'report']]
    printed = ''
    for command in commands:
        done = call(*command[1:])
        assert (done.code, done.err) == (0, '')
        printed += done.out
    # A better estimate of the crest may move a figure by a millimetre; what is said stays.
    assert words(printed) == words(text)
    assert Path('first/as_built.html').is_file()
