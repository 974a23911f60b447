# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Write the files of a replay from a running ledger, where the offline extras are installed."""

from __future__ import annotations

from pathlib import Path

from ..errors import BermLedgerError


def write_report_files(books_path: Path) -> tuple[bool, str]:
    """
    Write tables, summary and report beside the books.

    Parameters
    ----------
    books_path : Path
        The books file, which may be in use.

    Returns
    -------
    tuple of bool and str
        Whether it went well; what was written, or why not.

    """
    try:
        from ..offline.outputs import OUTPUT_NAMES, write_outputs
        write_outputs(books_path, books_path.parent)
    except ImportError as exc:
        return False, f'a part of the extra "replay" is missing: {exc}'
    except (BermLedgerError, OSError) as exc:
        return False, str(exc)
    return True, f'written to {books_path.parent}: {", ".join(OUTPUT_NAMES)}'
