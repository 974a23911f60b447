# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Entries: immutable recorded facts in one total order.

An entry's data hold only what JSON holds, numbers already rounded by whoever books them, so that
the same facts give the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
import json
from typing import Any

# Entries of one stamp are read in this order: what was found out about the input first, then
# what was announced, then what was measured, then what follows from the measurement.
KINDS = (
    'refused',
    'map_shift',
    'datum',
    'dump',
    'reading',
    'seen',
    'rise',
    'stray_dump',
    'unbooked_fill',
    'slump',
    'disturbed',
    'at_grade',
    'reworked',
    'cleared',
    'hold',
    'resume',
    'borrow_datum',
    'cut',
    'load',
    'void',
    'balance',
    'imbalance',
    # The ledger was opened with a changed site file: after all that was booked by the former.
    'site',
)
KIND_RANK = {kind: rank for rank, kind in enumerate(KINDS)}


@dataclass(frozen=True)
class Entry:
    """
    One fact in the books.

    Parameters
    ----------
    seq : int
        Running number in the order of booking, from 1.
    stamp_ns : int
        Message time the fact belongs to [ns].
    kind : str
        One of ``KINDS``.
    berm : str or None
        Name of the berm it concerns.
    segment : int or None
        Number of the segment it concerns, from 1.
    data : mapping
        What is known, JSON values only; units in the names.

    """

    seq: int
    stamp_ns: int
    kind: str
    berm: str | None = None
    segment: int | None = None
    data: Mapping[str, Any] = field(default_factory=dict)

    @property
    def sort_key(self) -> tuple[int, int, int]:
        """Key of the total order: stamp, rank of the kind, running number."""
        return (self.stamp_ns, KIND_RANK[self.kind], self.seq)

    def data_json(self) -> str:
        """Return the data as one line of JSON, keys sorted, no NaN."""
        return json.dumps(self.data, sort_keys=True, separators=(',', ':'), allow_nan=False)


def booked_until_ns(entries: Iterable[Entry]) -> int | None:
    """
    Return the newest stamp of what is booked [ns], None of nothing.

    Refusals are left out: they bear the stamp of the newest message, which may have been the
    wrong one.

    Examples
    --------
    >>> booked_until_ns([Entry(1, 40, 'dump'), Entry(2, 90, 'refused')])
    40

    """
    return max((entry.stamp_ns for entry in entries if entry.kind != 'refused'), default=None)
