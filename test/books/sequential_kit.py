# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Plain tabular CUSUM and EWMA over many charts at once: what the watch's charts are held against.

Both take deviations from the in-control mean in any unit; k, h and sigma are in the same unit. The
cumulative sums and the fast start (head start) are those of J. M. Lucas, R. B. Crosier, Fast
initial response for CUSUM quality-control schemes, Technometrics 24, 1982, 199-205; the moving
average follows the NIST/SEMATECH e-Handbook 6.3.2.4, its exact limits D. C. Montgomery,
Introduction to Statistical Quality Control, ch. 9.
"""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

# How far a discrete sum overshoots its limit on average, in sigma (D. Siegmund, 1985).
OVERSHOOT = 1.166


@dataclass(frozen=True, eq=False)
class Cusum:
    """
    Two-sided tabular CUSUM of any number of charts.

    Parameters
    ----------
    high, low : array
        Sums of deviations upwards and downwards beyond k, any shape.
    high_count, low_count : array
        Samples since the sum left zero: how long ago the change may have begun.

    Examples
    --------
    >>> chart = Cusum.start(())
    >>> for deviation in (1.0, 2.0):
    ...     chart = chart.updated(deviation, k=0.5)
    >>> float(chart.high), int(chart.high_count), bool(chart.alarms(h=1.9))
    (2.0, 2, True)

    """

    high: NDArray[np.float64]
    low: NDArray[np.float64]
    high_count: NDArray[np.intp]
    low_count: NDArray[np.intp]

    @classmethod
    def start(cls, shape: tuple[int, ...], *, head_start: float = 0.0) -> Cusum:
        """
        Return charts that have seen nothing.

        Parameters
        ----------
        shape : tuple of int
            Shape of the charts.
        head_start : float
            Where both sums start; half of h makes the first alarms quicker.

        Returns
        -------
        Cusum
            The charts.

        """
        sums, counts = np.full(shape, float(head_start)), np.zeros(shape, dtype=np.intp)
        return cls(sums, sums, counts, counts)

    def updated(self, deviation: ArrayLike, *, k: float) -> Cusum:
        """
        Return the charts after one more sample each.

        Parameters
        ----------
        deviation : array
            Sample minus in-control mean; NaN leaves the chart as it is.
        k : float
            Allowance: half the shift that is to be found soonest.

        Returns
        -------
        Cusum
            New charts.

        """
        value = np.asarray(deviation, dtype=float)
        known = np.isfinite(value)
        high = np.where(known, np.maximum(0.0, self.high + value - k), self.high)
        low = np.where(known, np.maximum(0.0, self.low - value - k), self.low)
        return Cusum(
            high, low, np.where(high > 0.0, self.high_count + known, 0),
            np.where(low > 0.0, self.low_count + known, 0))

    def alarms(self, *, h: float) -> NDArray[np.bool_]:
        """Return which charts stand above the decision limit h on either side."""
        return np.maximum(self.high, self.low) > h

    def restarted(self, where: NDArray[np.bool_]) -> Cusum:
        """Return charts of which some start again from zero."""
        return Cusum(*(np.where(where, 0, part) for part in (
            self.high, self.low, self.high_count, self.low_count)))


def cusum_run_length(shift: float, *, k: float, h: float) -> float:
    """
    Return about how many samples a two-sided CUSUM runs before an alarm, on average.

    With no shift it states the rate of false alarms. Siegmund's approximation as in Montgomery,
    ch. 9; within 4 % of the exact figures of Lucas and Crosier for k = 0.5 and h of 4 or 5.

    Parameters
    ----------
    shift : float
        True mean [sigma].
    k, h : float
        Allowance and decision limit [sigma].

    Returns
    -------
    float
        Average run length from a start at zero.

    """
    rates = []
    for drift in (shift - k, -shift - k):
        reach = h + OVERSHOOT
        if abs(drift) * reach < 1e-4:
            length = reach * reach
        else:
            power = -2.0 * drift * reach
            length = (math.exp(power) - power - 1.0) / (2.0 * drift * drift)
        rates.append(1.0 / length)
    return 1.0 / sum(rates)


def ewma(mean: ArrayLike, value: ArrayLike, *, weight: float) -> NDArray[np.float64]:
    """
    Return the exponentially weighted moving average after one more sample each.

    Parameters
    ----------
    mean : array
        Average so far; the target before the first sample.
    value : array
        New samples; NaN leaves the average as it is.
    weight : float
        Weight of the new sample, above 0 and at most 1.

    Returns
    -------
    array
        New average.

    """
    before, new = np.asarray(mean, dtype=float), np.asarray(value, dtype=float)
    return np.where(np.isfinite(new), weight * new + (1.0 - weight) * before, before)


def ewma_limit(
    sigma: ArrayLike, *, weight: float, width: float, count: ArrayLike = math.inf
) -> NDArray[np.float64]:
    """
    Return how far a moving average may lie from its target.

    Parameters
    ----------
    sigma : array
        Standard deviation of one sample.
    weight : float
        Weight of the new sample.
    width : float
        Width of the limits in standard deviations of the average.
    count : array
        Samples so far; left out, the limit after many.

    Returns
    -------
    array
        Half-width of the limits, in the unit of sigma.

    """
    grown = 1.0 - np.power(1.0 - weight, 2.0 * np.asarray(count, dtype=float))
    out: NDArray[np.float64] = width * np.asarray(sigma, dtype=float) * np.sqrt(
        weight / (2.0 - weight) * grown)
    return out
