# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger watch``: what it says where something is missing; the screen has its own tests."""

from __future__ import annotations

from collections.abc import Callable
import sys

from cli_kit import Outcome
import pytest

Call = Callable[..., Outcome]


@pytest.mark.parametrize(('package', 'extra'), [('rich', 'replay'), ('rclpy', 'ros')])
def test_a_missing_package_is_one_line_that_says_what_to_install(
        call: Call, monkeypatch: pytest.MonkeyPatch, package: str, extra: str) -> None:
    if package == 'rich':
        pytest.importorskip('rclpy', reason='rclpy is asked for first')
    monkeypatch.setitem(sys.modules, package, None)
    assert call('watch').complaint.startswith(f'watch needs the package {package}')
    assert f'berm_ledger[{extra}]' in call('watch').complaint


@pytest.mark.parametrize('wait', ['-1', 'nan', 'inf', '1e9', 'soon'])
def test_a_wait_that_is_none_is_refused(call: Call, wait: str) -> None:
    assert '--wait' in call('watch', '--once', f'--wait={wait}').complaint
