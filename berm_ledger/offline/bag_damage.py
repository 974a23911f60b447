# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What can go wrong below a bag, and decompression that stops where the data stop.

Foreign libraries report damage in many ways; ``FOREIGN`` lists them, so that each is translated
in one place.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
import sqlite3
import struct
import sys
from typing import Any

from rosbags.rosbag2 import ReaderError
from rosbags.serde import SerdeError
from rosbags.typesys import TypesysError

# What rosbags itself is built on; loaded by name, for they carry no types.
apsw: Any = import_module('apsw')
lz4_frame: Any = import_module('lz4.frame')
zstd: Any = import_module(
    'compression.zstd' if sys.version_info >= (3, 14) else 'backports.zstd')

FOREIGN: tuple[type[Exception], ...] = (
    ReaderError, SerdeError, TypesysError, apsw.Error, sqlite3.Error, zstd.ZstdError,
    struct.error, ArithmeticError, AssertionError, AttributeError, BufferError, EOFError,
    LookupError, MemoryError, OSError, RuntimeError, TypeError, ValueError)

ZSTD_MAGIC = b'\x28\xb5\x2f\xfd'
# More than any message or chunk of messages that can be of use; a claim beyond it is damage.
MAX_PLAIN_BYTES = 2 ** 30
COPY_BYTES = 2 ** 20


def reason_of(exc: BaseException) -> str:
    """Return what went wrong in one line; of an error of the system, what it calls it."""
    said = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
    text = ' '.join(said.split()).rstrip('.')
    return text or type(exc).__name__


def inflated(data: Any, compression: str, size: int) -> bytes:
    """
    Return data as they were before compression, as far as they go.

    Parameters
    ----------
    data : bytes-like
        Compressed data, maybe cut off.
    compression : str
        '', 'zstd' or 'lz4'.
    size : int
        Most bytes to return.

    Returns
    -------
    bytes
        At most `size`; less where the data are cut off.

    Raises
    ------
    ValueError
        Unknown compression, or a size beyond any use.

    """
    if not 0 <= size <= MAX_PLAIN_BYTES:
        msg = f'claims {size} bytes; more than {MAX_PLAIN_BYTES} are not read'
        raise ValueError(msg)
    if compression == '':
        return bytes(data[:size])
    if compression == 'zstd':
        return _frames(zstd.ZstdDecompressor, data, size)
    if compression == 'lz4':
        return _frames(lz4_frame.LZ4FrameDecompressor, data, size)
    msg = f'unknown compression {compression!r}'
    raise ValueError(msg)


def _frames(make: Any, data: Any, size: int) -> bytes:
    """Decompress frame after frame until the data or the wanted size end."""
    parts = []
    while len(data) and size > 0:
        machine = make()
        part = machine.decompress(data, max_length=size)
        parts.append(part)
        size -= len(part)
        if not machine.eof:
            break
        data = machine.unused_data or b''
    return parts[0] if len(parts) == 1 else b''.join(parts)


def plain_message(raw: Any) -> Any:
    """
    Return a message's bytes, decompressed where they are a zstd frame.

    A serialised message begins with a zero byte, a zstd frame never does; so the content itself
    tells, also where the bag's own note of it is lost.
    """
    if bytes(raw[:4]) != ZSTD_MAGIC:
        return raw
    return inflated(raw, 'zstd', MAX_PLAIN_BYTES)


def unpack_file(source: Path, target: Path) -> str | None:
    """
    Decompress a zstd file into another, as far as it goes.

    Returns
    -------
    str or None
        Why it ends early; None when it does not.

    """
    with source.open('rb') as packed, target.open('wb') as out:
        try:
            for part in _unpacked(packed):
                out.write(part)
        except (zstd.ZstdError, EOFError) as exc:
            return reason_of(exc)
    return None


def _unpacked(packed: Any) -> Iterator[bytes]:
    """Yield the content of a zstd file in pieces."""
    with zstd.open(packed, 'rb') as stream:
        while part := stream.read1(COPY_BYTES):
            yield part
