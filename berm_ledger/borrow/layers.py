# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The layers of the borrow areas: what a restart needs and a report shows, beside the entries."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .patch import BorrowPatch, RESUMED_LOOKS
from ..survey.snapshot import NamedSurface

HEIGHT, LOOKS, SEEN = 'borrow_height_m:', 'borrow_looks:', 'borrow_seen_ns:'
DATUM, DATUM_LOOKS = 'borrow_datum_m:', 'borrow_datum_looks:'
TOUCHED = 'borrow_touched:'
PREFIX = 'borrow_'


def is_borrow_layer(layer: NamedSurface) -> bool:
    """Tell whether a layer is one of a borrow area."""
    return layer.name.startswith(PREFIX)


def layers_of(patch: BorrowPatch, stamp_ns: int) -> tuple[NamedSurface, ...]:
    """
    Return the layers of one borrow area; none as long as nothing of it was seen.

    Parameters
    ----------
    patch : BorrowPatch
        Its surface.
    stamp_ns : int
        Time of the layers [ns].

    Returns
    -------
    tuple of NamedSurface
        On the lattice of the area, named with its name.

    """
    surface = patch.surface
    if not surface.known.any():
        return ()
    cells: dict[str, NDArray[Any]] = {
        HEIGHT: surface.height_m, LOOKS: surface.looks, SEEN: surface.seen_ns,
        TOUCHED: patch.touched.astype(np.uint8)}
    if patch.datum_m is not None:
        cells |= {DATUM: patch.datum_m, DATUM_LOOKS: patch.datum_looks}
    return tuple(
        NamedSurface(name + patch.area.name, stamp_ns, patch.lattice,
                     values.reshape(patch.lattice.shape).copy())
        for name, values in cells.items())


def restore(patch: BorrowPatch, layers: Iterable[NamedSurface]) -> None:
    """
    Put kept layers back; layers of another lattice are left alone.

    What happened since they were kept is not known: no cell counts more than a few looks, so that
    the surface follows soon.

    Parameters
    ----------
    patch : BorrowPatch
        The surface, fresh.
    layers : iterable of NamedSurface
        What ``layers_of`` gave.

    """
    name = patch.area.name
    kept: dict[str, NDArray[Any]] = {
        layer.name: layer.values.ravel().copy() for layer in layers
        if layer.lattice == patch.lattice}
    if HEIGHT + name not in kept:
        return
    surface = patch.surface
    surface.height_m = kept[HEIGHT + name]
    surface.looks = np.minimum(kept[LOOKS + name], np.float32(RESUMED_LOOKS))
    surface.looks[~np.isfinite(surface.height_m)] = 0.0
    surface.put_back_seen(kept[SEEN + name])
    patch.touched = kept[TOUCHED + name].astype(bool)
    if DATUM + name in kept:
        patch.datum_m = kept[DATUM + name]
        patch.datum_looks = kept[DATUM_LOOKS + name]
