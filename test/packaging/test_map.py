# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The map in DEVELOPERS.md: every module of the package is in it once, in its room."""

from collections import Counter
from pathlib import Path
import re

REPOSITORY = Path(__file__).resolve().parents[2]
PACKAGE = REPOSITORY / 'berm_ledger'


def mapped() -> Counter[str]:
    """Return the modules that the map names, by path, and how often."""
    text = (REPOSITORY / 'DEVELOPERS.md').read_text(encoding='utf-8')
    section = text.split('\n## Where to look\n')[1].split('\n## ')[0]
    found: Counter[str] = Counter()
    room = ''
    for line in section.splitlines():
        cells = [cell.strip() for cell in line.strip('|').split('|')]
        if len(cells) != 3 or cells[0] in ('room', '---'):
            continue
        room = cells[0].replace('(top)', '') or ('' if cells[0] else room)
        found.update(f'{room}{name}' for name in re.findall(r'`(\w+)`', cells[2]))
    return found


def present() -> set[str]:
    """Return the modules that there are, by path; C sources are modules too."""
    files = [*PACKAGE.rglob('*.py'), *(PACKAGE / 'native').glob('*.c')]
    return {str(path.relative_to(PACKAGE).with_suffix('')) for path in files
            if path.name != '__init__.py'}


def test_every_module_is_on_the_map_once() -> None:
    found, there = mapped(), present()
    assert sorted(there - set(found)) == [], 'name them under "Where to look" in DEVELOPERS.md'
    assert sorted(set(found) - there) == [], 'DEVELOPERS.md names what is not there'
    assert [name for name, count in found.items() if count > 1] == []
