# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How far grids are tilted or turned as a rule, learned from grid to grid."""

from __future__ import annotations

from dataclasses import dataclass

# What is so many standard errors off is off, whatever grids before were like.
CLEAR_SIGMAS = 4.5
# Nor is it chance when squares are on average so many times more than their errors explain: 4.6
# standard deviations of such a mean.
CLEAR_EXCESS = 1.5
# Weight of the newest grid, and the most that one grid says.
WEIGHT = 0.1
MOST_EXCESS = 20.0


@dataclass(frozen=True)
class Habit:
    """
    What is usual.

    Parameters
    ----------
    variance : float
        Variance of each part of what is fitted; 0 where all is chance.
    excess : float
        Moving average of squares over those that errors alone make, less one.
    parts : int
        How many parts a fit has, whose squares are averaged.

    """

    variance: float = 0.0
    excess: float = 0.0
    parts: int = 1

    def now(self, square: float, ratio: float) -> float:
        """
        Return the variance to believe in before one fit is known.

        Parameters
        ----------
        square : float
            Mean square of the parts of the fit.
        ratio : float
            The same over their errors.

        """
        return max(self.variance, self._clear(square, ratio))

    def learned(self, square: float, error2: float, ratio: float, least: float) -> Habit:
        """
        Return what is usual after one more fit.

        Parameters
        ----------
        square, ratio : float
            As ``now`` takes them.
        error2 : float
            Mean square of the errors of the parts.
        least : float
            Smaller standard deviations are none.

        """
        excess = self.excess + WEIGHT * (min(ratio - 1.0, MOST_EXCESS) - self.excess)
        variance = self.variance or self._clear(square, ratio)
        if not variance and excess > CLEAR_EXCESS:
            variance = excess * error2
        if not variance:
            return Habit(0.0, excess, self.parts)
        variance += WEIGHT * (square - error2 - variance)
        return Habit(variance if variance > least**2 else 0.0, excess, self.parts)

    def _clear(self, square: float, ratio: float) -> float:
        """Return the square of a fit that is clearly no chance, else 0."""
        return square if self.parts * ratio > CLEAR_SIGMAS**2 else 0.0
