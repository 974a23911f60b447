# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which segments are read after a look: at once while something moves, else in turns."""

from berm_ledger.survey.area import survey_area
from berm_ledger.survey.turns import LEAST_MOVED, MOST_LOOKS, Turns
import numpy as np
import pytest
from survey_kit import straight

AREA = survey_area(straight(4.0, height_m=0.1))
COUNT, ROWS = len(AREA), len(AREA.segments)
NOTHING = np.empty(0, dtype=np.intp)
ALL = np.ones(COUNT, dtype=bool)


def read(turns: Turns, looks: float, times: int, *, seen=ALL) -> np.ndarray:
    """Look so many times, reading what is due; return which rows were, shape (times, rows)."""
    out = []
    for _ in range(times):
        due = turns.after_look(seen, np.full(COUNT, looks, dtype=np.float32), NOTHING)
        turns.done(np.flatnonzero(due))
        out.append(due)
    return np.array(out)


def test_settled_segments_take_turns() -> None:
    """Each once in sixteen looks, neighbours together, the work spread over the looks."""
    due = read(Turns(AREA), 500.0, 3 * MOST_LOOKS)
    assert due.sum(axis=0).tolist() == [3] * ROWS
    assert due.sum(axis=1).max() <= -(-ROWS // MOST_LOOKS)


@pytest.mark.parametrize(('looks', 'every'), [(0.0, 1), (3.0, 1), (7.0, 2), (20.0, 4), (40.0, 8)])
def test_the_fewer_looks_the_sooner(looks, every) -> None:
    """The mean of n + 1 looks moves by 1 / (n + 1) of one; a quarter may pass in between."""
    due = read(Turns(AREA), looks, 4 * MOST_LOOKS)
    assert set(due.sum(axis=0)) == {4 * MOST_LOOKS // every}
    assert every <= max(1.0, 0.25 * (looks + 1.0))


def test_what_a_load_loosens_is_read_at_once() -> None:
    """A fifth of the cells of a settled segment start again from nothing."""
    turns = Turns(AREA)
    read(turns, 500.0, MOST_LOOKS)
    looks = np.full(COUNT, 500.0, dtype=np.float32)
    own = np.flatnonzero((AREA.corridor.segment_index == 3) & AREA.in_corridor)
    looks[np.random.default_rng(1).choice(own, len(own) // 5)] = 0.1
    for _ in range(3):
        due = turns.after_look(ALL, looks, NOTHING)
        assert due[3]
        assert due.sum() <= 3


def test_a_patch_pulled_over_is_read_at_once_and_specks_are_not() -> None:
    turns = Turns(AREA)
    read(turns, 500.0, MOST_LOOKS)
    looks = np.full(COUNT, 500.0, dtype=np.float32)
    own = np.flatnonzero((AREA.corridor.segment_index == 7) & AREA.in_corridor)
    first = turns.after_look(ALL, looks, own[:LEAST_MOVED // 2])
    second = turns.after_look(ALL, looks, own[:len(own) // 50])
    assert not first[7] or not turns.after_look(ALL, looks, NOTHING)[7]
    assert second[7]


def test_what_is_out_of_view_waits() -> None:
    """Half of the berm is seen; the other half has its turn once it is seen again."""
    turns = Turns(AREA)
    half = AREA.corridor.station_m < 2.0
    due = read(turns, 500.0, 2 * MOST_LOOKS, seen=half)
    assert due.any(axis=0).tolist() == [row < ROWS // 2 for row in range(ROWS)]
    assert turns.seen.tolist() == [row < ROWS // 2 for row in range(ROWS)]
    assert read(turns, 500.0, MOST_LOOKS).any(axis=0).all()


def test_a_look_at_no_more_than_the_foot_is_none() -> None:
    """A window that ends at the foot of the berm tells nothing of how high it stands."""
    turns = Turns(AREA)
    read(turns, 500.0, 2 * MOST_LOOKS)
    foot = AREA.in_corridor & (AREA.corridor.offset_m > 0.15)
    turns.ask(np.ones(ROWS, dtype=bool))
    read(turns, 500.0, 1, seen=foot)
    turns.ask(np.ones(ROWS, dtype=bool))
    assert not turns.seen.any()
    assert not len(turns.due())
    flank = AREA.in_corridor & (AREA.corridor.offset_m > 0.0)
    turns.after_look(flank, np.full(COUNT, 500.0, dtype=np.float32), NOTHING)
    assert turns.seen.all()
    assert len(turns.due()) == ROWS


def test_what_is_due_is_read_once_it_is_in_view() -> None:
    turns = Turns(AREA)
    read(turns, 500.0, 2 * MOST_LOOKS)
    asked = np.arange(ROWS) % 4 == 1
    half = AREA.corridor.station_m < 2.0
    looks = np.full(COUNT, 500.0, dtype=np.float32)
    turn = turns.after_look(half, looks, NOTHING)
    assert turns.due().tolist() == np.flatnonzero(turn & turns.seen).tolist()
    turns.ask(asked)
    seen = turns.seen
    assert turns.due().tolist() == np.flatnonzero((turn | asked) & seen).tolist()
    overdue = np.arange(ROWS) % 4 == 2
    assert turns.due(overdue).tolist() == np.flatnonzero((turn | asked | overdue) & seen).tolist()
    turns.done(turns.due())
    assert not len(turns.due())
    assert set(np.flatnonzero(asked & ~seen)) <= set(turns.due(turns.after_look(
        ALL, looks, NOTHING)))
    assert set(np.flatnonzero(asked & ~seen)) <= set(turns.due())
