# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What poses, grids, dumps and drum currents mean for the borrow side, as entries.

A visit is the time between two dumps as far as the rover is in a borrow area. The surfaces of the
areas are looked at no more often than every ``PERIOD_NS`` of message time, and with the shift
that was found for the grid over the berm, so that an update costs little.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .account import BorrowAccount, BorrowFold
from .balance import balance_of, has_opened, imbalance_text, is_open
from .booking import (
    balance_data,
    cut_data,
    load_data,
    void_data,
)
from .cycle import CycleClock, CycleTimes
from .desk import AreaDesk
from .lane_figures import cut_of_load_m, figures_of, LaneFigures, next_lane, room_left, why_void
from .lanes import Lane
from .layers import layers_of, restore
from .load import CurrentLine, Estimate, load_of, weighed
from .patch import BorrowPatch
from .put_back import is_put_back
from .swell import loose_from_bank_m3, SWELL_SPREAD
from ..books import Books, Entry
from ..books.booking import rounded
from ..books.bookkeeper import Bookkeeper
from ..design import Site
from ..geometry import Lattice, Pose2, StampedPose
from ..survey import ElevationGrid
from ..survey.noise import GridNoise
from ..survey.registration import Shift
from ..survey.site_survey import SiteSurvey
from ..survey.snapshot import NamedSurface

PERIOD_NS = 1_000_000_000
# In the middle of a visit a lane is closed only by places with so many looks since the last pass.
LEAST_LOOKS = 2.5
# Drum currents kept of one load.
KEPT_CURRENTS = 5000
# Cut volumes of loads may be off by this share for what slides and is seen late; common practice,
# no source.
CUT_SPREAD = 0.03


class BorrowClerk:
    """
    Turns what happens in the borrow areas into entries.

    Parameters
    ----------
    site : Site
        The site; nothing is kept of one without borrow areas.
    keeper : Bookkeeper
        Who writes the entries.
    books : callable
        Returns the books as they stand, with the loads still called for.
    entries : iterable of Entry
        Entries of an earlier run.
    layers : iterable of NamedSurface
        Layers kept with them.

    """

    def __init__(
        self, site: Site, keeper: Bookkeeper, books: Callable[[], Books], *,
        entries: Iterable[Entry] = (), layers: Iterable[NamedSurface] = (),
    ) -> None:
        """Lay out the areas, or go on from where they were left."""
        self._site, self._keeper, self._books = site, keeper, books
        earlier = tuple(entries)
        self._fold = BorrowFold(earlier)
        self.desks = tuple(
            AreaDesk(site, BorrowPatch(site, area)) for area in site.yard.borrow_areas)
        kept = tuple(layers)
        for desk in self.desks:
            restore(desk.patch, kept)
            known = self.account.areas.get(desk.name)
            desk.voids = set(known.voids) if known else set()
        last_ns = max((e.stamp_ns for e in earlier if e.kind == 'dump'), default=None)
        self._clock = CycleClock(last_ns)
        self._line = CurrentLine.of_rover(site.rover)
        self._currents: deque[float] = deque(maxlen=KEPT_CURRENTS)
        self._carrying = False
        #: Whether a load is aboard; None while neither a dump nor a lane to dig was seen.
        self.aboard: bool | None = None
        # Whether the drum may hold, and the cut lack, what an earlier run has seen dug.
        self._resumed, self._cut_lags = bool(earlier), False
        self._pose: Pose2 | None = None
        self._measured = self._count_measured()
        self._problems: list[tuple[str, str]] = []
        #: Whether something was booked that makes the layers worth keeping.
        self.layers_are_news = False

    @property
    def account(self) -> BorrowAccount:
        """Return the account as it stands."""
        return self._fold.account()

    def layers(self, stamp_ns: int) -> tuple[NamedSurface, ...]:
        """Return the layers of all areas that were seen."""
        return tuple(layer for desk in self.desks for layer in layers_of(desk.patch, stamp_ns))

    def take_problems(self) -> tuple[tuple[str, str], ...]:
        """Return codes and texts of what was found since the last call."""
        found, self._problems = tuple(self._problems), []
        return found

    # ---- inputs ------------------------------------------------------------------------------

    def note_pose(self, pose: StampedPose, shift: Shift) -> None:
        """Take in a pose that was used; places are those of the site."""
        if not self.desks:
            return
        here = shift.site_pose(pose.pose)
        drop_xy = here.apply([self._site.rover.drop_point_xy])[0]
        inside = False
        for desk in self.desks:
            if desk.holds(here, drop_xy):
                desk.visit(here, pose.stamp_ns)
                inside = True
            desk.patch.tracks.note(here, desk.patch.surface)
        if inside:
            # What the drum draws while it digs is not the weight of the load.
            self._currents.clear()
            self._carrying = True
            # Where all lanes are closed there is nothing to dig.
            if any(len(desk.voids) < len(desk.lanes) for desk in self.desks):
                self.aboard = True
        self._pose = here
        self._clock.pose(pose.stamp_ns, here, inside)

    def note_current(self, current_a: float) -> None:
        """Take in a drum current that was used; it counts while a load is carried."""
        if self._carrying:
            self._currents.append(current_a)

    def take_grid(
        self, grid: ElevationGrid, pose: Pose2, slack_m: float, shift: Shift, survey: SiteSurvey
    ) -> None:
        """Take in a grid that the survey of the berm has used, where an area is due."""
        for desk in self.desks:
            desk.patch.sinks = survey.trodden.has_sunk
            due = desk.looked_ns is None or grid.stamp_ns - desk.looked_ns >= PERIOD_NS
            if not (due and desk.patch.shown_by(grid)):
                continue
            desk.looked_ns = grid.stamp_ns
            if desk.patch.take_grid(grid, pose, slack_m, shift, survey.noise):
                self._after_look(desk, grid.stamp_ns)

    def _after_look(self, desk: AreaDesk, stamp_ns: int) -> None:
        """Take a datum where the survey is complete; else see to the lanes."""
        patch = desk.patch
        if patch.datum_m is None:
            if patch.survey_complete:
                self._take_datum(desk, stamp_ns)
                desk.leave()
            return
        patch.survey_late()
        if patch.visited.any():
            self._close_voids(desk, figures_of(
                patch, desk.lanes, least_looks=LEAST_LOOKS), stamp_ns)

    def take_datums(self, stamp_ns: int) -> None:
        """Take the present surfaces for the natural ground, on an operator's request."""
        for desk in self.desks:
            desk.patch.touched[:] = False
            desk.leave()
            self._take_datum(desk, stamp_ns, anew=True)

    def note_dump(
        self, entry: Entry, noise: GridNoise
    ) -> None:
        """
        Close a cycle with an announced dump.

        Parameters
        ----------
        entry : Entry
            Entry of the dump.
        noise : GridNoise
            Noise of one look.

        """
        data = entry.data
        if not self.desks or is_put_back(self._site, entry.berm, data['x_m'], data['y_m']):
            # The cycle goes on.
            return
        times = self._clock.dump()
        visited = [desk for desk in self.desks if desk.before is not None]
        cut_m3, cut_se_m3 = 0.0, 0.0
        for desk in visited:
            part = self._measure(desk, noise, entry.stamp_ns)
            cut_m3, cut_se_m3 = cut_m3 + part[0], math.hypot(cut_se_m3, part[1])
        if not visited:
            cut_m3 = cut_se_m3 = math.nan
        # Which areas an earlier run has seen the load dug in is not known: any may be the one.
        dug = self.desks if self._resumed and not visited else visited
        unseen = tuple(desk.name for desk in dug if desk.patch.datum_m is None)
        self._cut_lags = not visited and (self._resumed or self._cut_lags)
        self._resumed = False
        self._book_load(entry, times, cut_m3, cut_se_m3, unseen)
        self._currents.clear()
        self._carrying = self.aboard = False

    def _measure(
        self, desk: AreaDesk, noise: GridNoise, stamp_ns: int
    ) -> tuple[float, float]:
        """Book the figures of an area after a visit; return what was cut in it [m3]."""
        patch = desk.patch
        patch.settle()
        patch.learn_ruts()
        if patch.datum_m is None:
            # Where the survey was not complete, looks before and after the cut are mixed.
            self._take_datum(desk, stamp_ns, after_a_load=True)
            desk.leave()
            return math.nan, math.nan
        assert desk.before is not None
        own = patch.volume_m3(patch.visited, noise, desk.before)
        desk.leave()
        figures = figures_of(patch, desk.lanes)
        self._close_voids(desk, figures, stamp_ns)
        self._book_cut(desk, figures, noise, own, stamp_ns)
        return own

    # ---- entries -----------------------------------------------------------------------------

    def _book(self, kind: str, stamp_ns: int, data: dict[str, Any]) -> None:
        """Write an entry and post it to the account."""
        self._fold.post(self._keeper.book(kind, stamp_ns, None, None, data))
        self.layers_are_news = True

    def _take_datum(
        self, desk: AreaDesk, stamp_ns: int, *, after_a_load: bool = False, anew: bool = False
    ) -> None:
        """Take and book the datum of an area, where enough of it is known."""
        share = desk.patch.take_datum(after_a_load=after_a_load)
        if share is not None:
            self._book('borrow_datum', stamp_ns, {
                'area': desk.name, 'seen_fraction': rounded('fraction', share),
                **({'anew': True} if anew else {})})

    def _close_voids(
        self, desk: AreaDesk, figures: tuple[LaneFigures, ...], stamp_ns: int
    ) -> None:
        """Book lanes that have become voids."""
        limit_m = desk.patch.area.max_cut_m
        for lane, figure in zip(desk.lanes, figures):
            if lane.number in desk.voids:
                continue
            # A rover that digs deeper in one place than a pass would is believed to go on so.
            deeper = figure.deepest_m - desk.depths.get(lane.number, 0.0)
            next_cut_m = cut_of_load_m(self._site, lane)
            if desk.before is None:
                desk.depths[lane.number] = figure.deepest_m
            elif deeper > next_cut_m and math.isfinite(deeper):
                next_cut_m = min(deeper, 2.0 * next_cut_m)
            reason = why_void(self._site, limit_m, figure, next_cut_m)
            if reason is not None:
                desk.voids.add(lane.number)
                data = void_data(self._site, desk.name, limit_m, figure, reason)
                self._book('void', stamp_ns, data)
                self._problems.append(('void', data['text']))

    def _book_cut(
        self, desk: AreaDesk, figures: tuple[LaneFigures, ...], noise: GridNoise,
        own: tuple[float, float], stamp_ns: int,
    ) -> None:
        """Book the figures of an area."""
        patch = desk.patch
        lane = next_lane(desk.lanes, figures, desk.voids, self._pose)
        next_cut_m = math.nan if lane is None else cut_of_load_m(self._site, lane)
        deepest = [f.deepest_m for f in figures if math.isfinite(f.deepest_m)]
        steps = [f.step_m for f in figures if math.isfinite(f.step_m)]
        left = room_left(
            patch, desk.lanes, desk.voids, 0.0 if math.isnan(next_cut_m) else next_cut_m)
        self._book('cut', stamp_ns, cut_data(
            desk.name, patch.volume_m3(patch.counted, noise), own,
            max(deepest, default=math.nan), max(steps, default=math.nan), left, figures,
            None if lane is None else lane.number, next_cut_m))

    def _book_load(
        self, dump: Entry, times: CycleTimes, cut_m3: float, cut_se_m3: float,
        unseen: tuple[str, ...],
    ) -> None:
        """Book what a load weighs, by all that is known of it."""
        books, density = self._books(), self._site.material.loose_density_kg_m3
        swell = self._site.material.swell
        line = self._line.learned(self._measured_loads(books, density))
        current_a, by_current = line.mass(self._currents)
        by_cut = Estimate()
        if math.isfinite(cut_m3):
            mass = loose_from_bank_m3(max(0.0, cut_m3), swell) * density
            by_cut = Estimate(mass, math.hypot(
                cut_se_m3 * swell * density, mass * math.hypot(SWELL_SPREAD, CUT_SPREAD)))
        found = books.dump_yield
        usual = Estimate(found.value_m3 * density,
                         math.hypot(found.spread_m3, found.se_m3) * density)
        announced = dump.data.get('mass_kg')
        parts = {'weighed': weighed(math.nan if announced is None else announced),
                 'current': by_current, 'cut': by_cut}
        load, partial = load_of(
            parts.values(), usual, Estimate(usual.mass_kg, found.se_m3 * density))
        self._book('load', dump.stamp_ns, load_data(
            dump.seq, load, partial, {**parts, 'yield': usual}, current_a,
            (cut_m3, cut_se_m3), times, books.dumps_remaining, unseen))

    def _measured_loads(
        self, books: Books, density: float
    ) -> list[tuple[float, float, float]]:
        """Return current, mass and its error of the loads whose rise was measured."""
        dumps = {d.seq: d for d in books.dumps
                 if not d.stray and math.isfinite(d.volume_m3 + d.volume_se_m3)}
        out = []
        for load in self.account.loads:
            dump = dumps.get(load.dump_seq)
            if dump is not None and math.isfinite(load.current_a):
                out.append((load.current_a, dump.volume_m3 * density,
                            dump.volume_se_m3 * density))
        return out

    def book_balance(self, stamp_ns: int) -> None:
        """Book the balance after rises were measured, and a finding where it does not close."""
        if not self.account.loads or self._cut_lags:
            return
        measured = self._count_measured()
        if measured == self._measured:
            return
        self._measured = measured
        balance = balance_of(self._site, self._keeper.books(), self.account, stamp_ns)
        if balance is None:
            return
        was_open = self.account.unbalanced
        now_open = (is_open(self._site, balance, was_open=True) if was_open
                    else has_opened(self._site, (*self.account.holding, balance)))
        data = balance_data(balance, now_open)
        self._book('balance', stamp_ns, data)
        if now_open and not was_open:
            text = imbalance_text(balance)
            self._book('imbalance', stamp_ns, {
                'volume_m3': data['unexplained_m3'],
                'volume_se_m3': data['unexplained_se_m3'], 'text': text})
            self._problems.append(('imbalance', f'{text}: {balance.unexplained_m3:+.4f} m3'))

    def _count_measured(self) -> int:
        """Count the dumps that were measured, or found to have strayed."""
        counts = self._keeper.books().counts
        return counts.get('rise', 0) + counts.get('stray_dump', 0)

    # ---- advice ------------------------------------------------------------------------------

    def proposal(self) -> tuple[Lane, float] | None:
        """Return the lane to dig next, of all areas the one dug least, and its cut [m]."""
        best: tuple[float, Lane] | None = None
        for desk in self.desks:
            known = self.account.areas.get(desk.name)
            figures = known.lanes if known and known.lanes else tuple(
                LaneFigures(lane.number, math.nan, math.nan, math.nan, math.nan)
                for lane in desk.lanes)
            lane = next_lane(desk.lanes, figures, desk.voids, None)
            if lane is None:
                continue
            if known is not None and known.next_lane not in (None, *desk.voids):
                lane = desk.lanes[(known.next_lane or 1) - 1]
            mean = figures[lane.number - 1].mean_m
            mean = 0.0 if math.isnan(mean) else mean
            if best is None or mean < best[0]:
                best = (mean, lane)
        return None if best is None else (best[1], cut_of_load_m(self._site, best[1]))

    def with_voids(self, lattice: Lattice, blocked: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return which cells of a lattice are blocked, those that lie in a void among them."""
        voids = [lane for desk in self.desks for lane in desk.lanes if lane.number in desk.voids]
        if not voids:
            return blocked
        centres_xy = lattice.centres_xy()
        for lane in voids:
            blocked = blocked | lane.contains(centres_xy)
        return blocked
