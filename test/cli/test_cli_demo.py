# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger demo``: what the command passes on; the demo itself is tested with the nodes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from berm_ledger.errors import UsageError
from cli_kit import Outcome
import pytest

Call = Callable[..., Outcome]


def test_arguments_are_passed_on_and_texts_printed(
        call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []

    def run_demo(*arguments: Any, say: Callable[[str], None]) -> int:
        seen.append(arguments)
        say('one table')
        return 1

    monkeypatch.setattr('berm_ledger.demo.run_demo', run_demo)
    assert call('demo', '--out', 'out') == Outcome(1, 'one table\n', '')
    assert call('demo', '--out', 'o', '--site', 's.yaml', '--seed', 7).code == 1
    assert seen == [('out', None, 1), ('o', 's.yaml', 7)]


def test_what_keeps_the_demo_from_starting_is_one_line(
        call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    def run_demo(*_: Any, **__: Any) -> int:
        msg = 'no rclpy'
        raise UsageError(msg)

    monkeypatch.setattr('berm_ledger.demo.run_demo', run_demo)
    assert call('demo', '--out', 'out').complaint == 'no rclpy'
