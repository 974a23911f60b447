# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whether ledger and target node read the same site file; knows no ROS."""

from __future__ import annotations

from ..design.site_difference import differences, listed
from ..errors import MessageError, SiteFileError


def check_same_site(theirs: str, own: str) -> None:
    """
    Check the site file of the ledger against the one that this node read.

    Parameters
    ----------
    theirs : str
        Text of the ledger's, as it is published.
    own : str
        Text of this node's.

    Raises
    ------
    MessageError
        They differ in a value, or that cannot be told.

    """
    if theirs == own:
        return
    try:
        found = differences(theirs, 'the site file of the ledger', own, 'that of this node')
    except SiteFileError as exc:
        text = f'the site file of the ledger cannot be held against the own one: {exc}'
        raise MessageError(text) from exc
    if found:
        text = (f'this node read another site file than the ledger: start the one with the old '
                f'file again; {listed(found, "at the ledger", "here")}')
        raise MessageError(text)
