# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Two nodes, one site file: what means the same is the same, and what differs is named."""

from berm_ledger.errors import MessageError
from berm_ledger.ros.same_site import check_same_site
from ledger_kit import SITE_TEXT
import pytest


@pytest.mark.parametrize('theirs', [
    SITE_TEXT, f'# of spring\n{SITE_TEXT}', SITE_TEXT.replace('0.20', '2.0e-1')])
def test_what_means_the_same_is_one_file(theirs):
    check_same_site(theirs, SITE_TEXT)


def test_values_of_both_are_told():
    theirs = SITE_TEXT.replace('turning_radius_m: 0.5', 'turning_radius_m: 0.9')
    with pytest.raises(MessageError, match=(
            r'start the one with the old file again; rover\.turning_radius_m: 0\.9 at the '
            r'ledger, 0\.5 here$')):
        check_same_site(theirs, SITE_TEXT)


@pytest.mark.parametrize('theirs', ['', '{', 'format: 2\n', '\0'])
def test_what_cannot_be_read_is_not_believed(theirs):
    with pytest.raises(MessageError, match='the site file of the ledger cannot be held against'):
        check_same_site(theirs, SITE_TEXT)
