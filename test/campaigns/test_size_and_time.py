# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A day of books, cut short to a few looks."""

import sys

import pytest
import size_and_time


def test_a_few_looks_are_booked_and_come_back_at_a_restart(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, 'argv', ['size_and_time', '--hours', '0.01', '--minutes', '0.05'])
    size_and_time.main()
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith('15 full grids')
    assert said[1].startswith('0.01 h at 5 Hz, 40 segments: 180 looks, ')
    assert "'datum': 1" in said[0]
