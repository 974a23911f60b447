# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Findings: reportable problems with data or site, as values."""

from dataclasses import dataclass
from enum import IntEnum


class Severity(IntEnum):
    """How much a finding matters; the order is the order of weight."""

    NOTE = 0
    WARNING = 1
    REFUSAL = 2


@dataclass(frozen=True)
class Finding:
    """
    One reportable problem.

    Parameters
    ----------
    code : str
        Short stable word, e.g. ``wrong_frame``; counted under this word.
    text : str
        One plain sentence: what, where, what to do.
    severity : Severity
        ``REFUSAL`` means that the input was not used.
    stamp_ns : int
        Message time it belongs to [ns].

    """

    code: str
    text: str
    severity: Severity
    stamp_ns: int
