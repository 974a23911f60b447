# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Output that is there whole or not at all: made under another name, moved when it is finished."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
import contextlib
import os
from pathlib import Path
import shutil

from ..errors import UsageError

ENDING = '.partial'


@contextlib.contextmanager
def fresh_folder(out: Path, names: Collection[str]) -> Iterator[Path]:
    """
    Give a folder to write into, and put it in place when all went well.

    Parameters
    ----------
    out : Path
        Where the files are to be in the end. A folder that is there already keeps what it holds.
    names : collection of str
        Names of the files to come; where ``out`` holds one of them, nothing is begun.

    Yields
    ------
    Path
        The folder to write into. It is removed when an error leaves the block.

    Raises
    ------
    UsageError
        Not a folder, or one that holds such a file.

    """
    check_free(out, names)
    part = _parent(out) / f'.{out.name}.{os.getpid()}{ENDING}'
    try:
        part.mkdir()
    except OSError as exc:
        msg = f'{out}: cannot write into {part.parent}: {exc.strerror}; name another folder'
        raise UsageError(msg) from exc
    try:
        yield part
        # Somebody else may have finished first.
        check_free(out, names)
        _publish(part, out)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def check_free(out: Path, names: Collection[str]) -> None:
    """Raise UsageError where files of these names are there already, or can never be."""
    if out.exists() and not out.is_dir():
        msg = f'{out} is a file: name a folder for the output'
        raise UsageError(msg)
    taken = sorted(name for name in names if (out / name).exists())
    if taken:
        msg = (f'{out} already holds {", ".join(taken)}: name another folder, or move them away '
               f'first')
        raise UsageError(msg)


def _parent(out: Path) -> Path:
    """Return the folder to work in: the output folder itself, or the nearest one above it."""
    if out.is_dir():
        return out
    for folder in out.absolute().parents:
        if folder.is_dir():
            return folder
    return Path.cwd()


def _publish(part: Path, out: Path) -> None:
    """Move finished files into place; into a folder that is there, one after the other."""
    if not out.exists():
        out.parent.mkdir(parents=True, exist_ok=True)
        part.rename(out)
        return
    for path in sorted(part.iterdir()):
        os.replace(path, out / path.name)


def check_writable(path: Path) -> None:
    """Raise UsageError for a file that cannot be made: before the work, not after it."""
    if path.is_dir():
        msg = f'{path} is a folder: name a file'
        raise UsageError(msg)
    if not path.parent.is_dir():
        msg = f'{path}: there is no folder {path.parent}; make it first, or name another file'
        raise UsageError(msg)


def write_whole(path: Path, text: str) -> None:
    """Write a text file that is there whole or not at all, replacing one of its name."""
    write_together({path: text.encode()})


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write files that are all there whole or none of them, replacing those of their names."""
    for path in files:
        check_writable(path)
    parts = {path: path.with_name(f'.{path.name}.{os.getpid()}{ENDING}') for path in files}
    path = Path()
    try:
        for path, data in files.items():
            parts[path].write_bytes(data)
        for path, part in parts.items():
            os.replace(part, path)
    except OSError as exc:
        # A write that fails, as on a full disk, names no file.
        exc.filename = str(path)
        raise
    finally:
        # Where nothing can be written nothing can be removed either; the first error tells.
        for part in parts.values():
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
