# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A dump still to be measured, of a few cells, by hand."""

from berm_ledger.books.kept_looks import KEPT_LOOKS
from berm_ledger.books.patches import (
    EMPTYING_NS,
    HURRIED_SHARES,
    Landing,
    LEAST_SHARES,
    MANY_LOADS,
    OpenPatch,
    RESTED_NS,
    SETTLED_LOOKS,
    SETTLED_SHARE,
)
import numpy as np
import numpy.testing as npt
import pytest

CELLS, SECOND_NS = 200, 1_000_000_000
LANDED_NS = 100 * SECOND_NS


def a_patch(loads: int = 1) -> OpenPatch:
    """Return a patch of loads at one place, each spread evenly over all its cells."""
    return OpenPatch(
        [Landing(seq, LANDED_NS, 0.0, 0.0, 0.004) for seq in range(loads)], np.arange(CELLS),
        np.zeros(CELLS), np.full(CELLS, 9.0), np.full((loads, CELLS), 1.0 / CELLS),
        np.empty((0, CELLS), dtype=np.float32))


def look(patch: OpenPatch, second: int, height_m: float, share: float = 1.0) -> None:
    """Look so many seconds after the last load; show so much of it."""
    shown = np.full(CELLS, np.nan, dtype=np.float32)
    shown[:round(share * CELLS)] = height_m
    patch.add(shown, LANDED_NS + second * SECOND_NS)


def test_where_the_frame_lies_changes_no_rise() -> None:
    """What the map moves, all looks and the surface before move with; nothing was added."""
    patch, step_m = a_patch(), np.linspace(-0.02, 0.03, CELLS).astype(np.float32)
    for second in range(1, 6):
        look(patch, second, 0.05, share=0.9)
    rise_m, after_m = patch.after_m() - patch.before_m, patch.after_m()
    patch.raise_by(step_m)
    npt.assert_allclose(patch.after_m() - patch.before_m, rise_m, atol=1e-7)
    npt.assert_allclose(patch.after_m(), after_m + step_m, atol=1e-7)


@pytest.mark.parametrize(('share', 'looks'), [
    (1.0, SETTLED_LOOKS), (SETTLED_SHARE + 0.01, SETTLED_LOOKS),
    (SETTLED_SHARE - 0.01, LEAST_SHARES[0][0]), (0.51, LEAST_SHARES[0][0]),
    (0.49, LEAST_SHARES[1][0]), (0.26, LEAST_SHARES[1][0]), (0.24, None)])
def test_the_less_is_seen_the_more_looks_it_is_waited_for(share: float, looks) -> None:
    patch, ready = a_patch(), None
    for second in range(1, 40):
        look(patch, second, 0.05, share)
        assert len(patch.kept_m) <= KEPT_LOOKS
        ready = ready or (second if patch.ready else None)
    assert ready == looks


@pytest.mark.parametrize(('loads', 'looks'), [(1, 2), (2, 2), (3, 2), (MANY_LOADS, 1)])
def test_in_a_hurry_two_looks_or_one_at_less_will_do(loads: int, looks: int) -> None:
    """At the less, the more loads lie there."""
    least = HURRIED_SHARES[min(loads, 3) - 1]
    for share, will_do in ((least + 0.01, True), (least - 0.01, False)):
        patch = a_patch(loads)
        for second in range(1, looks + 1):
            assert not patch.measurable
            look(patch, second, 0.05, share)
        assert patch.measurable is will_do


def test_looks_from_before_the_load_are_none_at_it() -> None:
    patch = a_patch()
    for second in (-1, 0):
        look(patch, second, 0.0)
    assert (len(patch.kept_m), patch.looks) == (0, 0)
    look(patch, 1, 0.05)
    assert (len(patch.kept_m), patch.looks) == (1, 1)


def test_looks_at_a_drum_that_may_still_be_emptying_tell_until_there_are_later_ones() -> None:
    """A load that comes to 50 mm bit by bit in ten seconds."""
    patch, empty = a_patch(), EMPTYING_NS // SECOND_NS
    for second in range(1, empty + 1, 3):
        look(patch, second, 0.05 * second / empty)
    last_ns = LANDED_NS + empty * SECOND_NS
    assert patch.may_rest(last_ns)
    assert not patch.is_rested
    assert np.nanmax(patch.after_m()) < 0.045
    for second in range(empty + 1, empty + 1 + SETTLED_LOOKS):
        assert not patch.is_rested
        look(patch, second, 0.05)
    assert patch.is_rested
    npt.assert_allclose(patch.after_m(), 0.05, atol=1e-7)
    # No look that would tell comes for ever.
    assert a_patch().may_rest(LANDED_NS + 2 * EMPTYING_NS)
    assert not a_patch().may_rest(LANDED_NS + 2 * EMPTYING_NS + 1)


def test_a_few_looks_that_show_less_do_not_end_the_growth() -> None:
    """Looks scatter: only when none has shown more for some seconds has all of it come."""
    patch, cell_m2 = a_patch(), 0.0002
    for second in range(2, 18, 2):
        look(patch, second, 0.002 * second)
    grown_ns = LANDED_NS + 16 * SECOND_NS
    assert patch.still_grows(grown_ns, cell_m2)
    for second in (17, 18, 19, 20):
        look(patch, second, 0.010)
    assert patch.still_grows(grown_ns + RESTED_NS - 1, cell_m2)
    assert not patch.still_grows(grown_ns + RESTED_NS, cell_m2)
