# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A small site, messages for it, and a pipeline that books without measuring anything."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
import math
import os
import sys
from types import SimpleNamespace
from typing import Any

from berm_ledger.books import Entry, Fold
from berm_ledger.books.profile import CrestProfile
from berm_ledger.borrow.account import BorrowAccount
from berm_ledger.borrow.lanes import Lane, lanes_of_area
from berm_ledger.findings import Finding, Severity
from berm_ledger.geometry import GridAxes, Lattice, Pose2, StampedPose
from berm_ledger.survey import ElevationGrid
from berm_ledger.survey.registration import Shift
import numpy as np

NS = 1_000_000_000
SITE_TEXT = """\
format: 1
frame: map
berms:
  - name: west
    centreline: [[2.0, 2.0], [3.0, 2.0]]
    crest_height_m: 0.20
    side_slope_deg: 33
    segment_length_m: 0.50
    height_tolerance_m: 0.02
    line_tolerance_m: 0.06
datum: {plane: [0.0, 0.0, 0.0]}
material:
  loose_density_kg_m3: 1500
  repose_deg: 33
rover:
  footprint: [[0.35, 0.25], [-0.35, 0.25], [-0.35, -0.25], [0.35, -0.25]]
  drop_point: [0.75, 0.0]
  drum_width_m: 0.36
  payload_kg: 7.5
  turning_radius_m: 0.5
  run_up_m: 0.5
yard:
  boundary: [[0.0, 0.0], [6.0, 0.0], [6.0, 5.0], [0.0, 5.0]]
  borrow_areas:
    - {name: pit, polygon: [[4.5, 3.5], [5.5, 3.5], [5.5, 4.5], [4.5, 4.5]]}
"""
# Small enough to be built in a few loads.
SMALL_SITE = SITE_TEXT.replace('crest_height_m: 0.20', 'crest_height_m: 0.12').replace(
    '[[2.0, 2.0], [3.0, 2.0]]', '[[2.0, 2.0], [2.8, 2.0]]')
LATTICE = Lattice(1.0, 1.0, 0.1, 21, 31)


@dataclass(frozen=True)
class Update:
    """What the pipeline hands out."""

    entries: tuple[Entry, ...] = ()
    findings: tuple[Finding, ...] = ()
    surfaces: tuple[Any, ...] = ()


class FakePipeline:
    """Books what it is given: a pose, a dump, a reading of segment 1; says nothing twice."""

    def __init__(
        self, site: Any, *, entries: Iterable[Entry] = (), surfaces: Iterable[Any] = ()
    ) -> None:
        self.site = site
        self.stamp_ns = 0
        self.blocked = np.zeros(LATTICE.shape, dtype=bool)
        nothing = np.array([math.nan])
        self.crest_lines = tuple(np.full((1, 3), math.nan) for _ in site.berms)
        self.crest_profiles = tuple(
            CrestProfile(i, np.array([0.1]), nothing, nothing, nothing)
            for i in range(len(site.berms)))
        self.survey = SimpleNamespace(datum=None)
        self._fold = Fold(site)
        self._pose: StampedPose | None = None
        self._seq = 0
        self._height_m = math.nan
        self.inputs: list[str] = []
        self.looked_ns: dict[tuple[str, int], int] = {}
        self.load_aboard: bool | None = None
        for entry in entries:
            self._fold.post(entry)
            self._seq, self.stamp_ns = entry.seq, entry.stamp_ns

    @property
    def books(self) -> Any:
        books = self._fold.books()
        return replace(books, rows=tuple(
            replace(row, dumps_remaining=0 if row.at_grade >= 0.9 else 3) for row in books.rows))

    @property
    def health(self) -> Any:
        return SimpleNamespace(
            shift=Shift(), grid_ns=None, noise_m=0.004, judged_within_m=math.inf, counters={})

    def no_go(self) -> tuple[Lattice, Any]:
        return LATTICE, self.blocked

    @property
    def borrow(self) -> BorrowAccount:
        return BorrowAccount()

    @property
    def lanes(self) -> dict[str, tuple[Lane, ...]]:
        return {area.name: lanes_of_area(self.site, area) for area in self.site.yard.borrow_areas}

    def next_lane(self) -> None:
        return None

    def add_drum_current(self, current_a: float) -> Update:
        self.inputs.append('drum_current')
        return Update()

    def add_pose(self, pose: StampedPose) -> Update:
        self.inputs.append('pose')
        self._pose, self.stamp_ns = pose, pose.stamp_ns
        return Update()

    def add_dump(self, mass_kg: float) -> Update:
        self.inputs.append('dump')
        mass = None if math.isnan(mass_kg) else mass_kg
        return self._book('dump', 1, {
            'mass_kg': mass, 'x_m': 2.0, 'y_m': 2.0, 'yaw_rad': 0.0, 'station_m': 0.1,
            'offset_m': 0.0})

    def add_grid(self, grid: ElevationGrid) -> Update:
        self.inputs.append('elevation')
        if grid.frame_id != self.site.frame:
            return self.refuse('wrong_frame', f'frame {grid.frame_id}', grid.stamp_ns)
        self.stamp_ns = grid.stamp_ns
        self.looked_ns['west', 1] = grid.stamp_ns
        height = float(np.nanmax(grid.height_m))
        if height == self._height_m:
            return Update()
        self._height_m = height
        return self._book('reading', 1, {
            'height_m': height, 'coverage': 1.0, 'at_grade': float(height >= 0.2)})

    def disturb(self) -> Update:
        first = self._book('disturbed', 1, {
            'rework': True, 'volume_m3': 0.002, 'station_from_m': 0.0, 'station_to_m': 0.3})
        second = self._book('hold', None, {'text': 'soil was disturbed'})
        return Update(first.entries + second.entries)

    def refuse_unread(self, role: str, fault: str, stamp_ns: int = 0) -> Update:
        return self.refuse('bad_message', f'{role}: {fault}', stamp_ns)

    def turn_down(self, finding: Finding) -> Update:
        return self.refuse(finding.code, finding.text, finding.stamp_ns)

    def refuse(self, code: str, text: str, stamp_ns: int = 0) -> Update:
        finding = Finding(code, text, Severity.REFUSAL, stamp_ns)
        booked = self._book('refused', None, {'code': code, 'text': text, 'count': 1})
        return Update(booked.entries, (finding,))

    def take_datum(self) -> Update:
        return Update(findings=(
            Finding('no_datum', 'too little ground is known', Severity.WARNING, 0),))

    def resume(self) -> Update:
        return self._book('resume', None, {'text': 'the operator resumed'}) if (
            self.books.on_hold) else Update()

    def clear_rework(self) -> Update:
        return self._book('cleared', None, {'text': 'accepted'}) if self.books.flags else Update()

    def finish(self) -> Update:
        return Update()

    def _book(self, kind: str, segment: int | None, data: dict[str, Any]) -> Update:
        self._seq += 1
        berm = None if segment is None else 'west'
        entry = Entry(self._seq, self.stamp_ns, kind, berm, segment, data)
        self._fold.post(entry)
        return Update((entry,))


def a_grid(stamp_s: float, height_m: float, frame: str = 'map') -> ElevationGrid:
    """Return a flat grid with one high cell and one unknown."""
    heights = np.zeros((5, 6), dtype=np.float32)
    heights[2, 3], heights[0, 0] = height_m, np.nan
    axes = GridAxes((2.0, 1.8), (0.0, 0.1), (0.1, 0.0))
    return ElevationGrid(int(stamp_s * NS), frame, axes, heights)


def a_pose(stamp_s: float, x_m: float = 1.0, y_m: float = 3.5) -> StampedPose:
    """Return a pose."""
    return StampedPose(int(stamp_s * NS), 'map', Pose2(x_m, y_m, 0.3))


def a_job_that_waits(folder, monkeypatch):
    """Put a process that waits for a word in the place of the report; return where it waits."""
    from berm_ledger.ros import report_files
    gate = folder / 'gate'
    os.mkfifo(gate)
    (folder / 'waiting_report.py').write_text(f'print(open({str(gate)!r}).read())')
    monkeypatch.setattr(report_files, 'MODULE', 'waiting_report')
    monkeypatch.setenv('PYTHONPATH', os.pathsep.join([str(folder), *sys.path]))
    return gate
