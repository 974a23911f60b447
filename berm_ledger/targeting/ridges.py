# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ridges and heaps of loose soil: cross-section, height, volume, and the rise under a load."""

from __future__ import annotations

from functools import lru_cache
import math


def ridge_area_m2(height_m: float, tangent: float, width_m: float = 0.0) -> float:
    """Return the cross-section [m2] of a ridge with a flat top of the given width."""
    height = max(0.0, height_m)
    return width_m * height + height * height / tangent


def ridge_height_m(area_m2: float, tangent: float, width_m: float = 0.0) -> float:
    """
    Return the height [m] of a ridge of the given cross-section; inverse of ``ridge_area_m2``.

    Examples
    --------
    >>> round(ridge_height_m(ridge_area_m2(0.25, 0.65, 0.1), 0.65, 0.1), 12)
    0.25

    """
    half = 0.5 * width_m * tangent
    return math.sqrt(half * half + max(0.0, area_m2) * tangent) - half


def ridge_volume_m3(
    length_m: float, height_m: float, tangent: float, width_m: float, ends: int
) -> float:
    """
    Return the volume [m3] of a straight ridge with 0, 1 or 2 round ends.

    A round end is half a truncated cone: a disc as wide as the top, and the side turned about it.

    Examples
    --------
    A cone, of two ends without a length: pi h^3 / (3 tan^2).

    >>> round(ridge_volume_m3(0.0, 0.3, 1.0, 0.0, 2) / (math.pi * 0.3**3 / 3.0), 12)
    1.0

    """
    cone = math.pi * height_m ** 3 / (3.0 * tangent ** 2)
    flat = math.pi * width_m * height_m ** 2 / (2.0 * tangent)
    disc = math.pi * width_m ** 2 * height_m / 4.0
    body = length_m * ridge_area_m2(height_m, tangent, width_m)
    return body + 0.5 * ends * (cone + flat + disc)


def load_of_rise_m3(
    height_m: float, rise_m: float, drum_m: float, tangent: float, width_m: float
) -> float:
    """Return the load [m3] that raises the crest of a ridge; see ``rise_of_load_m``."""
    more = (ridge_area_m2(height_m + rise_m, tangent, width_m)
            - ridge_area_m2(height_m, tangent, width_m))
    return more * (drum_m + rise_m / tangent)


@lru_cache(maxsize=4096)
def rise_of_load_m(
    height_m: float, volume_m3: float, drum_m: float, tangent: float, width_m: float
) -> float:
    """
    Return the rise [m] of the crest of a ridge under one load, by halving.

    The load's ends slope down along the crest by no more than the rise: on a tall ridge it hardly
    spreads beyond the drum, on level ground by the slope of a whole heap. Solves
    ``V = (A(h + r) - A(h)) (w + r / tan)`` with A the cross-section.

    Parameters
    ----------
    height_m : float
        Height of the ridge [m], not negative.
    volume_m3 : float
        Volume of the load [m3].
    drum_m : float
        Width w over which it falls [m].
    tangent : float
        Tangent of the angle of repose.
    width_m : float
        Width of the flat top of the ridge [m].

    Returns
    -------
    float
        Rise r [m].

    """
    stands = ridge_area_m2(height_m, tangent, width_m)
    low, high = 0.0, ridge_height_m(stands + volume_m3 / drum_m, tangent, width_m) - height_m
    for _ in range(40):
        rise = 0.5 * (low + high)
        more = ridge_area_m2(height_m + rise, tangent, width_m) - stands
        low, high = (rise, high) if more * (drum_m + rise / tangent) < volume_m3 else (low, rise)
    return 0.5 * (low + high)


@lru_cache(maxsize=64)
def heap_height_m(volume_m3: float, width_m: float, tangent: float) -> float:
    """
    Return the height [m] of one load on level ground.

    Solves ``V = w h^2 / tan + pi h^3 / (3 tan^2)``: a ridge of the drum width with round ends.
    """
    low, high = 0.0, math.pow(3.0 * volume_m3 * tangent ** 2 / math.pi, 1.0 / 3.0)
    for _ in range(60):
        h = 0.5 * (low + high)
        full = width_m * h * h / tangent + math.pi * h ** 3 / (3.0 * tangent ** 2)
        low, high = (h, high) if full < volume_m3 else (low, h)
    return 0.5 * (low + high)
