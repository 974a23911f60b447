# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What one load weighs, from everything that says something about it.

Evidence of different kinds is averaged with weights of one over the square of its standard error.
The yield learned from earlier loads says what a usual load is, nothing about this one; so whether
a load is partial is judged by the rest alone, and where it is, the yield has no say.

The drum current is taken for a straight line in the mass: that of the site file, else no current
of an empty drum and about 3.5 A for 8 kg of sand (common practice, no source). Its slope is
learned from loads whose rise was measured, the prior taking part with its own error (normal errors
and a normal prior: the mean weighted by inverse variance).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
import math

import numpy as np

from ..design import Rover
from ..survey.middle import SD_FROM_MAD

KG_PER_A = 8.0 / 3.5
# Standard error of the slope before any load was measured, as a share: without the site's own
# figures, and with them.
GUESSED = 0.20
GIVEN = 0.08
# Standard error of the current of an empty drum [A], likewise; common practice, no source.
EMPTY_GUESSED_A = 0.3
EMPTY_GIVEN_A = 0.1
# Loads differ by this for one current, as a share; common practice, no source.
LINE_SPREAD = 0.04
WINDOW_LOADS = 40
LEAST_READINGS = 3
# No number of readings makes the current better known than this [A].
CURRENT_FLOOR_A = 0.03
# An announced mass may be off by this share; common practice, no source.
SCALE_SPREAD = 0.05
# A load is partial below this share of a usual one.
PARTIAL_SHARE = 0.8
SIGMAS = 1.96


@dataclass(frozen=True)
class Estimate:
    """A mass ``mass_kg`` with its standard error ``se_kg`` [kg]; NaN is unknown."""

    mass_kg: float = math.nan
    se_kg: float = math.nan

    @property
    def known(self) -> bool:
        """Whether it says anything."""
        return math.isfinite(self.mass_kg) and math.isfinite(self.se_kg) and self.se_kg > 0.0


def combined(evidence: Iterable[Estimate]) -> Estimate:
    """
    Return the mean of estimates, weighted by inverse variance.

    Examples
    --------
    >>> both = combined([Estimate(6.0, 1.0), Estimate(8.0, 1.0), Estimate()])
    >>> both.mass_kg, round(both.se_kg, 4)
    (7.0, 0.7071)

    """
    known = [part for part in evidence if part.known]
    if not known:
        return Estimate()
    weight = sum(part.se_kg ** -2.0 for part in known)
    mean = sum(part.mass_kg * part.se_kg ** -2.0 for part in known) / weight
    return Estimate(mean, weight ** -0.5)


def is_partial(own: Estimate, usual: Estimate) -> bool | None:
    """
    Tell whether a load is partial; None where the evidence is not good enough to say.

    Parameters
    ----------
    own : Estimate
        What is known of this load.
    usual : Estimate
        What a usual load weighs.

    Returns
    -------
    bool or None
        Whether 95 % of the evidence lies below, or above, ``PARTIAL_SHARE`` of a usual load.

    Examples
    --------
    >>> usual = Estimate(6.0, 0.1)
    >>> is_partial(Estimate(3.0, 0.4), usual), is_partial(Estimate(6.1, 0.4), usual)
    (True, False)
    >>> is_partial(Estimate(4.5, 0.8), usual), is_partial(Estimate(), usual)
    (None, None)

    """
    if not (own.known and usual.known):
        return None
    gap = own.mass_kg - PARTIAL_SHARE * usual.mass_kg
    error = SIGMAS * math.hypot(own.se_kg, PARTIAL_SHARE * usual.se_kg)
    if gap + error < 0.0:
        return True
    return False if gap - error > 0.0 else None


def load_of(
    parts: Iterable[Estimate], usual: Estimate, mean: Estimate | None = None
) -> tuple[Estimate, bool | None]:
    """
    Return what a load weighs and whether it is partial.

    Parameters
    ----------
    parts : iterable of Estimate
        What is known of this load: weighed, by current, by cut.
    usual : Estimate
        What a load weighs by the yield, with the spread from load to load.
    mean : Estimate, optional
        The same with the error of the mean, to judge by whether this one is partial.

    Returns
    -------
    load : Estimate
        All of it together; without the yield where the load is partial.
    partial : bool or None
        As ``is_partial``.

    """
    own = combined(parts)
    partial = is_partial(own, mean or usual)
    return (own if partial else combined([own, usual])), partial


@dataclass(frozen=True)
class CurrentLine:
    """
    Mass by drum current: ``kg_per_a`` times what exceeds ``empty_a``.

    Parameters
    ----------
    empty_a : float
        Current of an empty drum [A].
    kg_per_a, se_kg_per_a : float
        Slope and its standard error [kg/A].
    se_empty_a : float
        Standard error of the current of an empty drum [A].
    usual_a : float
        Current of the loads that the slope was learned from [A]: there the line is right whatever
        an empty drum draws, and the less the further away. NaN before any.

    """

    empty_a: float
    kg_per_a: float
    se_kg_per_a: float
    se_empty_a: float = 0.0
    usual_a: float = math.nan

    @classmethod
    def of_rover(cls, rover: Rover) -> CurrentLine:
        """Return the line before any load was measured."""
        if rover.drum_current_a is None:
            return cls(0.0, KG_PER_A, GUESSED * KG_PER_A, EMPTY_GUESSED_A)
        empty_a, full_a = rover.drum_current_a
        slope = rover.payload_kg / (full_a - empty_a)
        return cls(empty_a, slope, GIVEN * slope, EMPTY_GIVEN_A)

    def learned(self, loads: Sequence[tuple[float, float, float]]) -> CurrentLine:
        """
        Return the line after loads whose mass was measured.

        Parameters
        ----------
        loads : sequence of tuple
            Current [A], mass [kg] and standard error of the mass [kg] of each, in their order;
            the last ``WINDOW_LOADS`` count.

        Returns
        -------
        CurrentLine
            With a slope that lies between this one and that of the loads.

        Examples
        --------
        >>> line = CurrentLine(0.0, 2.0, 0.4)
        >>> learned = line.learned([(3.0, 7.5, 0.3)] * 20)
        >>> round(learned.kg_per_a, 2), learned.se_kg_per_a < 0.05
        (2.5, True)

        """
        rows = np.array(loads, dtype=float).reshape(-1, 3)[-WINDOW_LOADS:]
        rows = rows[np.isfinite(rows).all(axis=1) & (rows[:, 0] > self.empty_a)]
        excess = rows[:, 0] - self.empty_a
        slopes = rows[:, 1] / excess
        errors = np.hypot(rows[:, 2] / excess, LINE_SPREAD * self.kg_per_a)
        # One load of a wrong size must not turn the line: far ones count less (Huber 1964).
        slope, weights = self.kg_per_a, errors ** -2.0
        for _ in range(20):
            far = np.abs(slopes - slope) / errors
            weights = errors ** -2.0 * np.minimum(1.0, 1.345 / np.maximum(far, 1.345))
            prior = self.se_kg_per_a ** -2.0
            total = prior + float(weights.sum())
            slope = (prior * self.kg_per_a + float(weights @ slopes)) / total
        usual_a = float(np.median(rows[:, 0])) if len(rows) else self.usual_a
        return CurrentLine(self.empty_a, slope, total ** -0.5, self.se_empty_a, usual_a)

    def mass(self, readings_a: Sequence[float]) -> tuple[float, Estimate]:
        """
        Return the current of one load and the mass it tells.

        Parameters
        ----------
        readings_a : sequence of float
            Readings while the load was carried [A].

        Returns
        -------
        current_a : float
            Their median [A]; NaN of too few.
        mass : Estimate
            Unknown of too few.

        """
        values = np.asarray(readings_a, dtype=float)
        if len(values) < LEAST_READINGS:
            return math.nan, Estimate()
        current = float(np.median(values))
        spread = SD_FROM_MAD * float(np.median(np.abs(values - current)))
        # The median is worth 2/pi of the readings; neighbours in time share their error.
        error = math.hypot(CURRENT_FLOOR_A, spread * math.sqrt(math.pi / 2.0 / len(values)))
        mass = self.kg_per_a * (current - self.empty_a)
        se = math.hypot(self.kg_per_a * error, self.se_kg_per_a * (current - self.empty_a),
                        LINE_SPREAD * mass, self.kg_per_a * self._empty_error_a(current))
        return current, Estimate(max(0.0, mass), se)

    def _empty_error_a(self, current_a: float) -> float:
        """Return what the error of the empty drum's current is worth at another current [A]."""
        if not math.isfinite(self.usual_a):
            return 0.0
        part = (current_a - self.empty_a) / (self.usual_a - self.empty_a)
        return self.se_empty_a * abs(1.0 - part)


def weighed(mass_kg: float) -> Estimate:
    """Return what an announced mass says; NaN was not weighed."""
    if not math.isfinite(mass_kg):
        return Estimate()
    return Estimate(mass_kg, max(SCALE_SPREAD * mass_kg, 0.05))
