# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where the books are when nobody says."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
import re

BOOKS_NAME = 'books.sqlite'


def default_books_path(site_file: str, namespace: str, environment: Mapping[str, str]) -> Path:
    """
    Return the books file of a site for a node in a namespace.

    Parameters
    ----------
    site_file : str
        Path of the site file.
    namespace : str
        Namespace of the node; two rovers on one machine keep two books.
    environment : mapping
        Environment; ``ROS_HOME`` counts before ``HOME``.

    Returns
    -------
    Path
        A folder of its own, as the report is written beside the books.

    Examples
    --------
    >>> str(default_books_path('sites/west.yaml', '/rover1', {'ROS_HOME': 'ros'}))
    'ros/berm_ledger/rover1_west/books.sqlite'

    """
    home = environment.get('ROS_HOME') or Path(environment.get('HOME') or '.') / '.ros'
    parts = [*namespace.strip('/').split('/'), Path(site_file).stem]
    name = '_'.join(re.sub(r'[^\w.-]', '_', part) for part in parts if part).lstrip('.')
    return Path(home) / 'berm_ledger' / (name or 'site') / BOOKS_NAME
