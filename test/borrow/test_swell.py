# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Swell and shrink against published ratios."""

from berm_ledger.borrow.swell import (
    bank_from_loose_m3,
    loose_from_bank_m3,
    SWELL_SPREAD,
)
from hypothesis import given
from hypothesis import strategies as st
import pytest


def test_sand_is_that_of_the_navy_manual() -> None:
    """
    100 yd3 in place are 111 yd3 loose.

    US Navy training manual, soil conversion factors, Table 10-1.
    """
    assert loose_from_bank_m3(100.0) == pytest.approx(111.0)
    # Derived from the same row: loose to bank 0.90, as rounded there.
    assert bank_from_loose_m3(1.0) == pytest.approx(0.90, abs=0.005)


def test_bulk_densities_of_dry_sand_agree() -> None:
    """Bank 1600 and loose 1420 kg/m3 (an equipment maker's handbook) give nearly that swell."""
    swell = loose_from_bank_m3(1.0)
    assert abs(1600.0 / 1420.0 - swell) < 2.0 * SWELL_SPREAD * swell


@given(volume_m3=st.floats(1e-6, 1e3), swell=st.floats(1.0, 2.0))
def test_there_and_back(volume_m3: float, swell: float) -> None:
    """Bank to loose and back is the same volume."""
    assert bank_from_loose_m3(loose_from_bank_m3(volume_m3, swell), swell) == pytest.approx(
        volume_m3)
