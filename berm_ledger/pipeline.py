# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
One object: grid, pose and dump in; entries and an update out. No clock, no input or output.

The live node and the replay both drive it with the same messages in the same order and so write
the same entries. Time is that of the messages. The order of work for a grid: gates, survey, dumps
that can be measured, changes that no dump explains, readings, states.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .books.accounts import Books
from .books.bookkeeper import Bookkeeper
from .books.clerk import Clerk
from .books.driven_over import doubt_driven_over
from .books.early_dump import EarlyDump, NOT_BOOKED, WAITS
from .books.entries import booked_until_ns, Entry
from .books.landings import drop_point_text
from .books.layers import as_kept, first_ground_m, ground_level_m, restore
from .books.places import place_at
from .books.profile import CrestProfile
from .borrow.account import BorrowAccount
from .borrow.clerk import BorrowClerk
from .borrow.lanes import Lane
from .borrow.layers import is_borrow_layer
from .design import Site
from .findings import Finding, Severity
from .geometry import Lattice, PoseTrack, StampedPose
from .inputs import POSE
from .survey import ElevationGrid
from .survey.area import rough_ground_m
from .survey.gates import (
    check_drum_current,
    check_dump,
    check_grid,
    check_pose,
    doubtful_mass,
    GateState,
    refusal,
)
from .survey.look import Look
from .survey.registration import Refused
from .survey.site_survey import SiteSurvey
from .survey.snapshot import NamedSurface
from .targeting.loads import with_loads
from .targeting.no_go import NoGo
from .updates import Health, Update


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
        self, site: Site, *, entries: Iterable[Entry] = (), surfaces: Iterable[NamedSurface] = (),
    ) -> None:
        """Open the books, or go on from where they were left."""
        self.site = site
        earlier, layers = tuple(entries), tuple(surfaces)
        kept = tuple(layer for layer in layers if not is_borrow_layer(layer))
        self._track = PoseTrack()
        self._keeper = Bookkeeper(site, earlier)
        dumps = self._keeper.books().dumps
        self._dump_ns = dumps[-1].stamp_ns if dumps else None
        self._gate = GateState(
            site.frame, books_ns=booked_until_ns(earlier), told_ns=self._dump_ns)
        self._early: EarlyDump | None = None
        self._findings: list[Finding] = []
        self._counters: Counter[str] = Counter()
        self._books: Books | None = None
        ground_m = ground_level_m(kept)
        self._ground_known = site.datum_plane is not None or ground_m is not None or all(
            berm.crest_level_m is None for berm in site.berms)
        # Wanted again once the first grid tells how wide the berms are.
        self._earlier = () if self._ground_known else earlier
        self._lay_out(rough_ground_m(site) if ground_m is None else ground_m, earlier, kept)
        self._borrow = BorrowClerk(
            site, self._keeper, self._standing_books, entries=earlier, layers=layers)

    def _lay_out(
        self, ground_m: float, earlier: Iterable[Entry], kept: tuple[NamedSurface, ...] = ()
    ) -> None:
        """Lay out the survey, set the clerk over it, and go on from an earlier run."""
        self.survey = SiteSurvey(self.site, ground_m=ground_m)
        self._no_go = NoGo(self.site, self.survey.area)
        self._clerk = Clerk(self.survey, self._keeper, self._standing_books)
        restore(self.survey, self._clerk.changes, kept)
        self._clerk.remember(earlier)
        self._clerk.reopen_dumps(kept)

    # ---- what the books say ------------------------------------------------------------------

    @property
    def books(self) -> Books:
        """Books as they stand, with the loads still called for."""
        if self._books is None or self._books.last_seq != self._keeper.last_seq:
            self._books = with_loads(self._keeper.books(), self.crest_profiles)
        return self._books

    def _standing_books(self) -> Books:
        """Return the books; a method, so that a copied pipeline asks its own."""
        return self.books

    @property
    def stamp_ns(self) -> int:
        """Newest stamp of any message used [ns], else that of the books; 0 where there is none."""
        return self._gate.newest_ns or self._gate.books_ns or 0

    @property
    def health(self) -> Health:
        """How the inputs fare."""
        pose_ns = self._gate.pose.stamp_ns if self._gate.pose else None
        return Health(pose_ns, self._gate.last_grid_ns, self._dump_ns, self.survey.shift,
                      self.survey.noise.total_m, self.survey.by_distance.within_m,
                      dict(self._counters))

    @property
    def looked_ns(self) -> dict[tuple[str, int], int]:
        """When each segment, by berm and number, was last measured by this run [ns]."""
        return self._clerk.readings.looked_ns

    def no_go(self) -> tuple[Lattice, NDArray[np.bool_]]:
        """Return a grid of the yard and which of its cells are built on or kept out of."""
        lattice, blocked = self._no_go.lattice, self._no_go.blocked(
            self.survey.likely_height_m())
        return lattice, self._borrow.with_voids(lattice, blocked)

    @property
    def borrow(self) -> BorrowAccount:
        """Return the borrow side of the books as it stands."""
        return self._borrow.account

    @property
    def lanes(self) -> Mapping[str, tuple[Lane, ...]]:
        """Lanes of the borrow areas, by name."""
        return {desk.name: desk.lanes for desk in self._borrow.desks}

    @property
    def load_aboard(self) -> bool | None:
        """Whether the drum is loaded, by poses and dumps of this run; None where not known."""
        return self._borrow.aboard

    def next_lane(self) -> tuple[Lane, float] | None:
        """Return the lane to dig next and how deep a load cuts there [m]; None where none is."""
        return self._borrow.proposal()

    @property
    def crest_lines(self) -> tuple[NDArray[np.float64], ...]:
        """Standing crest of each berm, shape (sections, 3): x, y, level [m]; NaN unseen."""
        return tuple(self.survey.crest_line_xyz(i) for i in range(len(self.site.berms)))

    @property
    def crest_profiles(self) -> tuple[CrestProfile, ...]:
        """Standing crest of each berm, section by section."""
        return tuple(
            CrestProfile(i, sections.station_m.copy(), as_kept(crest.height_m),
                         as_kept(crest.offset_m), as_kept(self.survey.targets_m(i)))
            for i, sections in enumerate(self.survey.sections)
            for crest in (self.survey.crest(i),))

    # ---- inputs ------------------------------------------------------------------------------

    def add_pose(self, pose: StampedPose) -> Update:
        """Take in a pose of base_link."""
        finding = check_pose(pose, self._gate)
        if finding:
            self._gate = self._gate.after_lost_pose(pose.stamp_ns)
            return self.turn_down(finding)
        self._gate = self._gate.after_pose(pose)
        self._track.add(pose)
        self._counters['poses'] += 1
        self._borrow.note_pose(pose, self.survey.shift)
        self.survey.trodden.note(pose, self.survey.shift)
        if self._early is not None:
            self._end_wait(self._early, pose)
        return self._update()

    def add_grid(self, grid: ElevationGrid) -> Update:
        """Take in an elevation grid."""
        part = self.survey.part_of(grid)
        finding = check_grid(grid, self._gate, largest_cell_m=self.survey.largest_cell_m,
                             near_m=part.height_m)
        if finding:
            return self.turn_down(finding)
        if not self._ground_known:
            self._lay_out(first_ground_m(self.site, grid.height_m), self._earlier)
            self._ground_known, self._earlier = True, ()
            part = self.survey.part_of(grid)
        was = self._track.at(grid.stamp_ns)
        doubt_driven_over(self.survey, self._clerk.changes, grid.stamp_ns)
        look = self.survey.take_grid(
            grid, was.pose, self._clerk.dumps.mask(), slack_m=was.slack_m, part=part)
        if isinstance(look, Refused):
            return self.turn_down(refusal(look.code, look.text, grid.stamp_ns))
        self._gate = self._gate.after_grid(grid.stamp_ns)
        for code, number in look.counts.items():
            self._counters[code] += number
        self._findings += look.findings
        self._after_look(look, grid.stamp_ns)
        self._borrow.take_grid(grid, was.pose, was.slack_m, look.shift, self.survey)
        return self._update()

    def _after_look(self, look: Look, stamp_ns: int) -> None:
        """Book what a look has shown."""
        # The crest has moved, and with it the loads, even where nothing new is booked.
        self._books = None
        clerk = self._clerk
        clerk.follow_map(look, stamp_ns)
        clerk.keep_survey()
        if self.survey.datum is None and self.survey.survey_complete:
            self._take_datum(stamp_ns)
        elif self.survey.datum is not None and self._keeper.books().datum_seq is None:
            clerk.book_datum(stamp_ns)
        if self.survey.survey_late(clerk.dumps.touched):
            clerk.book_design(stamp_ns)
        if clerk.book_rises(look, stamp_ns):
            self._judge_drop_point()
        changes = clerk.changes_of(look, stamp_ns)
        clerk.readings.book_readings(stamp_ns)
        for change in changes:
            clerk.book_change(change, stamp_ns)
        clerk.readings.book_states(stamp_ns)
        self._borrow.book_balance(stamp_ns)

    def _judge_drop_point(self) -> None:
        """Tell, once, that loads come to lie off the drop point."""
        text = drop_point_text(self._keeper.books().dumps)
        if text and not self._counters['drop_point_off']:
            self._note('drop_point_off', text)

    def add_dump(self, mass_kg: float) -> Update:
        """Take in a dump; its time and place are those of the last pose, or else of the first."""
        finding = check_dump(mass_kg, self._gate)
        if finding:
            if finding.code == 'no_pose' and self._early is None:
                self._early = EarlyDump(mass_kg)
                finding = replace(finding, code='dump_waits', text=WAITS.format(finding.text))
            return self.turn_down(finding)
        assert self._gate.pose is not None
        self._book_dump(mass_kg, self._gate.pose)
        return self._update()

    def _book_dump(self, mass_kg: float, pose: StampedPose) -> None:
        """Book a dump at a pose."""
        # The looks of the last seconds may have seen the load fall.
        self.survey.surface.put_back_risen(
            self._clerk.dumps.cells_under(*self._drop_xy(pose)), pose.stamp_ns)
        if self.survey.datum is None and not self._take_datum(pose.stamp_ns):
            self._note('dump_before_datum', (
                'a dump was announced before any ground was surveyed; its rise is not known'))
        drop_xy = self._drop_xy(pose)  # In a frame that may just have moved.
        self._books = None  # What the load would bury is booked first, and the crest moves.
        if doubt := doubtful_mass(mass_kg, self.site.rover.payload_kg):
            self._note('odd_mass', doubt)
        entry = self._clerk.book_dump(np.nan if doubt else mass_kg, *drop_xy, pose)
        self._dump_ns, self._gate = pose.stamp_ns, self._gate.after_dump()
        self._borrow.note_dump(entry, self.survey.noise)

    def _drop_xy(self, pose: StampedPose) -> tuple[float, float]:
        """Return where a load falls at a pose, in the frame of the site [m]."""
        pose_of_site = self.survey.shift.site_pose(pose.pose)
        x_m, y_m = pose_of_site.apply([self.site.rover.drop_point_xy])[0].tolist()
        return x_m, y_m

    def _end_wait(self, early: EarlyDump, pose: StampedPose) -> None:
        """Book the dump that waited for the first pose, or say why not."""
        self._early = None
        place = place_at(self.survey.area, *self._drop_xy(pose))
        objection = early.objection(pose, place.berm is not None)
        if repeated := check_dump(early.mass_kg, self._gate):
            self._gate, objection = self._gate.after_refusal(repeated), repeated.text
        if objection:
            self._reject(refusal('no_pose', NOT_BOOKED.format(objection), pose.stamp_ns))
            return
        self._book_dump(early.mass_kg, pose)
        self._note(
            'dump_waited', 'a dump announced without a usable pose is booked at the next one')

    def add_drum_current(self, current_a: float) -> Update:
        """Take in a drum current [A]; its time is that of the last pose before it."""
        finding = check_drum_current(current_a, self._gate)
        if finding:
            return self.turn_down(finding)
        self._counters['drum_currents'] += 1
        self._borrow.note_current(current_a)
        return self._update()

    def refuse_unread(self, role: str, fault: str, stamp_ns: int = 0) -> Update:
        """
        Refuse a message that could not even be read.

        Parameters
        ----------
        role : str
            What it was to be, one of ``inputs``.
        fault : str
            What is wrong with it.
        stamp_ns : int
            Its stamp [ns]; 0 where it has none.

        Returns
        -------
        Update
            The refusal.

        """
        stamp_ns = stamp_ns or self.stamp_ns
        if role == POSE:
            self._gate = self._gate.after_lost_pose(stamp_ns)
        text = fault if fault.startswith(f'{role}: ') else f'{role}: {fault}'
        return self.turn_down(refusal('bad_message', text, stamp_ns))

    def turn_down(self, finding: Finding) -> Update:
        """Refuse an input for a reason found; the books do not move but for saying so."""
        self._reject(finding)
        return self._update()

    def take_datum(self) -> Update:
        """Take the present surface for the datum, on an operator's request."""
        if not self._take_datum(self.stamp_ns):
            self._note('no_datum', 'too little ground is known to take a datum from')
        self._borrow.take_datums(self.stamp_ns)
        return self._update()

    def resume(self) -> Update:
        """End a hold, on an operator's request."""
        if self.books.on_hold:
            text = 'the operator resumed'
            self._keeper.book('resume', self.stamp_ns, None, None, {'text': text})
        return self._update()

    def clear_rework(self) -> Update:
        """Accept what is flagged, and soil of no dump, as it stands, on an operator's request."""
        if self.books.flags or self._clerk.changes.accepted.has_fill:
            self._keeper.book('cleared', self.stamp_ns, None, None, {
                'text': 'the operator accepted what was flagged'})
            known = self.survey.surface.known & ~self._clerk.dumps.mask()
            self._clerk.accept(np.flatnonzero(known), self.stamp_ns)
            self._clerk.layers_are_news = True
        return self._update()

    def finish(self) -> Update:
        """Return the layers as they stand at the end; book refusals that are not booked yet."""
        self._keeper.book_refusals(self.stamp_ns, at_the_end=True)
        self._clerk.layers_are_news = self._borrow.layers_are_news = True
        return self._update()

    # ---- the ends of every step --------------------------------------------------------------

    def _take_datum(self, stamp_ns: int) -> bool:
        """Take and book a datum; tell whether there was enough ground."""
        if taken := self.survey.take_datum(stamp_ns):
            self._clerk.book_datum(stamp_ns)
        return taken

    def _note(self, code: str, text: str) -> None:
        """Report something that refuses nothing."""
        self._counters[code] += 1
        self._findings.append(Finding(code, text, Severity.WARNING, self.stamp_ns))

    def _reject(self, finding: Finding) -> None:
        """Count a refusal, report and book it."""
        self._gate = self._gate.after_refusal(finding)
        # Time passes, too, while a dump waits for the first pose.
        self._early = None if self._early is None else self._early.after(finding.stamp_ns)
        self._counters[finding.code] += 1
        self._findings.append(finding)
        self._keeper.refuse(finding, self.stamp_ns)

    def _update(self) -> Update:
        """Hand out what has come together."""
        self._keeper.book_refusals(self.stamp_ns)
        surfaces = self._clerk.take_layers(self.stamp_ns)
        borrow = self._borrow
        if borrow.layers_are_news:
            surfaces = (*surfaces, *borrow.layers(self.stamp_ns))
        for code, text in borrow.take_problems():
            self._note(code, text)
        update = Update(self._keeper.take_new(), tuple(self._findings), surfaces)
        self._findings, borrow.layers_are_news = [], False
        return update
