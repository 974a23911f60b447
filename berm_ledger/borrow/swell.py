# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Volumes of one mass of soil in the ground (bank) and as dumped (loose).

Sand of 1 in the bank is 1.11 loose (US Navy training manual, soil conversion factors, Table
10-1). ``swell`` everywhere is loose volume over bank volume.
"""

from __future__ import annotations

# Loose volume of sand that is 1 in the bank.
SAND_LOOSE = 1.11
# How far a swell factor may be off, one standard deviation: the Navy's 1.11 for sand, and 1600
# over 1420 kg/m3 = 1.127 of an equipment maker's handbook for dry sand, differ by 1.5 %.
SWELL_SPREAD = 0.015


def loose_from_bank_m3(bank_m3: float, swell: float = SAND_LOOSE) -> float:
    """
    Return the loose volume of soil dug from the bank [m3].

    Examples
    --------
    >>> round(loose_from_bank_m3(100.0), 6)
    111.0

    """
    return bank_m3 * swell


def bank_from_loose_m3(loose_m3: float, swell: float = SAND_LOOSE) -> float:
    """
    Return the volume in the bank of loose soil [m3].

    Examples
    --------
    >>> round(bank_from_loose_m3(111.0), 6)
    100.0

    """
    return loose_m3 / swell
