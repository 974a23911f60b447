# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Loads that are too big for the tolerance of a berm: known before the first dump."""

from __future__ import annotations

import math

from .dump_plan import RiseModel
from ..design import Site


def coarse_loads(site: Site) -> tuple[str, ...]:
    """
    Return a note for every berm of whose finished crest one load takes more than the tolerance.

    Loads come whole, so that a crest ends up to half of what a load raises it by off its height,
    and poured soil is uneven besides: such a berm ends at grade by luck.

    Parameters
    ----------
    site : Site
        The site.

    Returns
    -------
    tuple of str
        One line for each such berm with a crest height; of a level crest the height is not known.

    """
    notes, payload_kg = [], site.rover.payload_kg
    for berm in site.berms:
        height_m = berm.crest_height_m
        if height_m is None:
            continue
        model = RiseModel(site, berm, site.load_volume_m3)
        rise_m = model.load_rise_m(height_m)
        if rise_m > berm.height_tolerance_m:
            fits_m3 = model.load_of_rise_m3(height_m, berm.height_tolerance_m)
            fits_kg = math.floor(10.0 * site.material.loose_density_kg_m3 * fits_m3) / 10.0
            notes.append(
                f'berm {berm.name!r}: one load of {payload_kg:g} kg raises the finished crest by '
                f'{1e3 * rise_m:.0f} mm, more than its tolerance of '
                f'{1e3 * berm.height_tolerance_m:.0f} mm: not all of it may come to grade; carry '
                f'{fits_kg:g} kg at most, or allow more')
    return tuple(notes)
