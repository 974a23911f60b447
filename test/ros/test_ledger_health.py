# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the ledger node reports: statuses from messages noted, without a node."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from berm_ledger.design.site_file import site_from_text
from berm_ledger.findings import Finding, Severity
from berm_ledger.ros.ledger_health import LedgerHealth
from berm_ledger.ros.messages.diagnostics import ERROR, OK, WARN
from berm_ledger.survey.gaps import SPARSE_GRID, SPARSE_GRID_TEXT
from ledger_kit import FakePipeline, SITE_TEXT

LIVE: Any = SimpleNamespace(
    pipeline=FakePipeline(site_from_text(SITE_TEXT, 'site.yaml')), fault='', waiting=0,
    journal=SimpleNamespace(path='b.sqlite', last_seq=3))


def reported(health: LedgerHealth) -> dict[str, Any]:
    return {status.name: status for status in health.statuses(LIVE, lambda topic: '', '')}


def test_the_drum_current_is_reported_once_one_came() -> None:
    health = LedgerHealth()
    asked = ['pose', 'dump', 'elevation', 'refusals', 'registration', 'masked', 'journal', 'books']
    assert list(reported(health)) == asked

    health.note('drum_current', 5, ())

    assert list(reported(health)) == [*asked[:3], 'drum_current', *asked[3:]]
    # It is told while a load is carried only: that it stops is no trouble.
    assert {reported(health)['drum_current'].level for _ in range(20)} == {OK}


def test_topics_are_named_as_they_are_called_on_the_wire() -> None:
    health = LedgerHealth(lambda topic: f'/localisation/{topic}')

    status = reported(health)['pose']

    assert status.message == 'nothing has come in: does anything publish /localisation/pose?'
    assert status.values['topic'] == '/localisation/pose'


def test_refusals_and_warnings_are_counted_and_notes_are_not() -> None:
    health = LedgerHealth()
    health.note('elevation', 5, [
        Finding('map_shift', 'it moved', Severity.NOTE, 5),
        Finding('too_old', 'it is old', Severity.REFUSAL, 5),
        Finding('turned', 'it is turned', Severity.WARNING, 5)])

    statuses = reported(health)

    assert health.refusals == {'too_old': 1, 'turned': 1}
    assert (statuses['elevation'].level, statuses['refusals'].level) == (ERROR, WARN)
    assert statuses['elevation'].values['last_refusal'] == 'it is old'
    assert statuses['dump'].level == OK


def test_grids_that_are_too_sparse_are_a_warning_of_the_grids_until_one_is_not() -> None:
    health = LedgerHealth()
    levels = []
    for sparse in (False, True, True, False):
        found = [Finding(SPARSE_GRID, SPARSE_GRID_TEXT, Severity.WARNING, 5)] if sparse else []
        health.note('elevation', 5, found)
        health.note('pose', 5, ())
        status = reported(health)['elevation']
        levels.append(status.level)
        assert (status.message == SPARSE_GRID_TEXT) == sparse
    assert levels == [OK, WARN, WARN, OK]


def test_ground_that_nobody_has_surveyed_is_told() -> None:
    status = reported(LedgerHealth())['books']

    assert (status.level, status.values['datum']) == (WARN, 'none')
    assert status.message == 'the natural ground has not been surveyed'
