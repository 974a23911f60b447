# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whatever a file holds: it is read, or refused by an error of ours, and left as it is."""

import contextlib
from pathlib import Path
import tempfile

from berm_ledger.books.entries import Entry
from berm_ledger.books.journal import Journal
from berm_ledger.design.site_file import site_from_text
from berm_ledger.errors import BooksError, SiteFileError
from berm_ledger.geometry import Lattice
from berm_ledger.survey.snapshot import NamedSurface
import fuzz_kit
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import pytest

TEXTS = fuzz_kit.site_texts()
ODD = ['.nan', '.inf', '1e999', '-1', '0', '[]', '{}', 'null', 'true', '[[0, 0], [0, 0]]',
       '!!python', '&a [*a]', '*a', '"', "'", '[[', '- ', ': ', '2026-01-01', '0x7f', '9' * 400,
       'map', '\t', '!!python/object/apply:os.system [ls]', '\x85', '\ufeff',
       '<<: {a: 1}', '? [a]\n: b']


@given(st.data())
@settings(max_examples=60)
def test_only_our_own_error_comes_out_of_a_site_file(data) -> None:
    lines = data.draw(st.sampled_from(TEXTS)).splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        where = data.draw(st.integers(0, len(lines) - 1))
        key, colon, _ = lines[where].partition(':')
        odd = data.draw(st.sampled_from(ODD) | st.text(max_size=12))
        lines[where] = data.draw(st.sampled_from(
            [f'{key}{colon} {odd}', odd, '', f'  {lines[where]}', lines[where] * 2]))
    with contextlib.suppress(SiteFileError):
        site_from_text('\n'.join(lines), 'site.yaml')


@given(st.text(max_size=200))
@settings(max_examples=100)
def test_any_text_is_no_site_file(text: str) -> None:
    with pytest.raises(SiteFileError):
        site_from_text(text, 'site.yaml')


@pytest.fixture(scope='module')
def sound() -> bytes:
    """Return a small books file."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name, 'b.sqlite')
        with Journal.open(path, 'digest', 'site.yaml', 'format: 1') as journal:
            journal.append(
                [Entry(k, k, 'hold', None, None, {'text': 'x'}) for k in range(1, 30)],
                [NamedSurface('height_m', 7, Lattice(0.0, 0.0, 0.1, 4, 5),
                              np.zeros((4, 5), np.float32))])
        return path.read_bytes()


@given(st.data())
@settings(max_examples=60)
def test_only_our_own_error_comes_out_of_a_books_file(sound: bytes, data) -> None:
    content = bytearray(sound)
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    content = content[:data.draw(st.sampled_from([len(content), len(content) // 2, 100, 4096]))]
    with tempfile.TemporaryDirectory() as name:
        path = Path(name, 'b.sqlite')
        path.write_bytes(content)
        with contextlib.suppress(BooksError), Journal.read(path) as journal:
            list(journal.entries())
            journal.surfaces()
        assert path.read_bytes() == bytes(content)


@pytest.mark.parametrize('mark', [b'CREATE TABLE entries', b'entries', b'digest', b'site.yaml'])
def test_bytes_that_are_no_text_are_damage(sound: bytes, tmp_path: Path, mark: bytes) -> None:
    # Found by fuzzing: the check of the whole file stumbled over the names in its own verdict.
    path = tmp_path / 'b.sqlite'
    for step in range(len(mark)):
        content = bytearray(sound)
        content[content.index(mark) + step] = 0xff
        path.write_bytes(content)
        with pytest.raises(BooksError):
            Journal.read(path)
