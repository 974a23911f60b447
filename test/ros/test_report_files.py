# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a running ledger can write beside its books, and what it says when it cannot."""

import json
import os
from pathlib import Path
import sys

from berm_ledger.books import Entry
from berm_ledger.books.journal import Journal
from berm_ledger.ros import report_files
from berm_ledger.ros.report_files import ReportJob, write_report_files
from berm_ledger.site_source import load_site
from ledger_kit import a_job_that_waits, SITE_TEXT
import pytest

TABLES = ('segments.csv', 'events.csv', 'summary.json')


def finished(job):
    """Return the result of a job once it has ended."""
    while not job.done:
        pass
    return job.result()


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


def test_what_was_written_is_named_also_beside_books_of_another_name(books):
    pytest.importorskip('matplotlib')
    west = books.rename(books.with_name('west.sqlite'))

    done, said = write_report_files(west)

    assert done
    named = said.partition(': ')[2].removesuffix(' and its pictures').split(', ')
    assert named == ['west.sqlite', *TABLES, 'report.html']
    assert all((west.parent / name).exists() for name in named)


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


def test_a_process_of_its_own_says_the_same(books):
    job = ReportJob(books)
    done, said = finished(job)

    assert said.startswith(f'written to {books.parent}: books.sqlite, segments.csv')
    assert all((books.parent / name).exists() for name in TABLES)
    assert done == (books.parent / 'report.html').exists()


def test_a_process_that_cannot_write_says_why(tmp_path):
    done, said = finished(ReportJob(tmp_path / 'gone.sqlite'))

    assert not done
    assert 'gone.sqlite' in said


def test_a_process_that_breaks_says_its_last_line(monkeypatch):
    monkeypatch.setattr(report_files, 'MODULE', 'no_such_module')

    assert finished(ReportJob(Path('b.sqlite'))) == (
        False, f'{sys.executable}: No module named no_such_module')


def test_a_process_that_hangs_is_ended_with_all_it_started(monkeypatch, tmp_path):
    gate = a_job_that_waits(tmp_path, monkeypatch)
    monkeypatch.setattr(report_files, 'REPORT_S', 0.0)
    job = ReportJob(tmp_path / 'books.sqlite')
    done, said = finished(job)

    assert (done, said) == (False, 'not finished within 0 s')
    with pytest.raises(OSError, match='No such device'):  # nobody reads any more
        os.open(gate, os.O_WRONLY | os.O_NONBLOCK)


def test_books_that_are_gone_are_said_so(tmp_path):
    done, said = write_report_files(tmp_path / 'gone.sqlite')

    assert not done
    assert 'gone.sqlite' in said
