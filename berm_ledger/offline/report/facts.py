# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a report is made of: everything of a books file, ready to be drawn and written down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
import hashlib
import math
import os
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from ..opened import books_path, open_books, OpenedBooks
from ..tables import summary_dict
from ...books import Books, Entry, Row
from ...books.acceptance import crest_lines, CrestLine
from ...books.journal import Journal
from ...books.layers import DATUM, HEIGHT
from ...design import Berm, Site
from ...survey.snapshot import NamedSurface

CHANGE_SIGNS = {'disturbed': 'D', 'slump': 'S', 'unbooked_fill': 'F'}
CHANGE_WORDS = {
    'disturbed': 'soil lost', 'slump': 'soil slid', 'unbooked_fill': 'soil added without a dump'}
# 95 % of a normal error lie within so many standard errors.
Z95 = 1.96
# Of less soil the highest place is that of the noise, and tells nothing of where a crest lies [m].
LEAST_STANDING_M = 0.02
STANDING_NOTE = f'where {1e3 * LEAST_STANDING_M:g} mm of soil or more stand'


@dataclass(frozen=True)
class Event:
    """
    A change that no dump explains, with the sign it has in pictures and tables.

    Parameters
    ----------
    sign : str
        Letter of its kind and running number, e.g. ``D1``.
    entry : Entry
        The entry.

    """

    sign: str
    entry: Entry

    def figure(self, name: str) -> float:
        """Return one of its figures, NaN where it is unknown."""
        value = self.entry.data.get(name)
        return math.nan if value is None else float(value)


@dataclass(frozen=True, eq=False)
class Facts:
    """
    What a books file holds, and what follows from it.

    Parameters
    ----------
    opened : OpenedBooks
        Site, books, entries and layers.
    meta : mapping
        Notes of the books: the site file as it was at the end, and the bags.
    summary : mapping
        What ``summary.json`` says.
    layers : mapping
        Layers by name.
    crests : mapping
        Standing crest by name of the berm.
    events : tuple of Event
        Changes that no dump explains.

    """

    opened: OpenedBooks
    meta: Mapping[str, str]
    summary: Mapping[str, Any]
    layers: Mapping[str, NamedSurface]
    crests: Mapping[str, CrestLine]
    events: tuple[Event, ...]

    @property
    def site(self) -> Site:
        """Design."""
        return self.opened.site

    @property
    def books(self) -> Books:
        """Books as they stand."""
        return self.opened.books

    @property
    def entries(self) -> Sequence[Entry]:
        """All entries, in the order of booking."""
        return self.opened.entries

    @property
    def first_ns(self) -> int:
        """
        Earliest stamp [ns]; 0 in empty books.

        What was refused before anything with a usable stamp came in has none, which is 0.
        """
        return min((entry.stamp_ns for entry in self.entries if entry.stamp_ns), default=0)

    @property
    def last_ns(self) -> int:
        """Newest stamp [ns]; 0 in empty books."""
        return self.books.last_stamp_ns or 0

    @property
    def surface_ns(self) -> int | None:
        """Time of the kept surface [ns]; None without one."""
        layer = self.layers.get(HEIGHT)
        return None if layer is None else layer.stamp_ns

    def rows_of(self, berm: Berm) -> tuple[Row, ...]:
        """Return the rows of one berm."""
        return self.books.rows_of(berm.name)

    def events_of(self, berm: Berm) -> list[Event]:
        """Return the changes on one berm."""
        return [event for event in self.events if event.entry.berm == berm.name]

    def sample(self, name: str, points_xy: ArrayLike) -> NDArray[np.float64]:
        """
        Return a layer at any points, interpolated between cells.

        Parameters
        ----------
        name : str
            Name of the layer.
        points_xy : array
            Shape (..., 2) [m].

        Returns
        -------
        array
            Shape (...) ; NaN where the layer is unknown or not kept.

        """
        points = np.asarray(points_xy, dtype=float)
        layer = self.layers.get(name)
        if layer is None:
            return np.full(points.shape[:-1], np.nan)
        index = layer.lattice.index_from_xy(points)
        out: NDArray[np.float64] = ndimage.map_coordinates(
            layer.values.astype(float), np.moveaxis(index, -1, 0), order=1, cval=np.nan)
        return out

    def standing_offset_m(self, berm: Berm) -> NDArray[np.float64]:
        """Return how far the crest lies off the line, where one stands [m]; else unknown."""
        crest = self.crests[berm.name]
        return np.where(crest.height_m >= LEAST_STANDING_M, crest.offset_m, np.nan)

    def half_width_m(self, berm: Berm) -> float:
        """Return half the width of a footprint where it is widest [m]; a guess if unknown."""
        heights = [row.target_height_m for row in self.rows_of(berm)]
        known = [height for height in heights if math.isfinite(height)]
        return berm.crest_width_m / 2 + max(known, default=0.3) / berm.side_slope

    def datum_m(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Return the natural ground at points (..., 2) [m]: as kept, else the site's plane."""
        known = self.sample(DATUM, points_xy)
        if DATUM not in self.layers and self.site.datum_plane is not None:
            return self.site.datum_plane.height_m(points_xy)
        return known


def gather(named: str | os.PathLike[str]) -> Facts:
    """
    Read a books file for a report, also one that a ledger is writing.

    Parameters
    ----------
    named : path
        The file, or the folder that holds it under the name ``books.sqlite``.

    Returns
    -------
    Facts
        All there is.

    Raises
    ------
    BooksError
        No usable books.

    """
    opened = open_books(named)
    with Journal.read(books_path(named)) as journal:
        meta = dict(journal.meta)
    return facts_of(opened, meta)


def facts_of(opened: OpenedBooks, meta: Mapping[str, str]) -> Facts:
    """Return the facts of opened books."""
    return Facts(
        opened, meta, summary_dict(opened.site, opened.books, opened.surfaces, opened.entries),
        {layer.name: layer for layer in opened.surfaces},
        crest_lines(opened.site, opened.surfaces), _events(opened.entries))


def _events(entries: Sequence[Entry]) -> tuple[Event, ...]:
    """Return the changes without a dump, numbered by kind."""
    counts = dict.fromkeys(CHANGE_SIGNS, 0)
    events = []
    for entry in entries:
        if entry.kind in counts:
            counts[entry.kind] += 1
            events.append(Event(f'{CHANGE_SIGNS[entry.kind]}{counts[entry.kind]}', entry))
    return tuple(events)


def entries_digest(entries: Sequence[Entry]) -> str:
    """
    Return the SHA-256 of all entries, as anybody can compute it from the books file.

    Parameters
    ----------
    entries : sequence of Entry
        All of them.

    Returns
    -------
    str
        Digest of the lines that ``sqlite3 FILE 'SELECT * FROM entries ORDER BY seq'`` prints.

    """
    total = hashlib.sha256()
    for entry in entries:
        fields = (entry.seq, entry.stamp_ns, entry.kind, entry.berm, entry.segment,
                  entry.data_json())
        line = '|'.join('' if field is None else str(field) for field in fields)
        total.update(f'{line}\n'.encode('utf-8', 'surrogatepass'))
    return total.hexdigest()


def layers_digest(layers: Mapping[str, NamedSurface]) -> str:
    """Return the SHA-256 of all layers: name, stamp, place and values of each, by name."""
    total = hashlib.sha256()
    for name, layer in sorted(layers.items()):
        lattice = layer.lattice
        head = (f'{name}|{layer.stamp_ns}|{lattice.x0_m!r}|{lattice.y0_m!r}|{lattice.cell_m!r}|'
                f'{lattice.rows}|{lattice.cols}|{layer.values.dtype.newbyteorder("<").str}\n')
        total.update(head.encode('utf-8', 'surrogatepass'))
        values = np.ascontiguousarray(layer.values)
        total.update(values.astype(values.dtype.newbyteorder('<'), copy=False).tobytes())
    return total.hexdigest()
