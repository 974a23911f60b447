# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the target node makes of the stamps of what came in."""

from types import SimpleNamespace

from berm_ledger.ros.freshness import Receipt
from berm_ledger.ros.target_inputs import TargetInputs
from ledger_kit import NS


def test_ground_told_before_a_clock_was_set_back_dates_no_target():
    """Who turns the target into another frame would wait an hour for a stamp of then."""
    known = TargetInputs(SimpleNamespace(site=None))
    assert known.stamp_ns == 0
    known.receipts['no_go'] = Receipt(1.0, 5000 * NS)
    known.receipts['segments'] = Receipt(3.0, 1400 * NS)
    known.receipts['pose'] = Receipt(3.1, 1401 * NS)
    assert known.stamp_ns == 1401 * NS
