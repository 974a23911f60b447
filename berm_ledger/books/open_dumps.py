# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Dumps still to be measured as named layers, to be kept beside the entries, and back.

Four tables: the loads, the looks at each patch of cells, and of all patches side by side the
surface before and the looks since. They tell nothing that the other layers tell, and are kept at
every look at an open dump, so that it is measured after a restart at the same look as without.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .kept_looks import KEPT_LOOKS
from .patches import Landing, OpenPatch
from .rises import DumpWatch
from ..geometry import Lattice
from ..survey.snapshot import NamedSurface

# One row a load: number of its patch, of its entry, drop point [m], volume expected [m3], weighed.
LOADS, LOAD_FIGURES = 'open_loads', 6
# One row a patch: looks there were, looks kept, and when those were [ns], oldest first.
LOOKS = 'open_looks'
# One column a cell, patch by patch: surface before [m] and looks that is worth; looks since [m].
BEFORE, SINCE = 'open_before', 'open_since_m'
NAMES = (LOADS, LOOKS, BEFORE, SINCE)


def is_open_layer(layer: NamedSurface) -> bool:
    """Tell whether a layer is of open dumps, which says nothing of the surface elsewhere."""
    return layer.name in NAMES


def open_layers(dumps: DumpWatch, stamp_ns: int) -> tuple[NamedSurface, ...]:
    """
    Return the open dumps as layers.

    Parameters
    ----------
    dumps : DumpWatch
        The watch over dumps.
    stamp_ns : int
        Time of the layers [ns].

    Returns
    -------
    tuple of NamedSurface
        None before the first dump; blank ones, which replace those kept, where none is open.

    """
    if not dumps.touched.any():
        return ()
    place = dumps.canvas.lattice
    return tuple(
        NamedSurface(name, stamp_ns,
                     replace(place, rows=values.shape[0], cols=values.shape[1]), values)
        for name, values in zip(NAMES, _tables(dumps.patches)))


def _tables(patches: list[OpenPatch]) -> tuple[NDArray[Any], ...]:
    """Return the four tables."""
    if not patches:
        return (np.zeros((1, 1)),) * len(NAMES)
    loads = np.array([
        (number, load.seq, load.x_m, load.y_m, load.expected_m3, load.weighed)
        for number, patch in enumerate(patches) for load in patch.landings])
    looks = np.zeros((len(patches), 2 + KEPT_LOOKS), dtype=np.int64)
    for row, patch in zip(looks, patches):
        row[:2] = patch.looks, len(patch.kept_m)
        row[2:2 + len(patch.stamps_ns)] = patch.stamps_ns
    before = np.concatenate([(patch.before_m, patch.before_looks) for patch in patches], axis=1)
    since = np.full((max(1, looks[:, 1].max()), before.shape[1]), np.nan, dtype=np.float32)
    at = 0
    for patch in patches:
        since[:len(patch.kept_m), at:at + len(patch.cells)] = patch.kept_m
        at += len(patch.cells)
    return loads, looks, before, since


def put_back(
    dumps: DumpWatch, layers: Iterable[NamedSurface], stamps_ns: Mapping[int, int]
) -> None:
    """
    Open kept dumps again with the looks there were; what does not fit the site is left alone.

    Parameters
    ----------
    dumps : DumpWatch
        The watch, with no dump open.
    layers : iterable of NamedSurface
        What ``open_layers`` gave, among any others.
    stamps_ns : mapping
        Time of each dump that the books hold for open, by the number of its entry [ns].

    """
    place = dumps.canvas.lattice
    kept: dict[str, NDArray[Any]] = {
        layer.name: layer.values for layer in layers
        if is_open_layer(layer) and _same_place(layer.lattice, place)}
    if not _fit(kept):
        return
    looks, before, since = kept[LOOKS], kept[BEFORE], kept[SINCE]
    loads: list[list[Landing]] = [[] for _ in looks]
    for number, seq, x_m, y_m, expected_m3, weighed in kept[LOADS].tolist():
        loads[int(number)].append(Landing(
            int(seq), stamps_ns.get(int(seq), 0), x_m, y_m, expected_m3, bool(weighed)))
    ends = np.cumsum([len(dumps.cells_of(landings)) for landings in loads])
    if ends[-1] != before.shape[1]:
        return
    for landings, row, end in zip(loads, looks.tolist(), ends.tolist()):
        own = slice(end - len(dumps.cells_of(landings)), end)
        if all(load.seq in stamps_ns for load in landings):
            dumps.put_back(
                landings, before[:, own], since[:row[1], own], row[0], tuple(row[2:2 + row[1]]))


def _fit(kept: Mapping[str, NDArray[Any]]) -> bool:
    """Tell whether all tables are there, of dumps, and of one size."""
    if len(kept) < len(NAMES) or kept[LOADS].shape[1] != LOAD_FIGURES:
        return False
    looks = kept[LOOKS]
    return (looks.shape[1] == 2 + KEPT_LOOKS and len(kept[BEFORE]) == 2
            and kept[BEFORE].shape[1] == kept[SINCE].shape[1]
            and np.array_equal(np.unique(kept[LOADS][:, 0]), np.arange(len(looks))))


def _same_place(lattice: Lattice, place: Lattice) -> bool:
    """Tell whether two lattices differ in their extent only."""
    return replace(lattice, rows=place.rows, cols=place.cols) == place
