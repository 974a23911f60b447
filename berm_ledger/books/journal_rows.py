# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What lies in the tables of a books file: entries and surfaces as rows, and back."""

from __future__ import annotations

from collections.abc import Sequence
import json
import math
from typing import Any, NoReturn
import zlib

import numpy as np

from .entries import Entry
from ..errors import BooksError, GeometryError
from ..geometry import Lattice
from ..survey.snapshot import NamedSurface

# The bytes 'Berm', at the place where SQLite files say whose they are.
APPLICATION_ID = 0x4265726D
# What is known of the tables here, and what new books ask of a reader. Kinds of entries that came
# later ask for more, so that a release which does not know them says that the books are newer.
SCHEMA_VERSION, FIRST_VERSION = 2, 1
LATER_KINDS = ('site',)
_META = (
    "CREATE TABLE meta (key TEXT PRIMARY KEY NOT NULL CHECK (typeof(key) = 'text'), "
    "value TEXT NOT NULL CHECK (typeof(value) = 'text'))")
_ENTRIES = (
    'CREATE TABLE entries (seq INTEGER PRIMARY KEY, '
    "stamp_ns INTEGER NOT NULL CHECK (typeof(stamp_ns) = 'integer'), "
    "kind TEXT NOT NULL CHECK (typeof(kind) = 'text'), "
    "berm TEXT CHECK (typeof(berm) IN ('text', 'null')), "
    "segment INTEGER CHECK (typeof(segment) IN ('integer', 'null')), "
    "data TEXT NOT NULL CHECK (typeof(data) = 'text'))")
_SURFACES = (
    "CREATE TABLE surfaces (name TEXT PRIMARY KEY NOT NULL CHECK (typeof(name) = 'text'), "
    "stamp_ns INTEGER NOT NULL CHECK (typeof(stamp_ns) = 'integer'), "
    'x0_m REAL NOT NULL, y0_m REAL NOT NULL, cell_m REAL NOT NULL, '
    '"rows" INTEGER NOT NULL, cols INTEGER NOT NULL, dtype TEXT NOT NULL, data BLOB NOT NULL)')
SCHEMA = (_META, _ENTRIES, _SURFACES)
ENTRY_COLUMNS = 'seq, stamp_ns, kind, berm, segment, data'
SURFACE_COLUMNS = 'name, stamp_ns, x0_m, y0_m, cell_m, "rows", cols, dtype, data'

DTYPES = ('<f4', '<f8', '|b1', '|i1', '|u1', '<i2', '<u2', '<i4', '<u4', '<i8', '<u8')
# A lattice of more cells than this is a damaged or hostile file, not a yard.
MAX_CELLS = 50_000_000
COMPRESSION = 2

EntryRow = tuple[int, int, str, 'str | None', 'int | None', str]
SurfaceRow = tuple[str, int, float, float, float, int, int, str, bytes]


def _refuse_constant(name: str) -> NoReturn:
    """Refuse NaN and infinity, which are not JSON."""
    msg = f'{name} is not JSON'
    raise ValueError(msg)


_DECODER = json.JSONDecoder(parse_constant=_refuse_constant)


def row_from_entry(entry: Entry) -> EntryRow:
    """
    Return the row of an entry.

    Parameters
    ----------
    entry : Entry
        The entry.

    Returns
    -------
    tuple
        In the order of ``ENTRY_COLUMNS``.

    Raises
    ------
    BooksError
        Data that JSON cannot hold, or a number that SQLite cannot.

    """
    try:
        data = entry.data_json()
        text = (entry.kind + (entry.berm or '')).encode('utf-8')
    except (TypeError, ValueError, RecursionError) as exc:
        msg = f'entry {entry.seq} ({entry.kind}) holds what JSON cannot hold: {exc}'
        raise BooksError(msg) from exc
    whole = (entry.seq, entry.stamp_ns, entry.segment or 0)
    if b'\0' in text or not all(-2 ** 63 <= int(value) < 2 ** 63 for value in whole):
        msg = f'entry {entry.seq} ({entry.kind}) holds a figure or name that no books can hold'
        raise BooksError(msg)
    segment = None if entry.segment is None else int(entry.segment)
    return (int(entry.seq), int(entry.stamp_ns), entry.kind, entry.berm, segment, data)


def entries_from_rows(rows: Sequence[EntryRow]) -> list[Entry]:
    """
    Return the entries of rows; the data of all rows are parsed in one go, which is fast.

    Parameters
    ----------
    rows : sequence of tuple
        In the order of ``ENTRY_COLUMNS``.

    Returns
    -------
    list of Entry
        In the order of the rows.

    Raises
    ------
    BooksError
        Data that are not JSON objects.

    """
    try:
        parsed = _DECODER.decode('[' + ','.join([row[5] for row in rows]) + ']')
    except (ValueError, TypeError, RecursionError):
        parsed = []
    if len(parsed) != len(rows) or not all(type(data) is dict for data in parsed):
        parsed = [_data_from_row(row) for row in rows]
    return [Entry(row[0], row[1], row[2], row[3], row[4], data)
            for row, data in zip(rows, parsed)]


def _data_from_row(row: EntryRow) -> dict[str, Any]:
    """Return the data of one row, or say which row is bad."""
    try:
        data = _DECODER.decode(row[5])
    except (ValueError, TypeError, RecursionError) as exc:
        msg = f'the data of entry {row[0]} are not JSON: {exc}'
        raise BooksError(msg) from exc
    if not isinstance(data, dict):
        msg = f'the data of entry {row[0]} are no JSON object'
        raise BooksError(msg)
    return data


def row_from_surface(surface: NamedSurface) -> SurfaceRow:
    """
    Return the row of a surface; values little-endian, row by row, compressed.

    Parameters
    ----------
    surface : NamedSurface
        The layer.

    Returns
    -------
    tuple
        In the order of ``SURFACE_COLUMNS``.

    Raises
    ------
    BooksError
        Values of a type that books do not keep.

    """
    values = np.ascontiguousarray(surface.values)
    values = values.astype(values.dtype.newbyteorder('<'), copy=False)
    dtype = values.dtype.str
    if dtype not in DTYPES:
        msg = f'layer {surface.name} holds values of type {dtype}, which books do not keep'
        raise BooksError(msg)
    lattice = surface.lattice
    return (surface.name, int(surface.stamp_ns), float(lattice.x0_m), float(lattice.y0_m),
            float(lattice.cell_m), int(lattice.rows), int(lattice.cols), dtype,
            zlib.compress(values.tobytes(), COMPRESSION))


def surface_from_row(row: SurfaceRow) -> NamedSurface:
    """
    Return the surface of a row; never more memory than the stated size asks for.

    Parameters
    ----------
    row : tuple
        In the order of ``SURFACE_COLUMNS``.

    Returns
    -------
    NamedSurface
        The layer; its values are read-only.

    Raises
    ------
    BooksError
        A size or type that cannot be, or data that do not fit the size.

    """
    name, stamp_ns, x0_m, y0_m, cell_m, rows, cols, dtype, data = row
    sane = (type(rows) is int and type(cols) is int and rows > 0 and cols > 0
            and rows * cols <= MAX_CELLS and dtype in DTYPES and type(data) is bytes
            and all(type(v) is float and math.isfinite(v) for v in (x0_m, y0_m, cell_m))
            and cell_m > 0.0)
    if not sane:
        msg = f'layer {name!r} of the books claims {rows} x {cols} cells of {dtype!r}'
        raise BooksError(msg)
    size = rows * cols * np.dtype(dtype).itemsize
    try:
        unpacker = zlib.decompressobj()
        raw = unpacker.decompress(data, size + 1)
        if len(raw) != size or not unpacker.eof:
            msg = f'layer {name!r} of the books does not hold the {size} bytes that it claims'
            raise BooksError(msg)
        values = np.frombuffer(raw, dtype=dtype).reshape(rows, cols)
        lattice = Lattice(x0_m, y0_m, cell_m, rows, cols)
        return NamedSurface(name, stamp_ns, lattice, values)
    except (zlib.error, GeometryError, ValueError) as exc:
        msg = f'layer {name!r} of the books is damaged: {exc}'
        raise BooksError(msg) from exc
