# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Where loads really come to lie, against where the drop point of the site file says, if it is seen.

Poses and drop point tell where a load should have fallen, the looks where soil rose. One load
scatters by some centimetres as soil runs down the berm; what many have in common is an error of
the drop point, or of the point of the robot that the poses are of.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from .accounts import DumpRecord
from ..survey.middle import median, median_size, SD_FROM_MAD

# So many of the last loads are looked at, and no fewer than these.
WINDOW_LOADS = 20
LEAST_LOADS = 8
# What is told is as large as this [m] and so many standard errors.
LEAST_OFF_M = 0.05
SIGMAS = 4.0
# Loads on a berm are told of when so many running were not measured; the newest still may be.
LEAST_UNMEASURED = 5
OPEN_LOADS = 2
# Standard error of a median of normal values per that of their mean.
MEDIAN_GAIN = math.sqrt(math.pi / 2.0)


@dataclass(frozen=True)
class DropPointError:
    """
    How far loads come to lie from the drop point, in the frame of the robot.

    Parameters
    ----------
    ahead_m, left_m : float
        Median over the loads [m].
    ahead_se_m, left_se_m : float
        Standard errors [m].
    loads : int
        How many they were.

    """

    ahead_m: float
    left_m: float
    ahead_se_m: float
    left_se_m: float
    loads: int

    @property
    def text(self) -> str:
        """Return what to tell of it; empty where it may be chance."""
        parts = [
            f'{abs(off_m):.2f} m {words[off_m < 0.0]}' for off_m, error_m, words in (
                (self.ahead_m, self.ahead_se_m, ('ahead of', 'behind')),
                (self.left_m, self.left_se_m, ('to the left of', 'to the right of')))
            if abs(off_m) >= max(LEAST_OFF_M, SIGMAS * error_m)]
        if not parts:
            return ''
        return (f'the last {self.loads} loads came to lie {" and ".join(parts)} drop_point: is it '
                f'right in the site file, and are the poses those of base_link?')


def drop_point_error(dumps: Sequence[DumpRecord]) -> DropPointError | None:
    """
    Return how far the last loads have come to lie from the drop point.

    Parameters
    ----------
    dumps : sequence of DumpRecord
        The dumps so far.

    Returns
    -------
    DropPointError or None
        None where too few were seen to rise.

    """
    seen = [dump for dump in dumps if math.isfinite(dump.rise_x_m)][-WINDOW_LOADS:]
    if len(seen) < LEAST_LOADS:
        return None
    gap = np.array([(dump.rise_x_m - dump.x_m, dump.rise_y_m - dump.y_m) for dump in seen])
    yaw = np.array([dump.yaw_rad for dump in seen])
    (ahead_m, ahead_se_m), (left_m, left_se_m) = (
        _middle(gap[:, 0] * np.cos(yaw) + gap[:, 1] * np.sin(yaw)),
        _middle(gap[:, 1] * np.cos(yaw) - gap[:, 0] * np.sin(yaw)))
    return DropPointError(ahead_m, left_m, ahead_se_m, left_se_m, len(seen))


def drop_point_text(dumps: Sequence[DumpRecord]) -> str:
    """Return what to tell of where the last loads came to lie; empty where nothing is to tell."""
    error = drop_point_error(dumps)
    return '' if error is None else error.text


def unmeasured_text(dumps: Sequence[DumpRecord]) -> str:
    """
    Return what to tell where load after load could not be measured; empty where they are.

    Parameters
    ----------
    dumps : sequence of DumpRecord
        The dumps so far.

    Returns
    -------
    str
        One sentence: what, and what to do.

    """
    on_berm = [dump for dump in dumps if dump.berm is not None and not dump.stray]
    over = on_berm[:-OPEN_LOADS]
    measured = [place for place, dump in enumerate(over) if math.isfinite(dump.volume_m3)]
    running = len(over) - (measured[-1] + 1 if measured else 0)
    # One of those still open may have been measured before its time.
    if running < LEAST_UNMEASURED or any(
            math.isfinite(dump.volume_m3) for dump in on_berm[-OPEN_LOADS:]):
        return ''
    return (f'{running} loads running could not be measured: too little is seen of where they '
            f'fall; look there after each, gather more scans into each grid, or use larger cells')


def loads_text(dumps: Sequence[DumpRecord]) -> str:
    """Return what to tell of the loads so far; empty where nothing is to tell."""
    return unmeasured_text(dumps) or drop_point_text(dumps)


def _middle(values: NDArray[np.float64]) -> tuple[float, float]:
    """Return the median of values (n,) and its standard error."""
    middle = median(values)
    spread = SD_FROM_MAD * median_size(values, middle)
    return middle, MEDIAN_GAIN * spread / math.sqrt(len(values))
