# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Shift of a measured grid against the site surface, found on ground that is not being worked.

The grid is sampled at the surveyed cells moved by the expected shift; the differences to the
site surface are explained by a small further shift through the slopes of the surface (linearised
surface differences, as in Nuth and Kaab 2011, The Cryosphere 5:271-290, here in least-squares
form) and by a vertical offset. The estimate is robust (Tukey weights that tighten step by step)
and is combined with what was expected, weighted by information: where the ground has no relief
the planar part has no information and stays where it was.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
import math

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .attitude import Attitude, AttitudeOfGrids, UPRIGHT
from .best_fit import Fitting, JUMP_SPREAD_M, Placed
from .compared import ComparedGround
from .grid import ElevationGrid
from .map_steps import MapSteps
from .odd_grids import OddGrids
from .opening import Opening
from .resample import bilinear
from .surface import SiteSurface
from .symmetric import inverse
from ..geometry import Pose2

# What the shift may do between two grids (standard deviations) [m]: placement and drift.
WALK_XY_M = 0.004
WALK_Z_M = 0.004
WALK_M2 = np.diag([WALK_XY_M**2, WALK_XY_M**2, WALK_Z_M**2])
# Most that is believed [m, m/m, rad]; beyond, the grid is refused.
LIMIT_XY_M = 0.15
LIMIT_Z_M = 0.15
LIMIT_TILT = 0.05
LIMIT_YAW_RAD = 0.05
LIMIT_SPREAD_M = 0.012
# Share of stable cells that may disagree after the best shift.
MOST_DISAGREEING = 0.4


@dataclass(frozen=True)
class Shift:
    """
    Where a grid lies: a point of the site is shown moved by (dx, dy) and raised by dz.

    Parameters
    ----------
    dx_m, dy_m, dz_m : float
        The shift [m].
    se_xy_m, se_z_m : float
        Standard errors [m]; ``se_xy_m`` is that of the less certain direction.
    residual_m : float
        Robust spread of the differences left over [m].
    cells : int
        Cells compared.
    planar_observed : bool
        Whether the ground had enough relief to see the planar part.
    attitude : Attitude
        How the grid is tilted and turned, about the places where dx, dy and dz hold.
    is_far : bool
        Whether it lies far from where the grid before lay.
    is_odd : bool
        Whether much more of the ground disagrees with it than with those before.

    """

    dx_m: float = 0.0
    dy_m: float = 0.0
    dz_m: float = 0.0
    se_xy_m: float = 0.0
    se_z_m: float = 0.0
    residual_m: float = float('nan')
    cells: int = 0
    planar_observed: bool = False
    attitude: Attitude = UPRIGHT
    is_far: bool = False
    is_odd: bool = False

    def moved_xy(self, points_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where the grid shows points of the site, shape (n, 2) [m]."""
        yaw = self.attitude.yaw
        turned = yaw.moved_xy(points_xy) if yaw else points_xy
        out: NDArray[np.float64] = turned + np.array([self.dx_m, self.dy_m])
        return out

    def turned_back(self, pose: Pose2) -> Pose2:
        """Return a pose told in the frame of the grid as if that were shifted only, not turned."""
        yaw = self.attitude.yaw
        return yaw.turned_back(pose, np.array([self.dx_m, self.dy_m])) if yaw else pose

    def site_pose(self, pose: Pose2) -> Pose2:
        """Return where in the site a pose lies that was told in the frame of the grid."""
        back = self.turned_back(pose)
        return Pose2(back.x_m - self.dx_m, back.y_m - self.dy_m, back.yaw_rad)

    def up_m(self, points_xy: NDArray[np.float64]) -> NDArray[np.float32]:
        """Return by how much points (n, 2) are shown too high, shape (n,) [m]."""
        return (self.dz_m + self.attitude.tilt.up_m(points_xy)).astype(np.float32)


@dataclass(frozen=True)
class Refused:
    """Why a grid could not be placed: ``code`` and a sentence ``text``."""

    code: str
    text: str


class Registration:
    """
    Follows the shift of the map from grid to grid.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.

    """

    def __init__(self, area: SurveyArea) -> None:
        """Expect no shift; nothing is known yet."""
        #: Shift that is expected along x, y and up, shape (3,) [m], and how unsure it is [m2].
        self.mean = np.zeros(3)
        self.covariance = np.zeros((3, 3))
        self.opening = Opening(area.centres_xy)
        #: How far grids are tilted and turned as a rule.
        self.attitudes = AttitudeOfGrids()
        #: Where grids are compared with the surface.
        self.ground = ComparedGround(area)
        #: By how much the last grid has raised the surface, shape (n,) [m]; None for not at all.
        self.raised_m: NDArray[np.float32] | None = None
        self._area = area
        self._corners_xy = np.array(area.corners_xy)
        self._steps, self._odd = MapSteps(), OddGrids()
        # Stamp of the newest shift that an earlier run has told [ns].
        self._expected_ns = -1

    def expect(self, shift: Shift, stamp_ns: int, level_error_m: float | None = None) -> bool:
        """Expect grids where an earlier run has left the map; tell whether that is the newest."""
        self.opening.expect(level_error_m)
        newest = stamp_ns > self._expected_ns
        if newest:
            self._expected_ns = stamp_ns
            self.mean = np.array([shift.dx_m, shift.dy_m, shift.dz_m])
        return newest

    def register(
        self, grid: ElevationGrid, surface: SiteSurface, worked: NDArray[np.bool_],
        noise_m: float,
    ) -> Shift | Refused:
        """
        Find the shift of a grid and keep it as the expectation for the next.

        Parameters
        ----------
        grid : ElevationGrid
            The grid, spikes removed.
        surface : SiteSurface
            The surface so far.
        worked : array
            Cells where change is expected, shape (n,).
        noise_m : float
            Standard deviation of one look at one cell [m].

        Returns
        -------
        Shift or Refused
            The shift, or why there is none; a refused grid leaves the expectation alone.

        """
        self.raised_m = None
        shows = self.opening.lasts and self._shows(grid)
        self.opening.note(grid.stamp_ns, shows)
        prior = self._expected(surface)
        points, height, slope = self.ground.known(
            surface, worked, noise_m, rises=self.opening.lasts)
        if not len(height):
            return self._unseen(surface, prior, shows)
        placed = Fitting(
            grid, points, height, slope, noise_m, self.ground.per_independent, self.attitudes,
            self._odd.usual).best(self.mean, prior)
        if placed is None:
            return self._unseen(surface, prior, shows)
        return self._judge(placed, surface)

    def _expected(self, surface: SiteSurface) -> NDArray[np.float64]:
        """Return how uncertain the shift is before the grid is looked at, shape (3, 3) [m2]."""
        if self.opening.lasts and not self.opening.grids and surface.known.any():
            # The surface is that of an earlier run.
            self.opening.end()
            self.covariance = np.eye(3) * JUMP_SPREAD_M**2
            return self.covariance
        prior = self.covariance + WALK_M2
        prior *= min(1.0, LIMIT_SPREAD_M**2 / max(prior.diagonal().tolist()))
        return prior

    def _open(self, surface: SiteSurface, attitude: Attitude) -> Attitude:
        """Let the frame follow the first grids; return how this one is turned in it."""
        if not self.opening.lasts:
            return attitude
        step_m, turned = self.opening.agree(float(self.mean[2]), attitude.tilt)
        self.raised_m = (step_m + turned.up_m(self._area.centres_xy)).astype(np.float32)
        surface.raise_by(self.raised_m)
        self.mean = self.mean - np.array([0.0, 0.0, step_m])
        return attitude._replace(tilt=attitude.tilt.less(turned))

    def _shows(self, grid: ElevationGrid) -> bool:
        """Tell whether a grid shows any of the surveyed cells about where it is expected."""
        seen = bilinear(grid, self._area.centres_xy, self.mean[:2])
        return bool(np.isfinite(seen).any())

    def _unseen(self, surface: SiteSurface, prior: NDArray[np.float64], shows: bool) -> Shift:
        """Take the expectation where nothing known could be compared."""
        if shows:
            # The first looks make the surface; nothing is known yet to compare them with.
            self.opening.grids += 1
        if surface.known.any():
            self.covariance = prior
        return self._shift(float('nan'), 0)

    def _shift(
        self, residual_m: float, cells: int, observed: bool = False, attitude: Attitude = UPRIGHT,
    ) -> Shift:
        """Return the present expectation as a shift."""
        dx, dy, dz = self.mean.tolist()
        se_xy = math.sqrt(max(0.0, _eigenvalues(self.covariance)[1]))
        se_z = math.sqrt(max(0.0, float(self.covariance[2, 2])))
        return Shift(dx, dy, dz, se_xy, se_z, residual_m, cells, observed, attitude)

    @property
    def usual_disagreeing(self) -> float:
        """Share of a grid that disagrees with the site as a rule, 0 to 1."""
        return 0.0 if math.isnan(self._odd.usual) else self._odd.usual

    def _judge(self, placed: Placed, surface: SiteSurface) -> Shift | Refused:
        """Believe the shift or say why not."""
        fit, mean = placed.fit, placed.fit.mean
        dx, dy, dz = mean.tolist()
        if math.hypot(dx, dy) > LIMIT_XY_M or abs(dz) > LIMIT_Z_M:
            return Refused('map_shift', (
                f'the grid lies {dx:+.3f}, {dy:+.3f}, {dz:+.3f} m off the site '
                f'surface, more than is believed; check the localisation'))
        if placed.disagreeing > MOST_DISAGREEING:
            return Refused('map_shift', (
                f'{placed.disagreeing:.0%} of the ground that nobody works on disagrees with the '
                f'site surface whatever the shift; check the localisation'))
        tilt, yaw = placed.attitude
        steepest = max(map(abs, tilt.slope_xy))
        if steepest > LIMIT_TILT or abs(yaw.yaw_rad) > LIMIT_YAW_RAD:
            return Refused('map_shift', (
                f'the grid is tilted by {math.degrees(math.atan(steepest)):.1f} and turned by '
                f'{math.degrees(yaw.yaw_rad):.1f} degrees against the site surface, more than is '
                f'believed; check the attitude and how the sensor is mounted'))
        if placed.found is not None:
            self.attitudes = self.attitudes.learned(placed.found)
        self.mean = mean
        self.covariance = inverse(fit.normal + placed.information)
        attitude = self._open(surface, placed.attitude)
        # Information from the ground itself must outweigh a centimetre of ignorance.
        observed = _eigenvalues(fit.normal)[0] > 1.0 / 0.01**2
        shift = self._shift(placed.residual_m, placed.cells, observed, attitude)
        return replace(shift, is_far=self._steps.is_far(shift.moved_xy(self._corners_xy)),
                       is_odd=self._odd.is_odd(placed.disagreeing))


def _eigenvalues(matrix: NDArray[np.float64]) -> tuple[float, float]:
    """Return the eigenvalues of the planar part of a symmetric matrix (3, 3), smaller first."""
    a, b, c = float(matrix[0, 0]), float(matrix[0, 1]), float(matrix[1, 1])
    middle, half = (a + c) / 2.0, math.hypot((a - c) / 2.0, b)
    return middle - half, middle + half
