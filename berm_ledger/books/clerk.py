# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What a look or a dump means for the books: rises and changes, as entries.

The clerk knows the survey and the watches over it; the order in which a message is worked
through, and what may come in at all, is the pipeline's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
import math

import numpy as np
from numpy.typing import NDArray

from .accounts import Books
from .booking import (
    change_data,
    datum_data,
    MORE_TEXT,
    rise_data,
    rounded,
    shift_data,
    SHORT_TEXT,
    SLID_TEXT,
    STRAY_TEXT,
)
from .bookkeeper import Bookkeeper
from .charts import Canvas
from .disturbance import Change, DisturbanceWatch
from .entries import Entry
from .layers import layers_of
from .open_dumps import is_open_layer, open_layers, put_back
from .patches import Landing, OpenPatch, Rise
from .places import place_at
from .reading_clerk import ReadingClerk
from .rises import DumpWatch
from .shared_shift import LevelLook
from .under_dumps import losses_beside, not_slid, shortage_m3, Surroundings
from ..geometry import StampedPose
from ..survey.datum import Source
from ..survey.look import Look
from ..survey.registration import Shift
from ..survey.site_survey import COMPLETE_LOOKS, SiteSurvey
from ..survey.snapshot import NamedSurface
from ..survey.surface import SEEN_LOOKS

# A shift of the map is booked when it has moved by this much since the last one booked [m].
DRIFT_M = 0.015
# A late survey that moves the design of a segment by this much is booked [m].
DESIGN_M = 0.005
# How far beyond the design toe a load may slide [m].
SLIDE_M = 0.10
# What the looks before and after a dump share in height, after all [m].
SHARED_M = 0.0003
# A load that rose by so much less than was weighed, or more than usual, is told of [sigmas].
DOUBT_SIGMAS = 3.0
# A survey without a datum is worth keeping each time it has grown to so many times the looks: what
# a kill takes of it may lie under a load before it is seen again.
KEPT_GROWTH = 1.25
HOLD_TEXT = 'soil was disturbed: people may be in the yard; look before work goes on'


class Clerk:
    """
    Turns what was surveyed into entries.

    Parameters
    ----------
    survey : SiteSurvey
        The survey.
    keeper : Bookkeeper
        Who writes the entries.
    books : callable
        Returns the books as they stand, with the loads still called for.

    """

    def __init__(
        self, survey: SiteSurvey, keeper: Bookkeeper, books: Callable[[], Books]
    ) -> None:
        """Set the watches over the surveyed cells."""
        self._survey = survey
        self._keeper = keeper
        self._books = books
        area = survey.area
        half = float(np.abs(area.corridor.offset_m[area.in_footprint]).max())
        radius = 0.5 * survey.site.rover.drum_width_m + half + SLIDE_M
        canvas = Canvas(area.lattice, area.corridor.flat_index)
        self.dumps = DumpWatch(
            area.centres_xy, area.shares, canvas, radius, survey.site.load_volume_m3)
        self.changes = DisturbanceWatch(canvas, area.in_corridor)
        self._level: LevelLook | None = None
        self._planar_m = 0.0
        self.readings = ReadingClerk(survey, keeper)
        self._booked_shift = Shift()
        # Whether something was booked that makes the layers worth keeping.
        self.layers_are_news = False
        self._kept_looks = 0.0

    # ---- going on from an earlier run --------------------------------------------------------

    def remember(self, entries: Iterable[Entry]) -> None:
        """Remember what an earlier run has read, and where it has booked the map."""
        for entry in entries:
            self.readings.remember(entry)
            if entry.kind == 'map_shift':
                shift = (entry.data[name] for name in ('dx_m', 'dy_m', 'dz_m'))
                self._booked_shift = Shift(*shift)
                self._survey.expect(self._booked_shift, entry.stamp_ns)
        self.readings.take_grades(self._keeper.books())

    def reopen_dumps(self, layers: tuple[NamedSurface, ...]) -> None:
        """
        Open dumps again that were not measured in an earlier run.

        Parameters
        ----------
        layers : tuple of NamedSurface
            What was kept. Of a dump that is not among them the looks are lost; the accepted
            surface is still the one before it, and without that it can no longer be told from
            the surface.

        """
        waiting = {}
        for record in self._keeper.books().dumps:
            self.dumps.touch(record.x_m, record.y_m)
            measured = record.stray or math.isfinite(record.volume_m3)
            if record.berm is not None and not measured:
                waiting[record.seq] = record
        self._survey.surface.put_back_hidden(self.dumps.touched)
        put_back(self.dumps, layers, {seq: dump.stamp_ns for seq, dump in waiting.items()})
        surface_ns = max((la.stamp_ns for la in layers if not is_open_layer(la)), default=None)
        for patch in self.dumps.patches:
            for landing in patch.landings:
                waiting.pop(landing.seq, None)
                # A surface kept later is loose there already, and looks have come since.
                if surface_ns is not None and surface_ns <= landing.stamp_ns:
                    self._survey.surface.loosen(self.dumps.mask())
        for dump in waiting.values() if surface_ns is not None else ():
            self._open(dump.seq, dump.stamp_ns, dump.x_m, dump.y_m, dump.mass_kg)

    def take_layers(self, stamp_ns: int) -> tuple[NamedSurface, ...]:
        """Return the layers worth keeping now: all, those of open dumps, mostly none."""
        kept: tuple[NamedSurface, ...] = ()
        if self.layers_are_news:
            kept = layers_of(self._survey, self.changes, stamp_ns)
        if self.layers_are_news or self.dumps.are_news:
            kept += open_layers(self.dumps, stamp_ns)
        self.layers_are_news = self.dumps.are_news = False
        return kept

    # ---- datum and map -----------------------------------------------------------------------

    def book_datum(self, stamp_ns: int) -> None:
        """Book the datum in use; surveyed ground is accepted as it is."""
        datum = self._survey.datum
        assert datum is not None
        source = 'plane' if (datum.source == Source.PLANE).all() else 'survey'
        self._keeper.book('datum', stamp_ns, None, None, datum_data(self._survey, source))
        self.readings.forget()
        # Not what was driven over and not seen since.
        known = self._survey.surface.looks >= SEEN_LOOKS
        self.changes.accept(
            known & (datum.source == Source.SURVEYED), datum.level_m, datum.looks, stamp_ns)
        self.layers_are_news = True

    def book_design(self, stamp_ns: int) -> None:
        """Book the datum again where a late survey has moved the design of a level crest."""
        targets_m, books = self._survey.target_heights_m(), self._keeper.books()
        if targets_m is None or books.datum_seq is None:
            return
        moved_m = targets_m - np.array([row.target_height_m for row in books.rows])
        if np.abs(moved_m).max() >= DESIGN_M:
            self._keeper.book(
                'datum', stamp_ns, None, None, datum_data(self._survey, 'survey'))
            self.readings.book_again(stamp_ns)
            self.layers_are_news = True

    def follow_map(self, look: Look, stamp_ns: int) -> None:
        """Raise what looks are held against with the surface; book a jump or drift of the map."""
        if look.raised_m is not None:
            self.changes.raise_by(look.raised_m)
            self._survey.sunk.raise_by(look.raised_m)
            for patch in self.dumps.patches:
                patch.raise_by(look.raised_m)
        shift, last = look.shift, self._booked_shift
        step = math.hypot(shift.dx_m - last.dx_m, shift.dy_m - last.dy_m)
        if max(step, abs(shift.dz_m - last.dz_m)) >= DRIFT_M:
            self._booked_shift = shift
            self._keeper.book('map_shift', stamp_ns, None, None, shift_data(shift))

    def keep_survey(self) -> None:
        """Have the survey kept, before there is a datum, whenever it has grown."""
        if self._survey.datum is not None:
            return
        looks = float(np.minimum(self._survey.surface.looks, COMPLETE_LOOKS).sum())
        if looks > KEPT_GROWTH * self._kept_looks:
            self._kept_looks, self.layers_are_news = looks, True

    # ---- dumps -------------------------------------------------------------------------------

    def book_dump(self, mass_kg: float, x_m: float, y_m: float, pose: StampedPose) -> Entry:
        """
        Book an announced dump and open it for measuring, unless it fell off every berm.

        Parameters
        ----------
        mass_kg : float
            Mass [kg]; NaN is not weighed.
        x_m, y_m : float
            Drop point in the site frame [m].
        pose : StampedPose
            Pose it was announced from.

        Returns
        -------
        Entry
            Entry of the dump.

        """
        place = place_at(self._survey.area, x_m, y_m)
        if place.berm is not None:
            self._make_way(x_m, y_m, pose.stamp_ns)
        entry = self._keeper.book('dump', pose.stamp_ns, place.berm, place.segment, {
            'mass_kg': rounded('mass_kg', mass_kg), 'x_m': rounded('x_m', x_m),
            'y_m': rounded('y_m', y_m), 'yaw_rad': rounded('yaw_rad', pose.pose.yaw_rad),
            'station_m': rounded('station_m', place.station_m),
            'offset_m': rounded('offset_m', place.offset_m)})
        if place.berm is None:
            self._keeper.book('stray_dump', pose.stamp_ns, None, None, {
                'dump_seq': entry.seq, 'volume_m3': None,
                'text': 'the drop point lies off every berm'})
            return entry
        self._open(entry.seq, pose.stamp_ns, x_m, y_m, mass_kg)
        return entry

    def _make_way(self, x_m: float, y_m: float, stamp_ns: int) -> None:
        """Book what a load that falls at a point would bury: earlier dumps there, and losses."""
        cells = self.dumps.cells_under(x_m, y_m)
        buried: list[Change] = []
        for patch in self.dumps.touched_by(x_m, y_m):
            if patch.measurable:
                self.dumps.heed_newest(patch, self._survey.noise)
                for change in self._settle(patch, stamp_ns):
                    if np.isin(change.cells, cells).any():
                        buried += self.changes.settled(change, stamp_ns)
        buried += self.changes.plain_losses(cells)
        if buried:
            self._follow(buried)
            self.readings.book_readings(stamp_ns)
        for change in buried:
            self.book_change(change, stamp_ns)

    def _open(
        self, seq: int, stamp_ns: int, x_m: float, y_m: float, mass_kg: float
    ) -> None:
        """
        Open a booked dump for measuring against what was accepted before it.

        Not against the present surface: a rover may announce a load when its drum is empty, and
        by then the looks of the last seconds have seen the soil fall.
        """
        changes, surface = self.changes, self._survey.surface
        reference_m = changes.accepted.reference_m()
        known = np.isfinite(reference_m)
        height_m = surface.height_m.copy()
        # What lies there out of view was booked with its load: it must not count again with this.
        height_m[surface.hidden] = np.nan
        before_m = np.where(known, reference_m, height_m)
        looks = np.where(known, changes.accepted.looks, surface.effective_looks())
        density = self._survey.site.material.loose_density_kg_m3
        expected_m3 = (mass_kg / density if math.isfinite(mass_kg)
                       else self._keeper.books().dump_yield.value_m3)
        landing = Landing(seq, stamp_ns, x_m, y_m, expected_m3, math.isfinite(mass_kg))
        self.dumps.announce(landing, before_m, looks)
        self._survey.surface.loosen(self.dumps.mask())

    def book_rises(self, look: Look, stamp_ns: int) -> bool:
        """Show a look to the open dumps and book those that can be measured; tell if any."""
        self._level, self._planar_m = self.changes.level(
            look.measured_m, self.dumps.mask(), look.shown)
        if not look.shift.is_odd:
            self.dumps.look(self._level, stamp_ns, self._survey.noise)
        for patch in self.dumps.patches:
            # Only looks of dust have shown them: where they stand is not known.
            if len(patch.unseen):
                self._survey.surface.loosen(self.dumps.mask_of(patch.unseen))
        settled = self.dumps.settled(self._survey.noise, stamp_ns)
        for patch in settled:
            self._settle(patch, stamp_ns)
        return bool(settled)

    def _settle(self, patch: OpenPatch, stamp_ns: int) -> list[Change]:
        """
        Book what the dumps of a patch have added; the surface there is accepted.

        Not where soil was taken meanwhile, which is returned: the looks to come will tell of it.
        """
        survey = self._survey
        taken, slid = self._lost_beside(patch)
        lost = np.isin(patch.cells, np.concatenate(
            [patch.cells[:0], *(change.cells for change in taken)]))
        moved = self.dumps.moved(patch, survey.noise)
        after, worth = patch.standing(moved)
        for rise in self.dumps.close(patch, survey.noise, SHARED_M, lost, moved):
            place = place_at(survey.area, rise.landing.x_m, rise.landing.y_m)
            data = rise_data(rise, survey.area, place.berm)
            if rise.missed:
                data['text'] = STRAY_TEXT
            elif doubt := SLID_TEXT if slid else self._doubt_of(rise):
                data['text'] = doubt
            kind = 'stray_dump' if rise.missed else 'rise'
            self._keeper.book(kind, stamp_ns, place.berm, place.segment, data)
        seen = patch.count() >= patch.least_looks
        own = patch.cells[seen & ~lost]
        survey.move_surface(own, after[seen & ~lost], worth[seen & ~lost])
        self.accept(own, stamp_ns)
        # What lies where the rover stood, or where nobody could see, is accepted when it shows.
        self.changes.doubt(patch.cells[~seen])
        self.layers_are_news = True
        return taken

    def _lost_beside(self, patch: OpenPatch) -> tuple[list[Change], bool]:
        """Return what was taken beside open dumps, and whether some has slid there."""
        survey = self._survey
        if survey.datum is None:
            # A load told of before any ground was seen: nothing is known of what lay there.
            return [], False
        losses = losses_beside(patch, Surroundings(
            self.dumps.canvas, self.changes.accepted, survey.datum.level_m,
            survey.area.in_corridor, survey.noise, self._planar_m, self.changes.falling))
        rises = self.dumps.measured(patch, survey.noise, SHARED_M) if losses else []
        taken = not_slid(losses, [shortage_m3(rise, self._keeper.books()) for rise in rises],
                         max(landing.expected_m3 for landing in patch.landings))
        return [loss.change for loss in taken], len(taken) < len(losses)

    def _doubt_of(self, rise: Rise) -> str:
        """Say whether far less rose than was weighed, or far more than usual; mostly nothing."""
        short_m3, error_m3 = shortage_m3(rise, self._keeper.books())
        if -short_m3 > DOUBT_SIGMAS * error_m3:
            return MORE_TEXT
        return SHORT_TEXT if rise.landing.weighed and short_m3 > DOUBT_SIGMAS * error_m3 else ''

    # ---- changes -----------------------------------------------------------------------------

    def accept(self, cells: NDArray[np.intp], stamp_ns: int) -> None:
        """Accept the surface at some cells as it stands."""
        surface = self._survey.surface
        self.changes.accept(cells, surface.height_m, surface.effective_looks(), stamp_ns)

    def changes_of(self, look: Look, stamp_ns: int) -> list[Change]:
        """Return changes just confirmed that no dump explains."""
        survey = self._survey
        # A look past the berm tells nothing, and must not push out those that have begun to tell;
        # nor must one that may be placed wrong.
        if survey.datum is None or self._level is None or not survey.shows_berm(look) or (
                look.shift.is_far or look.shift.is_odd):
            return []
        slope = max(berm.side_slope for berm in survey.site.berms)
        shift_error = math.hypot(slope * look.shift.se_xy_m, look.shift.se_z_m)
        level = self._level if look.too_noisy is None else self._level.without(look.too_noisy)
        changes = self.changes.look(
            level, self._planar_m, survey.surface.height_m, survey.surface.looks,
            self.dumps.mask(), ground_m=survey.datum.level_m,
            noise=survey.noise, shift_error_m=shift_error, stamp_ns=stamp_ns)
        self._follow(changes)
        return changes

    def _follow(self, changes: Iterable[Change]) -> None:
        """Let the surface stand where changes have left it."""
        for change in changes:
            self._survey.move_surface(change.cells, change.height_m, change.looks)

    def book_change(self, change: Change, stamp_ns: int) -> None:
        """Book a change on each segment that has a good part of it, and hold if need be."""
        for row, data in change_data(change, self._survey, stamp_ns):
            segment = self._survey.area.segments[row]
            if change.kind == 'disturbed':
                data['rework'] = self._books().rows[row].dumps_remaining > 0
            self._keeper.book(change.kind, stamp_ns, segment.berm, segment.number, data)
        holds = change.kind == 'disturbed' and self._survey.site.hold_on_disturbance
        if holds and not self._keeper.books().on_hold:
            self._keeper.book('hold', stamp_ns, None, None, {'text': HOLD_TEXT})
        self.layers_are_news = True
