# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How a grid is tilted or turned: a robust fit to the differences that its shift leaves."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .robust import explained_m, Floats
from .shift_fit import Fit
from .shift_in_common import LEAST_CELLS, LEAST_SPREAD_M, ROBUST_SPREADS, shift_in_common
from ..kernels import compiled

# About so many points are enough to see that there is something, and to know what it is.
SOME_POINTS, ENOUGH_POINTS = 300, 2000
# Information beforehand: next to none.
OPEN_PRIOR = np.eye(3) * 1e-6
# Along directions in which slopes have less than this share of all their squares a place about
# which to turn is as good as any other.
LEAST_SHARE = 1e-3


class AttitudeFit(NamedTuple):
    """
    A fit.

    Parameters
    ----------
    found : array
        Slopes along x and y [m/m] and a level [m], or yaw [rad], nothing and a level; shape (3,).
    covariance : array
        Of them, shape (3, 3).
    about_xy : array
        The place about which it is reckoned, shape (2,) [m]: of a tilt the middle of the points,
        of a yaw where a turn is least like a shift.

    """

    found: Floats
    covariance: Floats
    about_xy: Floats


def fitted(
    points_xy: Floats, fit: Fit, per_independent: float, *, of_yaw: bool, many: int
) -> AttitudeFit | None:
    """
    Return the tilt or the yaw of a grid in what its shift leaves.

    Of a point at p less ``about_xy`` a tilt t raises the grid by t . p; a small yaw moves what it
    shows by yaw x p, which on ground of slope s shows as yaw (s_x p_y - s_y p_x). Along a bend
    most of that, about the middle of the points, is like a shift, which has been fitted before;
    about the place where none of it is, what is left is the yaw.

    Parameters
    ----------
    points_xy : array
        Points of the surface, shape (n, 2) [m].
    fit : Fit
        The shift against the heights there.
    per_independent : float
        How many of the points are worth one that shares nothing with the others.
    of_yaw : bool
        Whether the yaw is sought, on ground that slopes; otherwise the tilt, everywhere.
    many : int
        About how many points to take.

    Returns
    -------
    AttitudeFit or None
        None where too few of the points are seen.

    """
    if compiled.fits is not None:
        out, about = np.empty((4, 3)), np.empty(2)
        enough = compiled.fits.attitude(
            points_xy, fit.left_m, fit.slope, fit.step, of_yaw, many, OPEN_PRIOR,
            ROBUST_SPREADS, LEAST_SPREAD_M, per_independent, LEAST_CELLS, LEAST_SHARE, out, about)
        return AttitudeFit(out[0], out[1:], about) if enough else None
    usable = np.isfinite(fit.left_m)
    if of_yaw:
        usable &= (fit.slope != 0.0).any(axis=0)
    picked = np.flatnonzero(usable)
    every = max(1, len(picked) // many)
    picked = picked[::every]
    if not len(picked):
        return None
    points, slope = points_xy[picked], fit.slope[:, picked]
    about = (points.min(axis=0) + points.max(axis=0)) / 2.0
    # Explained as by a shift over ground that slopes so: what is shifted on is shown too low.
    ways = (about - points).T
    if of_yaw:
        about = about - _like_shift(_turn_shows(points, about, slope), slope)
        ways = np.stack([_turn_shows(points, about, slope), np.zeros(len(points))])
    left_m = fit.left_m[picked] - explained_m(slope, fit.step)
    found = shift_in_common(
        left_m, ways, OPEN_PRIOR, per_independent=max(1.0, per_independent / every))
    return None if found is None else AttitudeFit(*found, about)


def _turn_shows(points_xy: Floats, about_xy: Floats, slope: Floats) -> Floats:
    """Return what a turn by one about a place shows at points of slopes (2, n), shape (n,) [m]."""
    x, y = (about_xy - points_xy).T
    out: Floats = slope[0] * y - slope[1] * x
    return out


def _like_shift(shown_m: Floats, slope: Floats) -> Floats:
    """Return how far off the place lies about which a turn is least like a shift, (2,) [m]."""
    # Added up point by point, as the compiled loop does.
    rows = np.stack([-slope[1], slope[0], shown_m])
    u, v, w = np.add.accumulate(rows, axis=1)[:, -1]
    uu, uv, uw, vv, vw = np.add.accumulate(
        rows[[0, 0, 0, 1, 1]] * rows[[0, 1, 2, 1, 2]], axis=1)[:, -1]
    count = float(len(shown_m))
    uu, uv, vv = uu - u * u / count, uv - u * v / count, vv - v * v / count
    uw, vw = uw - u * w / count, vw - v * w / count
    least = LEAST_SHARE * (uu + vv)
    uu, vv = uu + least, vv + least
    area = uu * vv - uv * uv
    if not area > 0.0:
        return np.zeros(2)
    return np.array([(vv * uw - uv * vw) / area, (uu * vw - uv * uw) / area])
