# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The stretches a berm is cut into: the accounts of the ledger."""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .site import Berm, Site

# Part of a segment by which rounding may leave a station short of a border.
ROUNDING = 1e-9
# Part of a segment by which coordinates written to a few digits may overrun: no further segment.
OVERRUN = 1e-4


@dataclass(frozen=True)
class Segment:
    """
    One station interval of one berm.

    Parameters
    ----------
    berm : str
        Name of the berm.
    berm_index : int
        Place of the berm in the site, from 0.
    number : int
        Number along the berm, from 1.
    station_from_m, station_to_m : float
        Half-open station interval [m].

    """

    berm: str
    berm_index: int
    number: int
    station_from_m: float
    station_to_m: float

    @property
    def length_m(self) -> float:
        """Length along the centreline [m]."""
        return self.station_to_m - self.station_from_m

    @property
    def middle_m(self) -> float:
        """Station of the middle [m]."""
        return 0.5 * (self.station_from_m + self.station_to_m)


def segment_count(berm: Berm) -> int:
    """Return into how many equal parts a berm is cut."""
    return cut_count(berm.centreline.length_m, berm.segment_length_m)


def cut_count(length_m: float, longest_m: float) -> int:
    """
    Return into how many equal parts, none noticeably longer than asked for, a length is cut.

    Examples
    --------
    >>> cut_count(2.4, 0.4), cut_count(2.400001, 0.4), cut_count(2.41, 0.4), cut_count(0.3, 0.4)
    (6, 6, 7, 1)

    """
    return max(1, math.ceil(length_m / longest_m - OVERRUN))


def segments_of_berm(berm: Berm, berm_index: int = 0) -> tuple[Segment, ...]:
    """
    Cut a berm into equal segments, none noticeably longer than its segment length.

    Parameters
    ----------
    berm : Berm
        The berm.
    berm_index : int
        Its place in the site.

    Returns
    -------
    tuple of Segment
        Numbered from 1 along the line.

    """
    length, count = berm.centreline.length_m, segment_count(berm)
    edges = [length * i / count for i in range(count + 1)]
    return tuple(
        Segment(berm.name, berm_index, i + 1, edges[i], edges[i + 1]) for i in range(count))


def segments_of_site(site: Site) -> tuple[Segment, ...]:
    """Return the segments of all berms, in the order of the site file."""
    return tuple(
        segment for index, berm in enumerate(site.berms)
        for segment in segments_of_berm(berm, index))


def segment_of_station(berm: Berm, station_m: ArrayLike) -> NDArray[np.intp]:
    """
    Return the number (from 1) of the segment that each station falls in.

    Parameters
    ----------
    berm : Berm
        The berm.
    station_m : array
        Any shape [m].

    Returns
    -------
    array
        Numbers of the same shape; 0 where the station is unknown (NaN). A station on a border, but
        for rounding, belongs to the later segment, one beyond an end to the first or the last.

    """
    count = segment_count(berm)
    station = np.asarray(station_m, dtype=float)
    place = np.floor(station / berm.centreline.length_m * count + ROUNDING)
    number = np.clip(place, 0, count - 1) + 1
    return np.where(np.isnan(station), 0.0, number).astype(np.intp)
