# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""One short simulated build, in a bag and as messages, for all tests of the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from berm_ledger.simulation import SimEvent
from cli_kit import coarse_site, Outcome, outcome_of, short_events
import pytest


@pytest.fixture(scope='session')
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the site file of the short build: the demo's on a coarse lattice, for speed."""
    return coarse_site(tmp_path_factory.mktemp('site') / 'site.yaml')


@pytest.fixture(scope='session')
def events() -> tuple[SimEvent, ...]:
    """Return the messages of the short build."""
    return short_events()


@pytest.fixture(scope='session')
def bag(events: tuple[SimEvent, ...], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a bag of the short build."""
    pytest.importorskip('rosbags')
    from berm_ledger.offline.bag_writer import write_bag
    path = tmp_path_factory.mktemp('bags') / 'short'
    write_bag(path, events)
    return path


@pytest.fixture(scope='session')
def replayed(bag: Path, site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that a replay of the short build left."""
    from berm_ledger.cli import main
    out = tmp_path_factory.mktemp('replay') / 'out'
    assert main(['replay', str(bag), '--site', str(site), '--out', str(out)]) == 0
    return out


@pytest.fixture
def call(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
) -> Callable[..., Outcome]:
    """Return what runs a command line in an empty folder of the test's own."""
    monkeypatch.chdir(tmp_path)
    capsys.readouterr()
    return lambda *arguments: outcome_of(capsys, *arguments)
