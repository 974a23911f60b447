# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Facts of books made by hand; whoever imports this first is skipped without matplotlib."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TYPE_CHECKING

import pytest
from report_kit import books_file

if TYPE_CHECKING:
    from berm_ledger.offline.report.facts import Facts

pytest.importorskip('matplotlib', reason='needs matplotlib, from the extra replay')


def gathered(path: Path, *contents: Any, **named: Any) -> Facts:
    """Write a books file, as ``books_file`` does, and return its facts."""
    from berm_ledger.offline.report.facts import gather
    return gather(books_file(path, *contents, **named))
