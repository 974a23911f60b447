# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Coverage-guided fuzzing with atheris; run by hand.

``python test/fuzz/fuzz.py TARGET [CORPUS] [-runs=N] [-max_total_time=SECONDS] ...``: TARGET is
decoders, site, books or bag; what follows goes to libFuzzer. Any error but one of this package is
a find, and so is memory beyond the limit whatever a header claims.
"""

from __future__ import annotations

from collections import Counter
import contextlib
import importlib
import itertools
import os
from pathlib import Path
import resource
import sys
import tempfile
import warnings

# What is loaded with its branches counted.
MODULES = ('berm_ledger.books.journal', 'berm_ledger.design.site_file', 'fuzz_kit')
# Address space beyond this is a MemoryError, and so a find [bytes].
MOST_MEMORY = 2 ** 31
# What came of the inputs is written to the standard error every so many [inputs].
REPORT_EVERY = 500_000
COUNTS: Counter[str] = Counter()
SOUND: dict[str, bytes] = {}
FOLDER = Path(tempfile.gettempdir(), f'berm_fuzz_{os.getpid()}')


def decoders(data: bytes) -> None:
    """Decode one message."""
    import fuzz_kit
    COUNTS[fuzz_kit.decode(data)] += 1


def site(data: bytes) -> None:
    """Read one site file."""
    from berm_ledger.design.site_file import site_from_text
    from berm_ledger.errors import SiteFileError
    text = data.decode('utf-8', 'replace')
    try:
        site_from_text(text, 'site.yaml')
    except SiteFileError:
        COUNTS['refused'] += 1
    else:
        COUNTS['read'] += 1


def books(data: bytes) -> None:
    """Open one books file: the sound one with bytes changed, or the bytes themselves."""
    from berm_ledger.books.journal import Journal
    from berm_ledger.errors import BooksError
    path = FOLDER / 'b.sqlite'
    path.write_bytes(changed(SOUND['books'], data))
    try:
        with contextlib.closing(Journal.read(path)) as journal:
            list(journal.entries())
            journal.surfaces()
    except BooksError:
        COUNTS['refused'] += 1
    else:
        COUNTS['read'] += 1


def bag(data: bytes) -> None:
    """Read one bag file: the sound one with bytes changed, or the bytes themselves."""
    from berm_ledger.errors import BagError
    from berm_ledger.offline.bags import open_bag
    name = 'bag.db3' if data[:1] and data[0] & 1 else 'bag.mcap'
    path = FOLDER / name
    path.write_bytes(changed(SOUND[name], data[1:]))
    try:
        with open_bag(path) as stream:
            COUNTS['events'] += sum(1 for _ in stream)
    except BagError:
        COUNTS['refused'] += 1
    else:
        COUNTS['read'] += 1


def changed(sound: bytes, data: bytes) -> bytes:
    """Return a file with three-byte changes (place, place, value), cut where the last one says."""
    if len(data) < 2:
        return data
    out = bytearray(sound)
    if data[0] & 3 == 3:
        return bytes(data[1:])
    for k in range(1, len(data) - 2, 3):
        out[(data[k] << 8 | data[k + 1]) % len(out)] = data[k + 2]
    return bytes(out[:len(out) * data[0] // 255] if data[0] & 3 == 2 else out)


def make_books() -> bytes:
    """Return a small sound books file."""
    from berm_ledger.books.entries import Entry
    from berm_ledger.books.journal import Journal
    from berm_ledger.geometry import Lattice
    from berm_ledger.survey.snapshot import NamedSurface
    import numpy as np
    path = FOLDER / 'sound.sqlite'
    with Journal.open(path, 'digest', 'site.yaml', 'format: 1') as journal:
        journal.append(
            [Entry(k, k, 'hold', None, None, {'text': 'x'}) for k in range(1, 30)],
            [NamedSurface('height_m', 7, Lattice(0.0, 0.0, 0.1, 4, 5),
                          np.zeros((4, 5), np.float32))])
    return path.read_bytes()


def make_bag(storage: str) -> bytes:
    """Return the storage file of a small sound bag."""
    import bags_kit
    folder = FOLDER / storage
    bags_kit.small_bag(folder, 3, storage=storage)
    return bags_kit.storage_file(folder).read_bytes()


TARGETS = {'decoders': decoders, 'site': site, 'books': books, 'bag': bag}


def main() -> None:
    """Fuzz one target."""
    import atheris
    here = Path(__file__).resolve()
    sys.path[:0] = [str(here.parents[2]), str(here.parents[1] / 'offline')]
    warnings.simplefilter('error')
    name = sys.argv.pop(1)
    with atheris.instrument_imports(include=['berm_ledger']):
        for module in (*MODULES, *(['berm_ledger.offline.bags'] if name == 'bag' else [])):
            importlib.import_module(module)
    if name in ('books', 'bag'):
        FOLDER.mkdir()
    if name == 'books':
        SOUND['books'] = make_books()
    if name == 'bag':
        SOUND.update({'bag.mcap': make_bag('mcap'), 'bag.db3': make_bag('sqlite3')})
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    target, turns = TARGETS[name], itertools.count(1)

    def one_input(data: bytes) -> None:
        target(data)
        if next(turns) % REPORT_EVERY == 0:
            sys.stderr.write(f'{name}: {dict(sorted(COUNTS.items()))}\n')

    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()


if __name__ == '__main__':
    main()
