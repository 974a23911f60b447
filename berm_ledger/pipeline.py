# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
One object: grid, pose and dump in; entries and an update out. No clock, no input or output.

The live node and the replay both drive it with the same messages in the same order and so write
the same entries. Time is that of the messages. The order of work for a grid: gates, survey, dumps
that can be measured, changes that no dump explains, readings, states.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .books.accounts import Books, with_dumps_remaining
from .books.booking import (
    change_data,
    datum_data,
    NEWS_NS,
    reading_data,
    rise_data,
    rounded,
    says_something_new,
    shift_data,
)
from .books.bookkeeper import Bookkeeper
from .books.disturbance import Change, DisturbanceWatch
from .books.entries import Entry
from .books.layers import ground_level_m, layers_of, restore
from .books.posting import AT_GRADE_SHARE
from .books.rises import DumpWatch, HURRIED_LOOKS, Landing, OpenPatch, SETTLED_SHARE
from .books.rows import State
from .design import Site
from .design.segments import segment_of_station
from .findings import Finding, Severity
from .geometry import StampedPose
from .survey import ElevationGrid
from .survey.area import CORRIDOR_MARGIN_M
from .survey.gates import check_dump, check_grid, check_pose, GateState, refusal
from .survey.registration import Refused, Shift
from .survey.site_survey import Look, SiteSurvey
from .survey.snapshot import NamedSurface
from .targeting.dump_plan import dumps_remaining

# A shift of the map is booked when it has moved by this much since the last one booked [m].
DRIFT_M = 0.015
# How far beyond the design toe a load may slide [m].
SLIDE_M = 0.10
# A segment is no longer at grade, for the events, below this share of its crest line.
LOST_GRADE_SHARE = 0.8
HOLD_TEXT = 'soil was disturbed: people may be in the yard; look before work goes on'


@dataclass(frozen=True)
class Update:
    """
    What one input led to.

    Parameters
    ----------
    entries : tuple of Entry
        New entries in the order of booking.
    findings : tuple of Finding
        Problems with the input.
    surfaces : tuple of NamedSurface
        Layers that are worth keeping now; mostly none.

    """

    entries: tuple[Entry, ...] = ()
    findings: tuple[Finding, ...] = ()
    surfaces: tuple[NamedSurface, ...] = ()


@dataclass(frozen=True)
class Health:
    """
    How the inputs fare.

    Parameters
    ----------
    pose_ns, grid_ns, dump_ns : int or None
        Stamps of the last inputs used [ns].
    shift : Shift
        Where the last grid lay.
    noise_m : float
        Noise of one look at one cell [m].
    counters : mapping
        Inputs used, refused or masked, by code.

    """

    pose_ns: int | None
    grid_ns: int | None
    dump_ns: int | None
    shift: Shift
    noise_m: float
    counters: Mapping[str, int]


class Pipeline:
    """
    The books of one site, from messages.

    Parameters
    ----------
    site : Site
        The site.
    entries : iterable of Entry
        Entries of an earlier run, to go on from.
    surfaces : iterable of NamedSurface
        Layers kept with them.

    """

    def __init__(
        self, site: Site, *, entries: Iterable[Entry] = (),
        surfaces: Iterable[NamedSurface] = (),
    ) -> None:
        """Open the books, or go on from where they were left."""
        self.site = site
        self._gate = GateState(site.frame)
        self._dump_ns: int | None = None
        self._findings: list[Finding] = []
        self._keep = False
        self._counters: dict[str, int] = {}
        self._read: dict[int, tuple[int, Mapping[str, Any]]] = {}
        self._booked_shift = Shift()
        self._books: Books | None = None
        kept = tuple(surfaces)
        level = any(berm.crest_level_m is not None for berm in site.berms)
        ground_m = ground_level_m(kept)
        self._ground_known = not level or site.datum_plane is not None or ground_m is not None
        self._open_survey(ground_m or 0.0)
        earlier = tuple(entries)
        self._keeper = Bookkeeper(site, earlier)
        self._remember(earlier)
        restore(self.survey, self._changes, kept)
        self._at_grade = {(row.berm, row.segment) for row in self.books.rows
                          if row.state == State.AT_GRADE}

    def _open_survey(self, ground_m: float) -> None:
        """Lay out the survey and the watches over it."""
        self.survey = SiteSurvey(self.site, ground_m=ground_m)
        area = self.survey.area
        half = float(np.abs(area.corridor.offset_m[area.in_footprint]).max())
        radius = 0.5 * self.site.rover.drum_width_m + half + SLIDE_M
        self._dumps = DumpWatch(
            area.corridor.centres_xy, area.shares, area.lattice.cell_area_m2, radius)
        self._changes = DisturbanceWatch(
            len(area), area.lattice.cell_m, lambda mask: area.on_lattice(mask, fill=0),
            area.corridor.flat_index)

    def _remember(self, entries: Iterable[Entry]) -> None:
        """Remember what was read and announced last in an earlier run."""
        rows = {(s.berm, s.number): i for i, s in enumerate(self.survey.area.segments)}
        for entry in entries:
            if entry.kind == 'reading':
                row = rows[(entry.berm or '', entry.segment or 0)]
                self._read[row] = (entry.stamp_ns, entry.data)
            elif entry.kind == 'dump':
                self._dump_ns = entry.stamp_ns

    # ---- what the books say ------------------------------------------------------------------

    @property
    def books(self) -> Books:
        """Books as they stand, with the loads still called for."""
        if self._books is None:
            books = self._keeper.books()
            counts = dumps_remaining(self.site, books.rows, books.dump_yield.value_m3)
            self._books = replace(books, rows=with_dumps_remaining(books.rows, counts))
        return self._books

    @property
    def stamp_ns(self) -> int:
        """Newest stamp of any message used [ns]; 0 before the first."""
        return self._gate.newest_ns or 0

    @property
    def health(self) -> Health:
        """How the inputs fare."""
        pose_ns = self._gate.pose.stamp_ns if self._gate.pose else None
        return Health(pose_ns, self._gate.last_grid_ns, self._dump_ns, self.survey.shift,
                      self.survey.noise.total_m, dict(self._counters))

    # ---- inputs ------------------------------------------------------------------------------

    def add_pose(self, pose: StampedPose) -> Update:
        """Take in a pose of base_link."""
        finding = check_pose(pose, self._gate)
        if finding:
            return self._refuse(finding)
        self._gate = replace(
            self._gate, pose=pose, newest_ns=max(self.stamp_ns, pose.stamp_ns))
        self._count('poses')
        return self._update()

    def add_grid(self, grid: ElevationGrid) -> Update:
        """Take in an elevation grid."""
        largest_m = min(berm.segment_length_m for berm in self.site.berms) / 2.0
        finding = check_grid(grid, self._gate, largest_cell_m=largest_m)
        if finding:
            return self._refuse(finding)
        pose = self._gate.pose
        assert pose is not None
        if not self._ground_known:
            self._open_survey(float(np.nanmedian(grid.height_m)))
            self._ground_known = True
        busy = self._dumps.mask()
        look = self.survey.take_grid(grid, pose.pose, busy, busy)
        if isinstance(look, Refused):
            return self._refuse(refusal(look.code, look.text, grid.stamp_ns))
        self._gate = replace(self._gate, last_grid_ns=grid.stamp_ns,
                             newest_ns=max(self.stamp_ns, grid.stamp_ns))
        self._count('grids')
        for code in ('spikes', 'under_rover', 'objects'):
            self._count(f'cells_{code}', getattr(look, code))
        self._after_look(look, grid.stamp_ns)
        return self._update()

    def _after_look(self, look: Look, stamp_ns: int) -> None:
        """Book what a look has shown."""
        self._book_shift(look.shift, stamp_ns)
        if self.survey.datum is None and self.survey.survey_complete:
            self._take_datum(stamp_ns)
        if not self._dumps.open:
            self.survey.survey_late(np.ones(len(self.survey.area), dtype=bool))
        self._dumps.look(look.fused.seen)
        for patch in self._dumps.settled(self.survey.surface.aside_looks > 0):
            self._settle(patch, stamp_ns)
        changes = self._changed(look, stamp_ns)
        self._book_readings(look.fused.seen, stamp_ns)
        for change in changes:
            self._book_change(change, stamp_ns)
        self._book_states(stamp_ns)

    def add_dump(self, mass_kg: float) -> Update:
        """Take in an announced dump; its time and place are those of the last pose before it."""
        finding = check_dump(mass_kg, self._gate, self._dump_ns)
        if finding:
            return self._refuse(finding)
        pose = self._gate.pose
        assert pose is not None
        if self.survey.datum is None and not self._take_datum(pose.stamp_ns):
            self._note('dump_before_datum', (
                'a dump was announced before any ground was surveyed; its rise is not known'))
        x_m, y_m = pose.pose.apply([self.site.rover.drop_point_xy])[0]
        shift = self.survey.shift
        self._book_dump(mass_kg, float(x_m) - shift.dx_m, float(y_m) - shift.dy_m, pose)
        return self._update()

    def _book_dump(self, mass_kg: float, x_m: float, y_m: float, pose: StampedPose) -> None:
        """Book a dump and open it for measuring, unless it fell off every berm."""
        berm, segment, station_m, offset_m = self._place(x_m, y_m)
        self._dump_ns = pose.stamp_ns
        entry = self._book('dump', pose.stamp_ns, berm, segment, {
            'mass_kg': rounded('mass_kg', mass_kg), 'x_m': rounded('x_m', x_m),
            'y_m': rounded('y_m', y_m), 'yaw_rad': rounded('yaw_rad', pose.pose.yaw_rad),
            'station_m': rounded('station_m', station_m),
            'offset_m': rounded('offset_m', offset_m)})
        if berm is None:
            self._book('stray_dump', pose.stamp_ns, None, None, {
                'dump_seq': entry.seq, 'volume_m3': None,
                'text': 'the drop point lies off every berm'})
            return
        density = self.site.material.loose_density_kg_m3
        expected = (mass_kg / density if math.isfinite(mass_kg)
                    else self.books.dump_yield.value_m3)
        for patch in self._dumps.touched_by(x_m, y_m):
            if patch.share_with(HURRIED_LOOKS) >= SETTLED_SHARE:
                self._settle(patch, pose.stamp_ns)
        surface = self.survey.surface
        self._dumps.announce(Landing(entry.seq, x_m, y_m, expected), surface.height_m)
        surface.loosen(self._dumps.mask())

    def refuse(self, code: str, text: str, stamp_ns: int = 0) -> Update:
        """Book an input that could not even be read."""
        return self._refuse(refusal(code, text, stamp_ns or self.stamp_ns))

    def take_datum(self) -> Update:
        """Take the present surface for the datum, on an operator's request."""
        if not self._take_datum(self.stamp_ns):
            self._note('no_datum', 'too little ground is known to take a datum from')
        return self._update()

    def resume(self) -> Update:
        """End a hold, on an operator's request."""
        if self.books.on_hold:
            self._book('resume', self.stamp_ns, None, None, {'text': 'the operator resumed'})
        return self._update()

    def clear_rework(self) -> Update:
        """Accept what is flagged as it stands, on an operator's request."""
        if self.books.flags:
            self._book('cleared', self.stamp_ns, None, None, {
                'text': 'the operator accepted what was flagged'})
            known = self.survey.surface.known & ~self._dumps.mask()
            self._accept(np.flatnonzero(known), self.stamp_ns)
        return self._update()

    def finish(self) -> Update:
        """Return the layers as they stand at the end; books nothing."""
        self._keep = True
        return self._update()

    # ---- booking -----------------------------------------------------------------------------

    def _take_datum(self, stamp_ns: int) -> bool:
        """Take and book a datum; tell whether there was enough ground."""
        if not self.survey.take_datum(stamp_ns):
            return False
        self._book_datum('survey', stamp_ns)
        return True

    def _book_datum(self, source: str, stamp_ns: int) -> None:
        """Book the datum in use; what is known of the ground is accepted."""
        self._book('datum', stamp_ns, None, None, datum_data(self.survey, source))
        self._read.clear()
        datum = self.survey.datum
        assert datum is not None
        self._changes.accept(~datum.filled, datum.level_m, datum.looks, stamp_ns)
        self._keep = True

    def _book_shift(self, shift: Shift, stamp_ns: int) -> None:
        """Book a jump or a slow drift of the map."""
        last = self._booked_shift
        step = math.hypot(shift.dx_m - last.dx_m, shift.dy_m - last.dy_m)
        if max(step, abs(shift.dz_m - last.dz_m)) < DRIFT_M:
            return
        self._booked_shift = shift
        self._book('map_shift', stamp_ns, None, None, shift_data(shift))

    def _settle(self, patch: OpenPatch, stamp_ns: int) -> None:
        """Book what the dumps of a patch have added."""
        surface = self.survey.surface
        error_m = self.survey.mean_error_m(patch.cells)
        for rise in self._dumps.close(patch, surface.height_m, error_m):
            berm, segment, _, _ = self._place(rise.landing.x_m, rise.landing.y_m)
            data = rise_data(rise, self.survey.area, berm)
            if rise.missed:
                data['text'] = 'no rise was measured where the load should have landed'
            kind = 'stray_dump' if rise.missed else 'rise'
            self._book(kind, stamp_ns, berm, segment, data)
        self._accept(patch.cells, stamp_ns)
        self._keep = True

    def _accept(self, cells: NDArray[np.intp], stamp_ns: int) -> None:
        """Accept the surface at some cells."""
        surface = self.survey.surface
        self._changes.accept(cells, surface.height_m, surface.effective_looks(), stamp_ns)

    def _changed(self, look: Look, stamp_ns: int) -> list[Change]:
        """Return changes just confirmed that no dump explains."""
        survey = self.survey
        if survey.datum is None:
            return []
        slope = max(berm.side_slope for berm in self.site.berms)
        shift_error = math.hypot(slope * look.shift.se_xy_m, look.shift.se_z_m)
        return self._changes.look(
            survey.surface.height_m, survey.surface.effective_looks(), look.fused.seen,
            self._dumps.mask() | ~survey.area.in_corridor, survey.noise.total_m, shift_error,
            stamp_ns)

    def _book_change(self, change: Change, stamp_ns: int) -> None:
        """Book a change on each segment that has a good part of it."""
        for row, data in change_data(change, self.survey, stamp_ns):
            segment = self.survey.area.segments[row]
            if change.kind == 'disturbed':
                data['rework'] = self.books.rows[row].dumps_remaining > 0
            self._book(change.kind, stamp_ns, segment.berm, segment.number, data)
        if change.kind == 'disturbed' and self.site.hold_on_disturbance:
            if not self.books.on_hold:
                self._book('hold', stamp_ns, None, None, {'text': HOLD_TEXT})
        self._keep = True

    def _book_readings(self, seen: NDArray[np.bool_], stamp_ns: int) -> None:
        """Book readings that say something new."""
        for reading in self.survey.readings(seen):
            data = reading_data(reading)
            last = self._read.get(reading.row)
            if last is not None and stamp_ns - last[0] < NEWS_NS:
                if not says_something_new(last[1], data):
                    continue
            segment = self.survey.area.segments[reading.row]
            self._read[reading.row] = (stamp_ns, data)
            self._book('reading', stamp_ns, segment.berm, segment.number, data)

    def _book_states(self, stamp_ns: int) -> None:
        """Book segments that have reached grade, and rework that is done."""
        for row in self.books.rows:
            flag = self.books.flag_of(row.berm, row.segment)
            done = row.at_grade >= AT_GRADE_SHARE and row.last_seen_ns == stamp_ns
            if flag is not None and done and flag.dumps_since > 0:
                self._book('reworked', stamp_ns, row.berm, row.segment, {
                    'height_m': rounded('_m', row.height_m), 'dumps': flag.dumps_since})
            reached = row.state == State.AT_GRADE
            key = (row.berm, row.segment)
            if reached and key not in self._at_grade:
                self._book('at_grade', stamp_ns, row.berm, row.segment, {
                    'height_m': rounded('_m', row.height_m)})
                self._at_grade.add(key)
            elif row.at_grade < LOST_GRADE_SHARE:
                self._at_grade.discard(key)

    def _place(self, x_m: float, y_m: float) -> tuple[str | None, int | None, float, float]:
        """Return berm, segment, station and offset of a drop point; None off every berm."""
        best: tuple[str | None, int | None, float, float] = (None, None, math.nan, math.nan)
        for index, berm in enumerate(self.site.berms):
            station, offset = berm.centreline.station_offset([[x_m, y_m]])
            half = float(np.abs(self.survey.sections[index].offset_m).max())
            near = abs(float(offset[0]))
            if near <= half + CORRIDOR_MARGIN_M and not near >= abs(best[3]):
                number = int(segment_of_station(berm, station)[0])
                best = (berm.name, number, float(station[0]), float(offset[0]))
        return best

    # ---- the ends of every step --------------------------------------------------------------

    def _book(
        self, kind: str, stamp_ns: int, berm: str | None, segment: int | None,
        data: Mapping[str, Any],
    ) -> Entry:
        """Write one entry into the books."""
        self._books = None
        return self._keeper.book(kind, stamp_ns, berm, segment, data)

    def _count(self, code: str, number: int = 1) -> None:
        """Count something."""
        self._counters[code] = self._counters.get(code, 0) + number

    def _note(self, code: str, text: str) -> None:
        """Report something that refuses nothing."""
        self._count(code)
        self._findings.append(Finding(code, text, Severity.WARNING, self.stamp_ns))

    def _refuse(self, finding: Finding) -> Update:
        """Count a refusal and report it; the books do not move but for saying so."""
        self._count(finding.code)
        self._findings.append(finding)
        self._keeper.refuse(finding, self.stamp_ns)
        self._books = None
        return self._update()

    def _update(self) -> Update:
        """Hand out what has come together."""
        surfaces = layers_of(self.survey, self._changes, self.stamp_ns) if self._keep else ()
        update = Update(self._keeper.take_new(), tuple(self._findings), surfaces)
        self._findings, self._keep = [], False
        return update
