# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The survey of a site: grids in, surface and readings out.

Holds the state (surface, datum, expectation of the shift) and the order of the steps: drop
spikes and what was carried over, find the shift, sample, leave out the rover and what stands too
high to be soil, learn the noise, fuse.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .area import survey_area, SurveyArea
from .blur import PlaceOfGrids
from .carried import CarriedOver
from .crest import Crest
from .crest_lines import CrestLines
from .datum import Datum, plane_datum, surveyed_datum, with_late_survey
from .designed import Designed, designed_over
from .far_noise import NoiseByDistance
from .frame import FrameOfSurvey
from .gaps import Sparseness
from .grid import ElevationGrid
from .look import Look
from .map_memory import MapMemory
from .middle import median
from .noise import GridNoise
from .noise_range import NoiseRange
from .other_flank import Filled, OtherFlank
from .readings import Budget, crest_figures, CrestFigures, Reading, segment_reading
from .registration import Refused, Registration, Shift
from .sampling import cleaned, part_of_area, sampled_anew, shown_pieces, too_high, under_rover
from .sections import largest_cell_m, Sections, sections_of_berm
from .standing import Ground, spread_along
from .standstill import Standstill
from .staying import StayingNoise
from .sunk import SunkGround
from .surface import SiteSurface
from .trodden import Trodden
from .turns import Turns
from ..design import Site
from ..geometry import Pose2

# What stands this far above the highest design crest around is no soil [m].
OBJECT_M = 0.15
FOOTPRINT_PAD_M = 0.10
# Spread of the mean of ground that was filled in, as over a simulated relief of 20 mm [m].
FILLED_SPREAD_M = 0.015
# The survey counts as complete when this share of the corridor has this many looks.
COMPLETE_SHARE = 0.98
COMPLETE_LOOKS = 10.0


class SiteSurvey:
    """
    The survey of one site.

    Parameters
    ----------
    site : Site
        The site.
    ground_m : float
        Rough level of the natural ground [m], for level crests without a given plane.

    """

    def __init__(self, site: Site, *, ground_m: float = 0.0) -> None:
        """Lay out cells and sections; nothing is known yet."""
        self.site = site
        self.ground_m = ground_m
        self.area: SurveyArea = survey_area(site, ground_m=ground_m)
        self.surface = SiteSurface(len(self.area))
        self.registration = Registration(self.area)
        self._frame = FrameOfSurvey(self.area)
        self.noise, self.noise_range = GridNoise(), NoiseRange(self.area)
        self.by_distance = NoiseByDistance(self.area.centres_xy)
        self.staying = StayingNoise(len(self.area))
        self.memory = MapMemory(self.area)
        self.shift = Shift()
        self.sections: tuple[Sections, ...] = tuple(
            sections_of_berm(self.area, i) for i in range(len(site.berms)))
        self.largest_cell_m = largest_cell_m(self.area)
        self._grid_cell_m = site.cell_m
        self.places = PlaceOfGrids(self.area.lattice)
        self._crests = CrestLines(self.area, self.sections, self.places)
        self._other_flank = OtherFlank(self.area, self.sections)
        self._turns = Turns(self.area)
        self.trodden = Trodden(self.area, FOOTPRINT_PAD_M)
        self.sunk = SunkGround(len(self.area))
        self._carried, self._standstill, self._sparse = CarriedOver(), Standstill(), Sparseness()
        self._corridors_m2 = self.area.row_areas_m2()
        # The datum and the design over it, None before there is one.
        self._designed: Designed | None = None
        given = plane_datum(self.area, 0)
        if given is not None:
            self.set_datum(given)

    def expect(self, shift: Shift, stamp_ns: int, level_error_m: float | None = None) -> None:
        """Take the map to lie where an earlier run has left it, until a grid tells."""
        if self.registration.expect(shift, stamp_ns, level_error_m):
            self.shift = shift

    # ---- datum -------------------------------------------------------------------------------

    @property
    def datum(self) -> Datum | None:
        """Datum in use, None before there is one."""
        return None if self._designed is None else self._designed.datum

    def set_datum(self, datum: Datum) -> None:
        """Use a datum from now on."""
        self.surface.former = None
        self._designed = designed_over(self.area, self.sections, datum)
        self._crests.touch()

    def take_datum(self, stamp_ns: int) -> bool:
        """Take the present surface for the datum; tell whether enough of it is known."""
        surface = self.surface
        self.shift = self._frame.settled(surface, self.registration, self.shift)
        datum = surveyed_datum(
            self.area, surface.height_m, surface.effective_looks(), stamp_ns)
        if datum is not None:
            self.sunk = SunkGround(len(self.area))
            self.set_datum(datum)
            self.registration.opening.end()
        return datum is not None

    @property
    def survey_complete(self) -> bool:
        """Whether the corridor has been looked at often enough to call it surveyed."""
        looks = self.surface.looks[self.area.in_corridor]
        return bool(np.mean(looks >= COMPLETE_LOOKS) >= COMPLETE_SHARE)

    def survey_late(self, touched: NDArray[np.bool_]) -> bool:
        """Survey filled cells after all, first seen before any load came near; tell if any."""
        if self.datum is None or not self.datum.has_filled:
            return False
        late = self.datum.filled & ~touched & (self.surface.looks >= COMPLETE_LOOKS)
        if late.any():
            self.set_datum(with_late_survey(
                self.datum, late, self.surface.height_m, self.surface.effective_looks()))
        return bool(late.any())

    def design_volumes_m3(self) -> NDArray[np.float64] | None:
        """Return the design volume of every segment [m3], None before the datum."""
        return None if self._designed is None else self._designed.sums.design_m3()

    def target_heights_m(self) -> NDArray[np.float64] | None:
        """Return the mean design crest height of every segment [m], None before the datum."""
        return None if self._designed is None else self._designed.of_segments_m(self.sections)

    def design_m(self) -> NDArray[np.float64]:
        """Return the design height at every cell (n,) [m]; NaN before the datum."""
        if self._designed is None:
            return np.full(len(self.area), np.nan)
        return self._designed.height_m

    def targets_m(self, berm_index: int) -> NDArray[np.float64]:
        """Return the design crest height at every section of a berm [m]; NaN before the datum."""
        if self._designed is None:
            return np.full(len(self.sections[berm_index].station_m), np.nan)
        return self._designed.targets_m[berm_index]

    # ---- looks -------------------------------------------------------------------------------

    def take_grid(
        self, grid: ElevationGrid, site_from_base: Pose2, worked: NDArray[np.bool_], *,
        slack_m: float = 0.0, part: ElevationGrid | None = None,
    ) -> Look | Refused:
        """
        Take in one grid.

        Parameters
        ----------
        grid : ElevationGrid
            Grid in the site frame, not yet corrected for the shift of the map.
        site_from_base : Pose2
            Where the rover stands, with the same shift.
        worked : array
            Cells where loads have landed lately, shape (n,): no use for registration, and a
            change is believed sooner there.
        slack_m : float
            How far the rover may have gone from there [m].
        part : ElevationGrid, optional
            What ``part_of`` gives of the grid, where it is known already.

        Returns
        -------
        Look or Refused
            What was learned, or why the grid was not used.

        """
        part = part or self.part_of(grid)
        clean = cleaned(part, self._carried, self.noise.kept)
        self.noise = self.memory.learned(
            self.noise, part.axes, part.height_m, self._carried.before)
        shift = self.registration.register(clean.grid, self.surface, worked, self.noise.total_m)
        if isinstance(shift, Refused):
            return shift
        self.shift = shift
        if self.datum is None:
            self._frame.note(shift)
        self.use_cell(grid.axes.cell_m * self._sparse.coarser(clean.gaps))
        if clean.gaps is None:
            self.places.take(grid.axes, (shift.dx_m, shift.dy_m))
        measured = sampled_anew(clean, self.area, shift)
        shown = shown_pieces(measured, self.area)
        under = under_rover(self.area, shift, site_from_base, FOOTPRINT_PAD_M + slack_m)
        measured[under] = np.nan
        objects = self._too_high(measured, shown)
        measured[objects] = np.nan
        self._learn_noise(measured, worked, site_from_base)
        self.trodden.learn(measured, self.surface, worked)
        fused = self.surface.fuse(
            measured, grid.stamp_ns, self._look_noise_m(shift), worked, shown)
        turn = self._turns.after_look(fused.seen, self.surface.looks, fused.moved)
        self._crests.touch_rows(turn)
        return Look(shift, fused, clean.spikes, clean.carried_over, len(under), len(objects),
                    measured, shown, self.registration.raised_m,
                    (*self._standstill.findings(grid, site_from_base, fused.seen),
                     *self._sparse.findings(clean.gaps, grid.stamp_ns)),
                    self.by_distance.too_noisy(site_from_base))

    def part_of(self, grid: ElevationGrid) -> ElevationGrid:
        """Return the part of a grid that may show a surveyed cell."""
        return part_of_area(grid, self.area, self.registration.mean)

    def move_surface(
        self, cells: NDArray[np.intp], height_m: NDArray[np.float64], looks: NDArray[Any]
    ) -> None:
        """Let the surface at cells (m,) stand where a change left it [m], worth so many looks."""
        self.surface.put(cells, height_m, looks)
        moved = np.zeros(len(self.area), dtype=bool)
        moved[cells] = True
        self._turns.ask(self._crests.touch(moved))

    def use_cell(self, grid_cell_m: float) -> None:
        """Expect grids of another cell [m]."""
        self._grid_cell_m = grid_cell_m
        self.noise = self.noise_range.of(self.noise.of_cell(grid_cell_m))
        self._crests.use_cell(grid_cell_m)

    def _look_noise_m(self, shift: Shift) -> float:
        """Return the noise of one look, with what an unseen planar shift does on a slope [m]."""
        slope = max(berm.side_slope for berm in self.site.berms)
        return float(np.hypot(self.noise.total_m, slope * shift.se_xy_m))

    def _too_high(
        self, measured_m: NDArray[np.float32], shown: NDArray[np.int32] | None
    ) -> NDArray[np.intp]:
        """Return the cells that show something that stands too high for soil, and those beside."""
        if self._designed is None:
            crest = max(berm.crest_height_m or OBJECT_M for berm in self.site.berms)
            return too_high(
                self.area, measured_m, self.surface.height_m, -np.inf, crest + OBJECT_M, shown)
        datum = self._designed.datum
        return too_high(self.area, measured_m, datum.level_m, datum.lowest_m,
                        self._designed.highest_m + OBJECT_M, shown)

    def _learn_noise(
        self, measured_m: NDArray[np.float32], worked: NDArray[np.bool_], robot: Pose2
    ) -> None:
        """Learn the noise on the ground that registration uses."""
        left, right, looks, spacing_m = self.registration.ground.pairs(
            measured_m, self.surface, worked)
        if len(left):
            self.noise = self.noise.learned(
                left, right, median(looks), spacing_m, self.registration.usual_disagreeing)
        self.by_distance.learn(measured_m, self.surface, worked, robot, self.noise.total_m)
        noise = self.noise_range.learned(self.noise, measured_m, self.surface, worked)
        self.noise = self.staying.learned(noise, measured_m, self.surface, worked, robot)

    # ---- readings ----------------------------------------------------------------------------

    def height_m(self) -> NDArray[np.float64]:
        """Return the height above the datum at every cell (n,) [m]; NaN where not known."""
        return (self.surface.height_m - self._level_m).astype(float)

    def likely_height_m(self) -> NDArray[np.float64]:
        """Return the same, of hidden cells as across the crest, shape (n,) [m]."""
        return (self._filled.surface.height_m - self._level_m).astype(float)

    @property
    def _filled(self) -> Filled:
        """Return the surface with hidden cells as across the crest."""
        return self._other_flank.filled(self.surface, self.datum)

    def crest(self, berm_index: int) -> Crest:
        """Return the crest of all sections of a berm as the surface stands."""
        surface = self._filled.surface if self._crests.is_stale(berm_index) else self.surface
        return self._crests.crest(
            berm_index, surface.height_m, self._noise_along, self._level_m)

    def crest_error_m(self, berm_index: int) -> NDArray[np.float64]:
        """Return the error of each section of a crest that the others do not share [m]."""
        return self._crests.own_error_m(berm_index, self.crest(berm_index), self._noise_along)

    @property
    def _level_m(self) -> NDArray[np.float32]:
        """Return what is taken off heights (n,) [m]: all of them before there is a datum."""
        return self.surface.height_m if self.datum is None else self.datum.level_m

    def _noise_along(
        self, cells: NDArray[np.int32], ends: NDArray[np.intp], rows: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        """Return the noise that neighbours do not share along some rows of cells (r,) [m]."""
        return spread_along(self.surface, self.datum, self.noise.white_m, cells, ends, rows)

    def put_back_crest(self, berm_index: int, crest: Crest) -> None:
        """Take a crest of an earlier run; it stands until its cells are seen again."""
        self._crests.put_back(berm_index, crest)

    def crest_line_xyz(self, berm_index: int) -> NDArray[np.float64]:
        """Return the standing crest, shape (sections, 3): x, y, level [m]; NaN where unseen."""
        sections, crest = self.sections[berm_index], self.crest(berm_index)
        points = self.site.berms[berm_index].centreline.point_at(
            sections.station_m, np.nan_to_num(crest.offset_m))
        ground = np.nan if self.datum is None else self.datum.level_m[self.area.cells_at(points)]
        return np.column_stack([points, crest.height_m + ground])

    def rows_due(self, overdue: NDArray[np.bool_] | None) -> NDArray[np.intp]:
        """Return the rows in view that are worth reading, or ``overdue`` (segments,) anyway."""
        return self._turns.due(overdue)

    def shows_berm(self, look: Look) -> bool:
        """Tell whether the last look has shown any cell of the corridor."""
        # Mostly it shows some of a crest, and that is told in less.
        return bool(self._turns.seen.any() or (look.fused.seen & self.area.in_corridor).any())

    def rows_seen(self) -> NDArray[np.bool_]:
        """Return which rows the last look has shown, shape (segments,); none before a datum."""
        return self._turns.seen if self._designed else np.zeros_like(self._turns.seen)

    def readings(self, rows: NDArray[np.intp] | None = None) -> tuple[Reading, ...]:
        """
        Return readings of segments, all by default, as the surface stands.

        Parameters
        ----------
        rows : array, optional
            Rows of the books, in order.

        Returns
        -------
        tuple of Reading
            In the order of the rows; nothing before there is a datum.

        """
        rows = np.arange(len(self.area.segments)) if rows is None else rows
        designed = self._designed
        if designed is None or not len(rows):
            return ()
        self._crests.touch_rows(rows)
        along = self._crest_figures(rows)
        surface, hidden_m3 = self._filled
        noise_m = self.noise.total_m
        under = self.sunk.under(designed.datum, designed.height_m, surface.height_m, noise_m)
        stocks = designed.sums.of_rows(rows, surface, under, noise_m, designed.given)
        self._turns.done(rows)
        return tuple(
            segment_reading(
                self.area.segments[row], row, figures, stock,
                self._budget(stock.inverse, designed.beneath[row]),
                self._corridors_m2[row], hidden_m3[row])
            for row, figures, stock in zip(rows.tolist(), along, stocks))

    def _crest_figures(self, rows: NDArray[np.intp]) -> list[CrestFigures]:
        """Return what the crest of some rows of the books, in order, comes to."""
        out: list[CrestFigures] = []
        listed = rows.tolist()
        for index, berm in enumerate(self.site.berms):
            sections, crest = self.sections[index], self.crest(index)
            own = slice(bisect_left(listed, sections.rows.start),
                        bisect_left(listed, sections.rows.stop))
            out += crest_figures(
                crest, sections, self.targets_m(index), berm.height_tolerance_m, rows[own])
        return out

    def _budget(self, inverse: float, ground: Ground) -> Budget:
        """Return the error budget for a mean of 1 / looks of the surface over some ground."""
        inverse += ground.inverse
        level_m = self.registration.opening.error_m
        shared_m = level_m if ground.given else FILLED_SPREAD_M * ground.filled
        return Budget(self.noise, 1.0 / inverse if inverse > 0.0 else np.inf, self.shift.se_z_m,
                      shared_m, self.area.lattice.cell_m, self._grid_cell_m)
