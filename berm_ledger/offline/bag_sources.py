# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Open whatever is a recorded bag: folder or file, whole or cut off, compressed or not."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
import contextlib
from contextlib import ExitStack
import errno
from pathlib import Path
import re
from tempfile import gettempdir, TemporaryDirectory
from typing import Any, Protocol

from rosbags.interfaces import MessageDefinitionFormat
from rosbags.rosbag2 import Reader
import yaml

from .bag_damage import FOREIGN, reason_of, unpack_file, ZSTD_MAGIC
from .bag_times import FilesInOrder, Found, watched
from .bag_topics import BagTopic, joined_topics
from .mcap_scan import MAGIC as MCAP_MAGIC
from .mcap_scan import McapScan
from .sqlite_scan import MAGIC as SQLITE_MAGIC
from .sqlite_scan import SqliteScan, unfinished_log
from .whole_pages import is_cut_in_a_page
from ..errors import BagError

SUFFIXES = ('.mcap', '.db3', '.mcap.zstd', '.db3.zstd')
METADATA = 'metadata.yaml'
INFORMATION = 'rosbag2_bagfile_information'
NO_LIST: tuple[type[Exception], ...] = (*FOREIGN, yaml.YAMLError)
ROS1_MAGIC = b'#ROSBAG V'
NO_ROOM = (errno.ENOSPC, errno.EDQUOT)


class BagSource(Protocol):
    """One thing that messages are read from, front to back."""

    topics: tuple[BagTopic, ...]
    start_ns: int | None
    end_ns: int | None
    damage: list[str]

    def messages(
        self, topics: Collection[str], start_ns: int, stop_ns: int
    ) -> Iterator[Found]:
        """Yield topic, time of recording [ns] and bytes."""
        ...

    def close(self) -> None:
        """Give back what is open."""
        ...


class WholeBag:
    """
    A bag that is as it should be, through the bag library.

    Parameters
    ----------
    path : Path
        Folder with metadata, or a single file.

    Attributes
    ----------
    topics : tuple of BagTopic
        What it holds.
    start_ns, end_ns : int or None
        First and last time of recording [ns]; None when empty.
    damage : list of str
        Where and why reading stopped early.

    """

    def __init__(self, path: Path) -> None:
        """Open the bag; whatever is wrong with it comes out as one of ``FOREIGN``."""
        self.damage: list[str] = []
        self._reader = Reader(path)
        self._reader.open()
        try:
            self.topics = joined_topics([_topic_of(c)] for c in self._reader.connections)
            full = self._reader.message_count > 0
            self.start_ns = self._reader.start_time if full else None
            self.end_ns = self._reader.end_time - 1 if full else None
            if full and self._reader.duration <= 0:
                raise ValueError('by its metadata it ends before it begins')
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the bag."""
        with contextlib.suppress(*FOREIGN):
            self._reader.close()

    def messages(
        self, topics: Collection[str], start_ns: int, stop_ns: int
    ) -> Iterator[Found]:
        """
        Yield topic, time of recording [ns] and bytes, in the order of time.

        Parameters
        ----------
        topics : collection of str
            Names of the topics wanted.
        start_ns, stop_ns : int
            Half-open range of times wanted [ns].

        Yields
        ------
        tuple
            Messages of one time in the order of the file.

        """
        wanted = [c for c in self._reader.connections if c.topic in topics]
        if not wanted:
            return
        rows = self._reader.messages(wanted, start_ns, stop_ns)
        count = 0
        while True:
            try:
                connection, time_ns, data = next(rows)
                topic, time_ns = connection.topic, int(time_ns)
            except StopIteration:
                break
            except FOREIGN as exc:
                self.damage.append(f'damaged: {reason_of(exc)}')
                break
            count += 1
            yield topic, time_ns, data
        promised = sum(connection.msgcount for connection in wanted)
        everything = self.start_ns is not None and self.end_ns is not None and (
            start_ns <= self.start_ns and self.end_ns < stop_ns)
        if everything and count < promised:
            self.damage.append(f'{count} of {promised} messages could be read')


def _topic_of(connection: Any) -> BagTopic:
    """Return a connection of the bag library as a topic."""
    text = connection.msgdef.format == MessageDefinitionFormat.MSG
    return BagTopic(
        connection.topic, connection.msgtype, connection.msgcount,
        connection.msgdef.data if text else '')


def open_sources(path: Path, stack: ExitStack) -> tuple[list[BagSource], list[str]]:
    """
    Open a bag and whatever it consists of.

    Parameters
    ----------
    path : Path
        Folder of a bag, its metadata file, or a single storage file.
    stack : ExitStack
        Takes over the closing.

    Returns
    -------
    tuple of list of BagSource and list of str
        Sources in the order of recording, and why the bag is not as it should be.

    Raises
    ------
    BagError
        No such file, not a bag, or nothing in it can be read.

    """
    try:
        if path.name == METADATA:
            path = path.parent
        if not path.exists():
            msg = f'{path}: no such file or folder; name a bag'
            raise BagError(msg)
        return _open_folder(path, stack) if path.is_dir() else _open_file(path, path, stack)
    except OSError as exc:
        msg = f'{path}: {exc.strerror or reason_of(exc)}'
        if exc.errno in NO_ROOM:
            msg = (f'{path}: there is no room to unpack it in {gettempdir()}; free some there, or '
                   f'name another folder in the variable TMPDIR')
        raise BagError(msg) from exc


def _kept(source: BagSource, stack: ExitStack) -> BagSource:
    """Return the source after making sure that it will be closed."""
    stack.callback(source.close)
    return source


def _storage_files(folder: Path) -> list[Path]:
    """Return the storage files of a folder, split parts in the order of their numbers."""
    def key(path: Path) -> list[Any]:
        return [int(p) if p.isdigit() else p for p in re.split(r'(\d+)', path.name)]

    return sorted((p for p in folder.iterdir() if p.name.endswith(SUFFIXES)), key=key)


def _listed_files(folder: Path) -> list[Path]:
    """Return the storage files that the metadata name, or all where those do not tell."""
    files = _storage_files(folder)
    try:
        told = yaml.safe_load((folder / METADATA).read_text())
        names = {Path(name).name for name in told[INFORMATION]['relative_file_paths']}
    except NO_LIST:
        return files
    listed = [file for file in files if file.name in names]
    return listed if listed and len(listed) == len(names) else files


def _open_folder(folder: Path, stack: ExitStack) -> tuple[list[BagSource], list[str]]:
    """Open a folder by its metadata, or file by file where that fails."""
    files = _listed_files(folder)
    set_back = _clock_set_back(files)
    if not (folder / METADATA).exists():
        if not files:
            msg = (f'{folder}: no bag in this folder: neither {METADATA} nor a storage file; '
                   f'name the folder of a bag')
            raise BagError(msg)
        reason = f'no {METADATA}, the recording was not closed'
    elif any(unfinished_log(file) for file in files):
        reason = 'a storage file was not closed'
    elif set_back:
        reason = set_back
    else:
        try:
            return [_kept(WholeBag(folder), stack)], []
        except FOREIGN as exc:
            reason = reason_of(exc)
    sources: list[BagSource] = []
    damage, faults = [f'{folder}: {reason}; read file by file'], []
    for file in files:
        try:
            more, why = _open_file(file, file, stack)
        except BagError as exc:
            faults.append(str(exc))
            continue
        sources += more
        damage += why
    if not sources:
        msg = f'{folder}: cannot be read: {"; ".join([reason, *faults])}'
        raise BagError(msg)
    if set_back:
        sources = [FilesInOrder(sources)]
    return sources, damage + faults


def _clock_set_back(files: Iterable[Path]) -> str:
    """Say that the clock was set back while files were recorded; empty where it was not."""
    with ExitStack() as stack:
        try:
            return watched(
                _kept(scan(path), stack) for path in files if (scan := _scan_of(path))).text
        except FOREIGN:
            return ''


def _scan_of(path: Path) -> Any:
    """Return what reads a file row by row; None for one that is packed or of another kind."""
    with path.open('rb') as file:
        head = file.read(len(SQLITE_MAGIC))
    scans: dict[bytes, Any] = {MCAP_MAGIC: McapScan, SQLITE_MAGIC: SqliteScan}
    return next((make for magic, make in scans.items() if head.startswith(magic)), None)


def _open_file(
    path: Path, shown: Path, stack: ExitStack
) -> tuple[list[BagSource], list[str]]:
    """Open one storage file by what is in it, whatever its name."""
    with path.open('rb') as file:
        head = file.read(len(SQLITE_MAGIC))
    if head.startswith(ZSTD_MAGIC) and path == shown:
        return _open_packed(path, stack)
    if head.startswith(ROS1_MAGIC):
        msg = f'{shown}: is a bag of ROS 1; convert it to rosbag2 first (rosbags-convert)'
        raise BagError(msg)
    scan = _scan_of(path)
    if scan is None:
        what = 'is empty' if not head else 'is neither an MCAP nor an sqlite3 file'
        msg = f'{shown}: {what}'
        raise BagError(msg)
    reason = 'was not closed' if unfinished_log(path) else ''
    if not reason and scan is SqliteScan and is_cut_in_a_page(path):
        reason = 'ends in the middle of a page'
    set_back = '' if reason else _clock_set_back([path])
    if not reason and not set_back:
        try:
            return [_kept(WholeBag(path), stack)], []
        except FOREIGN as exc:
            reason = reason_of(exc)
    try:
        source: BagSource = scan(path)
    except FOREIGN as exc:
        msg = f'{shown}: cannot be read: {reason}; {reason_of(exc)}'
        raise BagError(msg) from exc
    how = f'{set_back}; read in the order of the file' if set_back else (
        f'{reason}; read as far as it goes')
    return [_kept(source, stack)], [f'{shown}: {how}']


def _open_packed(path: Path, stack: ExitStack) -> tuple[list[BagSource], list[str]]:
    """Open a storage file that is compressed as a whole."""
    folder = Path(stack.enter_context(TemporaryDirectory(prefix='berm_ledger_')))
    plain = folder / path.name.removesuffix('.zstd')
    reason = unpack_file(path, plain)
    sources, damage = _open_file(plain, path, stack)
    return sources, damage + ([f'{path}: {reason}'] if reason else [])
