# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Since when something has risen without a break."""

from berm_ledger.books.standing_since import StandingSince
import numpy as np
import pytest

EVERY, SOME = np.arange(4), np.array([0, 1])


def test_a_rise_that_all_looks_show_may_have_begun_before_them() -> None:
    since = StandingSince(4)
    assert since.first_ns(SOME, 10, all_along=False) == 10
    # The looks kept begin later now; they all show it.
    assert since.first_ns(SOME, 25, all_along=True) == 10
    # Most of a larger group is new.
    assert since.first_ns(np.array([1, 2, 3]), 30, all_along=True) == 30
    # One of them shows it gone: it has begun anew.
    assert since.first_ns(SOME, 40, all_along=False) == 40
    assert since.first_ns(SOME, 50, all_along=True) == 40


def test_it_is_never_later_than_the_looks_say() -> None:
    since = StandingSince(4)
    since.first_ns(EVERY, 60, all_along=False)
    assert since.first_ns(EVERY, 50, all_along=True) == 50


@pytest.mark.parametrize('end', [
    lambda since: since.forget(SOME), lambda since: since.keep_only([np.array([2, 3])]),
    lambda since: since.keep_only([])], ids=['forgotten', 'others rise', 'nothing rises'])
def test_what_is_not_risen_in_between_begins_anew(end) -> None:
    since = StandingSince(4)
    since.first_ns(EVERY, 10, all_along=False)
    end(since)
    assert since.has_some == since.first_seen_ns.any()
    assert since.first_ns(SOME, 70, all_along=True) == 70


def test_what_was_kept_is_gone_on_from() -> None:
    before, after = StandingSince(4), StandingSince(4)
    before.first_ns(SOME, 10, all_along=False)
    after.put_back(before.first_seen_ns)
    assert after.first_ns(SOME, 25, all_along=True) == 10
    after.put_back(np.zeros(4, dtype=np.int64))
    assert not after.has_some
