# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a grid shows at the surveyed cells, and which of them must not be believed."""

from __future__ import annotations

from dataclasses import dataclass, replace
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .attitude import Attitude
from .carried import CarriedOver, without_carried
from .gaps import Gaps, is_sparse, without_gaps
from .grid import ElevationGrid
from .map_memory import without_memory
from .nearby import grow
from .registration import LIMIT_XY_M, Shift
from .resample import at_cells, bilinear, part_around, under_footprint, without_spikes
from ..geometry import Pose2
from ..kernels import compiled

# How far around what is too high for soil nothing is believed [m].
OBJECT_PAD_M = 0.08
# A cell is seen where so much of what it is sampled from was measured anew.
MOSTLY_FRESH = 0.5


def part_of_area(
    grid: ElevationGrid, area: SurveyArea, shift_xyz: NDArray[np.float64]
) -> ElevationGrid:
    """Return the part of a grid that may show a surveyed cell, about where it is expected."""
    low, high = area.corners_xy
    slack_m = LIMIT_XY_M + math.hypot(*shift_xyz[:2].tolist())
    return part_around(grid, low - slack_m, high + slack_m)


def sampled(grid: ElevationGrid, area: SurveyArea, shift: Shift) -> NDArray[np.float32]:
    """Return the heights of a grid at the cells (n,), its shift taken off [m]; NaN unseen."""
    measured, (tilt, yaw) = None, shift.attitude
    if area.fills_its_lattice and not yaw:
        measured = at_cells(
            grid, area.lattice, area.runs, shift.dx_m, shift.dy_m, shift.dz_m)
    if measured is None:
        points = yaw.moved_xy(area.centres_xy) if yaw else area.centres_xy
        measured = bilinear(grid, points, (shift.dx_m, shift.dy_m))
        measured -= np.float32(shift.dz_m)
    if tilt:
        measured -= tilt.up_m(area.centres_xy).astype(np.float32)
    return measured


@dataclass(frozen=True, eq=False)
class Cleaned:
    """
    What of a grid is to be believed.

    Parameters
    ----------
    grid : ElevationGrid
        Without single-cell spikes, and what was not measured anew; small gaps of a sparse grid
        are filled.
    fresh : array or None
        Which cells were measured anew, as ``CarriedOver.fresh`` gives it; None where all others
        are gaps, filled or not.
    spikes, carried_over : int
        How many cells were left out as such.
    gaps : Gaps or None
        What its gaps are; None of a dense grid.

    """

    grid: ElevationGrid
    fresh: NDArray[np.bool_] | None
    spikes: int
    carried_over: int
    gaps: Gaps | None


def cleaned(part: ElevationGrid, carried: CarriedOver, kept: float = 0.0) -> Cleaned:
    """
    Return what is to be believed of a part of a grid.

    Parameters
    ----------
    part : ElevationGrid
        The part, as it came.
    carried : CarriedOver
        What it is compared with.
    kept : float
        Share of each height that a mapper keeps from the grid before, 0 to 1.

    Returns
    -------
    Cleaned
        Heights as the newest scan has them.

    """
    fresh = carried.fresh(part)
    height, spikes = without_spikes(without_memory(part.height_m, carried.before, kept))
    repeated = 0 if fresh is None else np.count_nonzero(np.isfinite(part.height_m) & ~fresh)
    anew = height if fresh is None else np.where(fresh, height, np.float32('nan'))
    anew, gaps = without_gaps(anew, part.axes.cell_m) if is_sparse(anew) else (anew, None)
    if gaps is not None and (fresh is None or gaps.enough):
        height, fresh = anew, None
    else:
        height = without_carried(height, fresh)
    clean = part if height is part.height_m else replace(part, height_m=height)
    return Cleaned(clean, fresh, spikes, int(repeated), gaps)


def sampled_anew(clean: Cleaned, area: SurveyArea, shift: Shift) -> NDArray[np.float32]:
    """Return heights as ``sampled``, NaN where a cell leans mostly on what is not new."""
    measured = sampled(clean.grid, area, shift)
    if clean.fresh is not None:
        share = sampled(replace(clean.grid, height_m=clean.fresh.astype(np.float32)), area,
                        replace(shift, dz_m=0.0, attitude=Attitude(yaw=shift.attitude.yaw)))
        measured[share < MOSTLY_FRESH] = np.nan
    return measured


def shown_pieces(
    measured_m: NDArray[np.float32], area: SurveyArea
) -> NDArray[np.int32] | None:
    """
    Return where a look may show anything: from the first to the last such cell of every row.

    Parameters
    ----------
    measured_m : array
        Heights at the cells, shape (n,) [m]; NaN is not seen.
    area : SurveyArea
        The cells.

    Returns
    -------
    array or None
        First cell, the same again, how many, with one more on either side, shape (k, 3); None
        without the compiled loops, which alone want it.

    """
    if compiled.sampling is None:
        return None
    pieces = np.frombuffer(compiled.sampling.shown(measured_m, area.runs), dtype=np.int32)
    return pieces.reshape(-1, 3)


def under_rover(
    area: SurveyArea, shift: Shift, site_from_base: Pose2, pad_m: float
) -> NDArray[np.intp]:
    """Return the cells that a grid shows under the rover or within a pad around it."""
    footprint = area.site.rover.footprint
    moved_xy = np.array([shift.dx_m, shift.dy_m])
    site_from_base = shift.turned_back(site_from_base)
    if compiled.sampling is not None:
        yaw_rad, lattice = site_from_base.yaw_rad, area.lattice
        return np.frombuffer(compiled.sampling.cells_under(
            area.cell_of_flat.reshape(lattice.shape),
            np.array([lattice.x0_m, lattice.y0_m, lattice.cell_m]), area.centres_xy, moved_xy,
            site_from_base.xy, np.array([math.cos(yaw_rad), math.sin(yaw_rad)]),
            *footprint.ends_xy(), pad_m), dtype=np.intp)
    corners = site_from_base.apply(footprint.corners_xy) - moved_xy
    # A little further, for whatever rounding does to the border.
    reach_m = pad_m + area.lattice.cell_m
    near = area.cells_within(corners.min(axis=0) - reach_m, corners.max(axis=0) + reach_m)
    if not len(near):
        return near
    points = area.centres_xy[near] + moved_xy
    return near[under_footprint(points, footprint, site_from_base, pad_m)]


def too_high(
    area: SurveyArea, measured_m: NDArray[np.float32], ground_m: NDArray[np.float32],
    lowest_m: float, most_m: float, shown: NDArray[np.int32] | None,
) -> NDArray[np.intp]:
    """Return cells that stand higher above the ground (n,) than is believed, and around."""
    if compiled.cells is not None and not compiled.cells.any_above(
            measured_m, ground_m, shown, lowest_m, most_m):
        return np.empty(0, dtype=np.intp)
    with np.errstate(invalid='ignore'):
        high = measured_m - ground_m > np.float32(most_m)
    if not high.any():
        return np.empty(0, dtype=np.intp)
    return area.cells_near(np.flatnonzero(high), pad_steps(area.lattice.cell_m))


def and_around(high: NDArray[Any], cell_m: float) -> NDArray[np.bool_]:
    """Return what is too high for soil and what lies so near that it is not believed, (r, c)."""
    return grow(np.asarray(high, dtype=np.bool_), pad_steps(cell_m))


def pad_steps(cell_m: float) -> int:
    """Return how many cells around what is too high are not believed."""
    return max(1, round(OBJECT_PAD_M / cell_m))
