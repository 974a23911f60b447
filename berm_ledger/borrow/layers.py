# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The layers of the borrow areas: what a restart needs and a report shows, beside the entries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .patch import BorrowPatch, RESUMED_LOOKS
from .tracks import BANDS
from ..geometry import Lattice
from ..survey.snapshot import NamedSurface

HEIGHT, LOOKS, SEEN = 'borrow_height_m:', 'borrow_looks:', 'borrow_seen_ns:'
DATUM, DATUM_LOOKS = 'borrow_datum_m:', 'borrow_datum_looks:'
TOUCHED = 'borrow_touched:'
# Where wheels press the ground down: how it stood before, and passes over it, band under band.
FIRM = 'borrow_firm_m:'
PASSES, PASSES_BEFORE = 'borrow_passes:', 'borrow_passes_before:'
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
    out = [
        NamedSurface(name + patch.area.name, stamp_ns, patch.lattice,
                     values.reshape(patch.lattice.shape).copy())
        for name, values in cells.items()]
    return tuple(out) + _layers_of_tracks(patch, stamp_ns)


def _layers_of_tracks(patch: BorrowPatch, stamp_ns: int) -> tuple[NamedSurface, ...]:
    """Return what is kept of passes over the ground; none where it does not sink."""
    if not patch.sinks:
        return ()
    name, tracks = patch.area.name, patch.tracks
    passes = [
        NamedSurface(kind + name, stamp_ns, _in_bands(patch),
                     values.T.reshape(_in_bands(patch).shape).copy())
        for kind, values in ((PASSES, tracks.passes), (PASSES_BEFORE, tracks.before))]
    firm_m = tracks.firm_m.reshape(patch.lattice.shape).copy()
    return NamedSurface(FIRM + name, stamp_ns, patch.lattice, firm_m), *passes


def _in_bands(patch: BorrowPatch) -> Lattice:
    """Return the lattice of a patch with its rows once for each band."""
    return replace(patch.lattice, rows=BANDS * patch.lattice.rows)


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
        if layer.lattice in (patch.lattice, _in_bands(patch))}
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
    if FIRM + name in kept:
        passes, before = (
            kept[kind + name].reshape(BANDS, -1).T.copy() for kind in (PASSES, PASSES_BEFORE))
        patch.tracks.put_back(passes, before, kept[FIRM + name])
        patch.sinks = True
        patch.learn_ruts()
