# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Run commands in the test's own process; a short build that takes a second to simulate."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from berm_ledger.cli import main
from berm_ledger.simulation import (
    BuildOptions,
    SensorOptions,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.site_source import load_site
import pytest
import yaml

ROOT = Path(__file__).resolve().parents[2]
SITE = ROOT / 'config' / 'shelter_site.yaml'
LOADS = 3


@dataclass(frozen=True)
class Outcome:
    """Exit code and what was written on the two outputs."""

    code: int
    out: str
    err: str

    @property
    def complaint(self) -> str:
        """Return the one line of bad input, without the program's name; fail for anything else."""
        assert self.code == 2, self
        assert self.err.count('\n') == 1, self.err
        assert self.err.startswith('berm-ledger: ')
        assert 'Traceback' not in self.err
        return self.err[len('berm-ledger: '):-1]


def outcome_of(capsys: pytest.CaptureFixture[str], *arguments: object) -> Outcome:
    """Run a command line."""
    code = main([str(argument) for argument in arguments])
    return Outcome(code, *capsys.readouterr())


def coarse_site(path: Path) -> Path:
    """Write the demo's site with larger cells and return the file."""
    site = yaml.safe_load(SITE.read_text(encoding='utf-8'))
    path.write_text(yaml.safe_dump({**site, 'cell_m': 0.03}), encoding='utf-8')
    return path


def short_events(seed: int = 1) -> tuple[SimEvent, ...]:
    """Return the messages of a survey, three loads and a last look, on a coarse grid."""
    options = BuildOptions(
        yard=YardOptions(sensor=SensorOptions(size_m=3.2, cell_m=0.03), soil_cell_m=0.02,
                         grid_period_s=4.0),
        most_loads=LOADS, final_looks=2, looks_per_load=3)
    return tuple(SimulatedBuild(load_site(SITE).site, seed=seed, options=options).events())
