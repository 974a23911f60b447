# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a running ledger can write beside its books, and what it says when it cannot."""

import json
import os
import sys

from berm_ledger.books import Entry
from berm_ledger.books.journal import Journal
from berm_ledger.ros.report_files import write_report_files
from berm_ledger.site_source import load_site
from ledger_kit import SITE_TEXT
import pytest

TABLES = ('segments.csv', 'events.csv', 'summary.json')


@pytest.fixture
def books(tmp_path):
    """Give books that are open, as those of a running ledger."""
    path = tmp_path / 'site.yaml'
    path.write_text(SITE_TEXT)
    loaded = load_site(path)
    with Journal.open(
            tmp_path / 'books.sqlite', loaded.digest, 'site.yaml', loaded.text) as journal:
        journal.append([Entry(1, 5, 'hold', data={'text': 'look'})])
        yield journal.path


def test_all_files_are_written_beside_the_books(books):
    pytest.importorskip('matplotlib')

    done, said = write_report_files(books)

    assert done
    assert str(books.parent) in said
    assert (books.parent / 'report.html').stat().st_size > 1000
    assert all((books.parent / name).exists() for name in TABLES)
    assert json.loads((books.parent / 'summary.json').read_text())['accepted'] is False


@pytest.mark.parametrize(('error', 'said'), [
    ("ModuleNotFoundError('none', name='matplotlib')", 'replay'),
    ("RuntimeError('ink is out')", 'ink is out')])
def test_a_report_that_fails_leaves_the_tables_and_the_ledger_alone(
        books, monkeypatch, tmp_path, error, said):
    (tmp_path / 'matplotlib.py').write_text(f'raise {error}')
    monkeypatch.setenv('PYTHONPATH', os.pathsep.join([str(tmp_path), *sys.path]))

    done, answer = write_report_files(books)

    assert not done
    assert 'no report.html' in answer
    assert said in answer
    assert all((books.parent / name).exists() for name in TABLES)
    assert not (books.parent / 'report.html').exists()


def test_books_that_are_gone_are_said_so(tmp_path):
    done, said = write_report_files(tmp_path / 'gone.sqlite')

    assert not done
    assert 'gone.sqlite' in said
