# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How soil settles beside a change, where one change ends, and how soon it is told."""

from berm_ledger.books.changes import Change, Evidence, FRINGE
from berm_ledger.books.charts import Canvas
from berm_ledger.books.verdicts import (
    FILL_NS,
    grown_apart,
    is_plain,
    is_proven,
    LEAST_SPOT_M3,
    PLAIN_LOSSES,
    settled_share,
    SETTLING_SHARE,
    SPOT_SIGMAS,
)
from berm_ledger.geometry import Lattice
from berm_ledger.survey.noise import GridNoise
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest
from scipy import ndimage

ROWS, COLS = 24, 40
NOISE = GridNoise(0.004, 0.3)
CANVAS = Canvas(Lattice(0.0, 0.0, 0.02, ROWS, COLS), np.arange(ROWS * COLS))
row, col = np.divmod(np.arange(ROWS * COLS), COLS)
# More than half of all, with its fringe.
CORE = np.flatnonzero((abs(row - 12) < 6) & (abs(col - 20) < 13))


def evidence(rise_m, *, standing_m=0.2, judged=True, looks=4.0) -> Evidence:
    """Return looks at soil that stands so high."""
    blank = np.zeros(ROWS * COLS)
    return Evidence(
        CANVAS, blank, blank + 50.0, blank, blank + rise_m, blank + looks, blank + rise_m,
        np.ones(ROWS * COLS, dtype=bool) & judged, NOISE, blank,
        blank + standing_m)


@pytest.mark.parametrize('share', [-0.02, 0.0, 0.013, 0.03, 0.06])
def test_soil_settles_by_a_share_of_its_height_that_its_surroundings_tell(share: float) -> None:
    """However high it stands there; what is lost in the group itself and its fringe is no part."""
    standing_m = 0.1 + 0.005 * col
    around = np.full(ROWS * COLS, False)
    around[CORE] = True
    rise_m = np.where(CANVAS.near(around, FRINGE), -0.1, -share * standing_m)
    told = settled_share(evidence(rise_m, standing_m=standing_m), rise_m, CORE)
    assert told == pytest.approx(min(max(share, 0.0), SETTLING_SHARE), abs=1e-9)


@pytest.mark.parametrize('what', [
    {'standing_m': 0.01}, {'judged': col < 0}, {'looks': 0.0}], ids=str)
def test_it_may_be_all_that_soil_settles_where_nothing_around_tells(what: dict) -> None:
    rise_m = np.zeros(ROWS * COLS)
    assert settled_share(evidence(rise_m, **what), rise_m, CORE) == SETTLING_SHARE


@given(st.integers(1, 12), st.integers(1, 8))
def test_each_cell_around_two_pieces_belongs_to_the_nearer(apart: int, width: int) -> None:
    """By steps along rows and columns, as scipy counts them; none to both."""
    left = (abs(row - 12) < 3) & (col >= 14 - width) & (col < 14)
    right = (abs(row - 12) < 3) & (col >= 14 + apart) & (col < 14 + apart + width)
    steps = [ndimage.distance_transform_cdt(~piece.reshape(ROWS, COLS), 'taxicab').ravel()
             for piece in (left, right)]
    seen = evidence(np.zeros(ROWS * COLS), judged=row != 14)
    for own, other, piece in ((*steps, left), (*steps[::-1], right)):
        found = grown_apart(seen, np.flatnonzero(piece), left | right)
        # Cells that may not be judged are in nobody's way: what lies beyond them may be nearer
        # round about, so only what both ways of counting share is asked.
        near = (own <= FRINGE) & (own - other < 0) & seen.judged
        assert not (found & ~(near | piece)).any()
        assert not (near & (row < 14) & ~found).any()


def change(kind: str, volume_m3: float, seen: float, **figures: float) -> Change:
    """Return a change of which so many looks tell."""
    lost = (0.0, volume_m3) if kind == 'unbooked_fill' else (volume_m3, 0.0)
    if kind == 'slump':
        lost = volume_m3, volume_m3
    return Change(kind, CORE, *lost, 0, 0, figures.get('se_m3', 0.0001), seen=seen)


@pytest.mark.parametrize(('kind', 'litres', 'least'), [
    ('disturbed', 0.5, 4), ('disturbed', 1.0, 3), ('disturbed', 2.0, 2), ('slump', 2.0, 4),
    ('slump', 0.31, 4), ('slump', 0.29, 6), ('unbooked_fill', 2.0, 6), ('removed_fill', 2.0, 4)])
def test_the_greater_a_change_the_fewer_looks_prove_it(kind, litres, least) -> None:
    proven = [seen for seen in range(1, 12)
              if is_proven(change(kind, 1e-3 * litres, seen), FILL_NS, NOISE)]
    assert proven == list(range(least, 12))


def test_great_losses_of_which_little_is_sure_wait_and_what_is_undecided_never_is() -> None:
    for looks, least_m3, sigmas in PLAIN_LOSSES:
        unsure = change('disturbed', least_m3, looks, se_m3=1.001 * least_m3 / sigmas)
        sure = change('disturbed', least_m3, looks, se_m3=0.999 * least_m3 / sigmas)
        assert not is_proven(unsure, FILL_NS, NOISE)
        assert is_proven(sure, FILL_NS, NOISE)
    assert not is_proven(change('undecided', 0.01, 99), FILL_NS, NOISE)
    assert not is_proven(change('unbooked_fill', 0.01, 99), FILL_NS - 1, NOISE)


def test_a_spot_is_plain_by_its_volume_and_by_its_error() -> None:
    for error_m3 in (1e-6, 0.0001):
        bound_m3 = max(LEAST_SPOT_M3, SPOT_SIGMAS * error_m3)
        for share in (0.999, 1.001):
            spot = change('disturbed', share * bound_m3, 4, se_m3=error_m3)
            assert is_plain(spot) is (share > 1.0)
            assert is_plain(change('removed_fill', 0.0, 4))
