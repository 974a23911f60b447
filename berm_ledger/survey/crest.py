# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The crest of every cross-section, and what it says of a segment."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from .roof import RoofTemplates
from .sections import Sections

Noise = TypeVar('Noise', float, NDArray[np.float64])

# Samples on either side for the rough peak, and how near to the greatest height counts as top [m].
ROUGH = 2
TOP_BAND_M = 0.006
# Share of the window that must be seen; the rest is bridged along the section.
LEAST_SEEN = 0.6
# Noise of a pooled sample in units of that of a mean over as many: neighbours share cells.
POOLED_NOISE = 0.9


@dataclass(frozen=True, eq=False)
class Crest:
    """
    Crest of each of m sections; NaN where it was not seen.

    Parameters
    ----------
    height_m : array
        Height above the datum, shape (m,) [m].
    offset_m : array
        Offset from the centreline, left positive, shape (m,) [m].
    spread : array
        Standard error of the height per unit of noise of one sample, shape (m,).

    """

    height_m: NDArray[np.float64]
    offset_m: NDArray[np.float64]
    spread: NDArray[np.float64]

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Which sections have a crest, shape (m,)."""
        return np.isfinite(self.height_m)


def crest_of_sections(
    profile_m: NDArray[np.float32], noise_m: NDArray[np.float64], sections: Sections,
    own: NDArray[np.int32], templates: RoofTemplates,
) -> Crest:
    """
    Find the crest in consecutive cross-sections.

    Parameters
    ----------
    profile_m : array
        Heights above the datum at the samples, shape (s, k) [m]; NaN is unknown.
    noise_m : array
        Standard deviation of a sample of each section, as far as neighbours do not share it,
        shape (s,) [m].
    sections : Sections
        Layout of their berm.
    own : array
        First and last sample at which the crest of each may lie, shape (s, 2).
    templates : RoofTemplates
        Roofs for the cell sizes in use.

    Returns
    -------
    Crest
        Of the s sections.

    """
    reach, window = templates.detail.pooled, templates.window
    first, part, seen = _tops(profile_m, own, reach, window)
    height, place, spread = templates.fit(part, pooled_noise_m(noise_m, reach))
    step = sections.offset_m[1] - sections.offset_m[0]
    offset = sections.offset_m[first + window] + place * step
    if seen.all():
        return Crest(height, offset, spread)
    return Crest(*(np.where(seen, values, np.nan) for values in (height, offset, spread)))


def pooled_noise_m(noise_m: Noise, reach: int) -> Noise:
    """Return the noise of samples that are means of so many sections on either side [m]."""
    return noise_m * POOLED_NOISE / math.sqrt(2 * reach + 1)


def _tops(
    profile_m: NDArray[np.float32], own: NDArray[np.int32], reach: int, window: int
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.bool_]]:
    """
    Return where the window around the top of each section begins, and what is in it.

    Parameters
    ----------
    profile_m : array
        Heights, shape (s, k) [m]; NaN is unknown.
    own : array
        First and last sample at which the top may lie, shape (s, 2).
    reach : int
        Sections on either side that are averaged with each.
    window : int
        Samples on either side of the top.

    Returns
    -------
    array
        First sample, shape (s,).
    array
        Heights in the window, gaps bridged, shape (s, 2 window + 1) [m]; zero where not seen.
    array
        Whether enough of it was seen, shape (s,).

    """
    samples, width = profile_m.shape[1], 2 * window + 1
    pooled = mean_known(profile_m.astype(float), reach, 0)
    top = top_of(mean_known(pooled, ROUGH, 1), own)
    first = np.clip(top - window, 0, samples - width)
    columns = first[:, None] + np.arange(width)
    part = np.take_along_axis(pooled, columns, axis=1)
    single = np.take_along_axis(profile_m, columns, axis=1)
    seen = (np.isfinite(part).mean(axis=1) >= LEAST_SEEN) & np.isfinite(single).any(axis=1)
    seen &= np.isfinite(part[:, window - 1:window + 2]).any(axis=1) & (top >= 0)
    return first, np.where(seen[:, None], _bridged(part, seen), 0.0), seen


def mean_known(values: NDArray[np.float64], reach: int, axis: int) -> NDArray[np.float64]:
    """Return the running mean of what is known along an axis; NaN where nothing is."""
    known = np.isfinite(values)
    pair = np.stack([np.where(known, values, 0.0), known])
    sums = np.zeros_like(pair)
    pair, of_sums = np.moveaxis(pair, axis + 1, 0), np.moveaxis(sums, axis + 1, 0)
    count = len(pair)
    for step in range(-reach, reach + 1):
        of_sums[max(0, -step):max(0, count - step)] += pair[max(0, step):max(0, count + step)]
    with np.errstate(invalid='ignore', divide='ignore'):
        return np.where(sums[1] > 0.0, sums[0] / sums[1], np.nan)


def top_of(rough_m: NDArray[np.float64], own: NDArray[np.int32]) -> NDArray[np.intp]:
    """Return the index of the middle of the highest of each section's own samples, -1 for none."""
    samples = rough_m.shape[1]
    index = np.arange(samples)
    open_to_it = np.isfinite(rough_m) & (index >= own[:, :1]) & (index <= own[:, 1:])
    filled = np.where(open_to_it, rough_m, -np.inf)
    peak = filled.max(axis=1, keepdims=True)
    near = (filled >= peak - TOP_BAND_M) & open_to_it
    # Only the unbroken stretch around the peak counts, not another hump as high.
    at = np.argmax(filled, axis=1)[:, None]
    gaps = np.where(near, -1, index)
    left = np.where(index <= at, gaps, -1).max(axis=1) + 1
    right = np.where((index >= at) & ~near, index, samples).min(axis=1) - 1
    out: NDArray[np.intp] = ((left + right) // 2).astype(np.intp)
    return np.where(open_to_it.any(axis=1), out, -1)


def _bridged(
    profile_m: NDArray[np.float64], wanted: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return profiles (s, w), the gaps of those wanted (s,) bridged by straight lines."""
    gaps = ~np.isfinite(profile_m)
    rows = np.flatnonzero(gaps.any(axis=1) & wanted)
    if not len(rows):
        return profile_m
    out = profile_m.copy()
    index = np.arange(profile_m.shape[1])
    for row in rows:
        known = ~gaps[row]
        out[row, ~known] = np.interp(index[~known], index[known], out[row, known])
    return out
