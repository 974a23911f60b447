# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The rise of each dump, on flat squares with cones of known volume."""

from __future__ import annotations

import math

from berm_ledger.books.charts import Canvas
from berm_ledger.books.kept_looks import KEPT_LOOKS
from berm_ledger.books.patches import (
    DUST_NS,
    EMPTYING_NS,
    HURRIED_LOOKS,
    Landing,
    LEAST_SHARES,
    LONGEST_NS,
    MANY_LOADS,
    Rise,
    SETTLED_LOOKS,
)
from berm_ledger.books.rises import DumpWatch
from berm_ledger.geometry import Lattice
from berm_ledger.survey.noise import GridNoise
from hypothesis import example, given
from hypothesis import strategies as st
import numpy as np
import pytest
from scipy import sparse

SIDE = 120
LATTICE = Lattice(0.0, 0.0, 0.015, SIDE, SIDE)
POINTS = LATTICE.centres_xy().reshape(-1, 2)
NOISE = GridNoise(0.003, 0.0)
LOAD_M3 = 0.005
PERIOD_NS = 2_000_000_000


def cone_m(x_m: float, y_m: float, volume_m3: float) -> np.ndarray:
    """Return a cone at 33 degrees: V = pi h^3 / (3 tan^2)."""
    slope = math.tan(math.radians(33.0))
    height = (3.0 * volume_m3 * slope**2 / math.pi) ** (1.0 / 3.0)
    return np.maximum(0.0, height - slope * np.hypot(*(POINTS - (x_m, y_m)).T))


class Square:
    """A watch over flat ground of 1.8 m x 1.8 m in two segments, left and right."""

    def __init__(self) -> None:
        """Start on flat ground."""
        left = POINTS[:, 0] < 0.8925
        self.watch = DumpWatch(
            POINTS, sparse.csr_matrix(np.stack([left, ~left]).astype(float)),
            Canvas(LATTICE, np.arange(SIDE * SIDE)), 0.55, LOAD_M3)
        self.height_m = np.zeros(SIDE * SIDE)
        self.known_m = self.height_m.copy()
        self.rng = np.random.default_rng(2)
        self.stamp_ns = 0

    def dump(
        self, seq: int, x_m: float, y_m: float, volume_m3: float = LOAD_M3,
        fell_m: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        """Announce a full load, let another volume fall, so far from there; the drum is empty."""
        self.watch.announce(
            Landing(seq, self.stamp_ns, x_m, y_m, LOAD_M3), self.known_m,
            np.full(SIDE * SIDE, 30.0))
        self.height_m += cone_m(x_m + fell_m[0], y_m + fell_m[1], volume_m3)
        self.stamp_ns += EMPTYING_NS

    def look(self, count: int, seen: np.ndarray | None = None) -> list[Rise]:
        """Look so many times; return what was measured."""
        out: list[Rise] = []
        for _ in range(count):
            level = self.height_m + self.rng.normal(0.0, NOISE.total_m, SIDE * SIDE)
            self.stamp_ns += PERIOD_NS
            self.watch.look(level if seen is None else np.where(seen, level, np.nan),
                            self.stamp_ns)
            for patch in self.watch.settled(NOISE, self.stamp_ns):
                out += self.watch.close(patch, NOISE, 0.0002)
                self.known_m[patch.cells] = self.height_m[patch.cells]
        return out


def test_where_nothing_fell_a_few_looks_do_not_replace_many() -> None:
    """
    Away from the heap thirty looks before and four after are worth thirty-four.

    A patch of ground a stride off seems to have risen by 5 mm in all of the looks, as noise that
    neighbours share makes it; no soil came, and its height moves by an eighth of that, 4 of 34
    looks. The load keeps its volume.
    """
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    aside = np.hypot(*(POINTS - (0.9, 0.45)).T) < 0.06
    for _ in range(SETTLED_LOOKS):
        square.watch.look(square.height_m + 0.005 * aside, square.stamp_ns + 1)
    moved = square.watch.moved(patch, NOISE)
    height, looks = patch.standing(moved)
    lifted = aside[patch.cells]
    assert not moved[lifted].any()
    assert height[lifted] == pytest.approx(0.005 * 4.0 / 34.0, abs=1e-6)
    assert (looks[lifted] == 34.0).all()
    heap = square.height_m[patch.cells] > 0.01
    assert moved[heap].all()
    assert height[heap] == pytest.approx(square.height_m[patch.cells][heap], abs=1e-6)
    assert (looks[heap] == SETTLED_LOOKS).all()
    rise, = square.watch.close(patch, NOISE, 0.0002)
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=0.02)


def test_a_dump_is_measured_after_enough_looks() -> None:
    """A cone of 5 litres on the border of both segments, half on each."""
    square = Square()
    square.dump(7, 0.8925, 0.9)
    assert square.look(SETTLED_LOOKS - 1) == []
    rise, = square.look(1)
    assert rise.landing.seq == 7
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=0.03)
    assert abs(rise.volume_m3 - LOAD_M3) < 3.0 * rise.volume_se_m3
    assert rise.by_row_m3 == pytest.approx([LOAD_M3 / 2.0] * 2, rel=0.05)
    assert not rise.missed
    assert not square.watch.patches


def test_a_grid_made_before_the_dump_says_nothing_of_it() -> None:
    """It arrives late, and shows the ground as it was."""
    square = Square()
    square.look(1)
    square.dump(1, 0.9, 0.9)
    for _ in range(3):
        square.watch.look(square.known_m, square.stamp_ns - EMPTYING_NS)
    rise, = square.look(SETTLED_LOOKS)
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=0.03)


def test_a_rise_on_a_coarse_grid_is_known_less_well() -> None:
    """Neighbours of cells of 0.2 m share what they are off over 0.8 m: nothing averages out."""
    square = Square()
    square.dump(0, 0.9, 0.9)
    for _ in range(SETTLED_LOOKS):
        square.stamp_ns += 1
        square.watch.look(square.height_m, square.stamp_ns)
    patch, = square.watch.settled(NOISE, square.stamp_ns)
    fine, coarse = (
        square.watch.measured(patch, GridNoise(0.003, 0.999).of_cell(cell_m), 0.0)[0].volume_se_m3
        for cell_m in (0.02, 0.2))
    assert coarse > 1.4 * fine


def test_rises_are_unbiased_and_their_errors_honest() -> None:
    """Forty dumps of 4 to 6 litres: no bias, and the stated error holds the scatter."""
    square, score = Square(), []
    for seq in range(40):
        square.height_m[:] = square.known_m[:] = 0.0
        volume = float(square.rng.uniform(0.004, 0.006))
        square.dump(seq, 0.9, 0.9, volume)
        rise, = square.look(SETTLED_LOOKS)
        score.append((rise.volume_m3 - volume) / rise.volume_se_m3)
    assert abs(np.mean(score)) < 0.5
    assert np.mean(np.abs(score) < 2.0) >= 0.9


def test_an_empty_drum_and_a_load_that_went_elsewhere_miss() -> None:
    """Nothing rose near the drop point."""
    square = Square()
    square.dump(1, 0.9, 0.9, 0.0)
    rise, = square.look(SETTLED_LOOKS)
    assert rise.missed
    assert abs(rise.volume_m3) < 0.0005


def test_dumps_that_land_on_each_other_are_shared_out_by_place() -> None:
    """A full load and an empty drum half a metre apart, before a look: one of them strays."""
    square = Square()
    square.dump(1, 0.6, 0.9)
    square.dump(2, 1.1, 0.9, 0.0)
    first, second = square.look(SETTLED_LOOKS)
    assert first.volume_m3 + second.volume_m3 == pytest.approx(LOAD_M3, rel=0.03)
    assert not first.missed
    assert second.missed
    alone = Square()
    alone.dump(1, 0.6, 0.9)
    assert first.volume_se_m3 > 2.0 * alone.look(SETTLED_LOOKS)[0].volume_se_m3


def test_two_loads_on_one_spot_get_equal_parts() -> None:
    """Nobody can tell them apart; together they are right."""
    square = Square()
    square.dump(1, 0.9, 0.9, 0.004)
    square.dump(2, 0.9, 0.9, 0.006)
    first, second = square.look(SETTLED_LOOKS)
    assert first.volume_m3 == pytest.approx(second.volume_m3)
    assert first.volume_m3 + second.volume_m3 == pytest.approx(0.010, rel=0.05)


def test_the_middle_of_a_rise_is_where_the_load_came_to_lie() -> None:
    """A cone is round: its middle is where it was poured, 0.1 m from where it was announced."""
    square = Square()
    square.dump(1, 0.9, 0.9, fell_m=(0.1, -0.05))
    rise, = square.look(SETTLED_LOOKS)
    assert rise.middle_xy_m == pytest.approx((1.0, 0.85), abs=0.005)


def test_the_middle_of_a_rise_is_not_known_of_loads_together_or_in_part() -> None:
    together = Square()
    together.dump(1, 0.8, 0.9)
    together.dump(2, 1.0, 0.9)
    rises = together.look(SETTLED_LOOKS)
    half = Square()
    half.dump(1, 0.9, 0.9)
    rises += half.look(2 * LEAST_SHARES[0][0], POINTS[:, 0] > 0.84)
    missed = Square()
    missed.dump(1, 0.9, 0.9, 0.0)
    rises += missed.look(SETTLED_LOOKS)
    assert len(rises) == 4
    assert all(math.isnan(value) for rise in rises for value in rise.middle_xy_m)


def test_a_patch_half_out_of_view_waits_and_then_must_do() -> None:
    """Where the rover stands on a third of the heap: filled up by share, and less certain."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    seen = POINTS[:, 0] > 0.84
    assert square.look(LEAST_SHARES[0][0] - 1, seen) == []
    rise, = square.look(1, seen)
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=0.25)
    assert abs(rise.volume_m3 - LOAD_M3) < 2.0 * rise.volume_se_m3
    whole = Square()
    whole.dump(1, 0.9, 0.9)
    assert rise.volume_se_m3 > 3.0 * whole.look(SETTLED_LOOKS)[0].volume_se_m3


def test_what_the_rover_hides_beside_a_heap_adds_nothing_to_it() -> None:
    """A fifth of a metre off the toe nothing rose on the side in view: nor did it on the other."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    rise, = square.look(SETTLED_LOOKS, POINTS[:, 0] > 0.65)
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=0.01)


def test_of_a_load_that_fell_behind_a_crest_the_part_in_view_must_do() -> None:
    """Three tenths of it are seen, whatever comes: after long they are taken for all of it."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    seen = POINTS[:, 0] > 0.98
    rises = square.look(4 * LEAST_SHARES[-1][0], seen)
    assert [rise.landing.seq for rise in rises] == [1]
    assert abs(rises[0].volume_m3 - LOAD_M3) < 2.0 * rises[0].volume_se_m3
    assert rises[0].volume_se_m3 > 0.5 * LOAD_M3
    assert square.watch.patches == []


def test_loads_half_of_which_are_hidden_are_not_joined_for_ever() -> None:
    """The next load buries what is seen of the last; the more wait together, the less must do."""
    square = Square()
    shares = []
    for seq in range(1, 4):
        square.dump(seq, 0.9, 0.9)
        square.look(HURRIED_LOOKS, POINTS[:, 0] > 0.86)
        patch, = square.watch.patches
        shares.append((patch.share_with(HURRIED_LOOKS), patch.measurable))
    assert [share == pytest.approx(0.6, abs=0.05) for share, _ in shares] == [True] * 3
    assert [measurable for _, measurable in shares] == [False, True, True]


def test_loads_seen_but_once_each_are_not_joined_for_ever() -> None:
    """Where grids are rare each load falls beside one of a single look; four may wait so."""
    square = Square()
    for seq in range(1, MANY_LOADS + 1):
        assert not any(patch.measurable for patch in square.watch.patches)
        square.dump(seq, 0.6 + 0.1 * seq, 0.9)
        assert square.look(1) == []
    patch, = square.watch.patches
    assert patch.measurable
    rises = square.watch.close(patch, NOISE, 0.0002)
    assert sum(rise.volume_m3 for rise in rises) == pytest.approx(MANY_LOADS * LOAD_M3, rel=0.02)


def test_a_dump_nobody_looks_at_blocks_no_other() -> None:
    """One stays open out of view; another far from it is measured."""
    square = Square()
    square.dump(1, 0.3, 0.3)
    seen = POINTS.sum(axis=1) > 1.8
    square.dump(2, 1.45, 1.45)
    assert [rise.landing.seq for rise in square.look(SETTLED_LOOKS, seen)] == [2]
    assert [patch.landings[0].seq for patch in square.watch.patches] == [1]
    assert not square.watch.mask()[np.hypot(*(POINTS - 1.45).T) < 0.3].any()
    assert [rise.landing.seq for rise in square.look(SETTLED_LOOKS)] == [1]


def test_one_odd_look_does_not_count() -> None:
    """Of five looks or more the highest and the lowest are left out, cell by cell."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    for odd_m in (0.0, 0.3, 0.0, 0.0, -0.2):
        patch.add(square.height_m + odd_m, 1)
    assert patch.after_m() == pytest.approx(square.height_m[patch.cells], abs=1e-6)


def test_looks_before_a_slow_drum_was_empty_do_not_count() -> None:
    """Two of eight: the lowest third is left out."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    for fallen in (0, 0, 1, 1, 1, 1, 1, 1):
        patch.add(fallen * square.height_m, 1)
    assert patch.after_m() == pytest.approx(square.height_m[patch.cells], abs=1e-6)


@pytest.mark.parametrize(('period_s', 'off'), [(0.1, 0.02), (0.5, 0.02), (2.0, 0.02)])
def test_a_load_announced_when_its_drum_began_to_turn(period_s: float, off: float) -> None:
    """The soil comes evenly over eight seconds from then on; what is measured is a whole load."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    time_s, settled = 0.0, []
    while not settled:
        time_s += period_s
        square.watch.look(min(time_s / 8.0, 1.0) * square.height_m, int(time_s * 1e9))
        settled = square.watch.settled(NOISE, int(time_s * 1e9))
    rise, = square.watch.close(settled[0], NOISE, 0.0002)
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=off)


def test_a_load_that_a_mapper_shows_by_thirds_is_measured_four_looks_later() -> None:
    """It holds the mean of three scans: the whole load shows in the third look, and is booked."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    for share in (1.0 / 3.0, 2.0 / 3.0, 1.0, 1.0, 1.0, 1.0):
        assert not square.watch.settled(NOISE, square.stamp_ns)
        square.stamp_ns += 1
        square.watch.look(share * square.height_m, square.stamp_ns, NOISE)
    patch, = square.watch.settled(NOISE, square.stamp_ns)
    rise, = square.watch.close(patch, NOISE, 0.0002)
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=0.02)


def test_a_load_that_never_ends_to_come_up_is_measured_by_the_newest_looks() -> None:
    """By a twentieth of it every four seconds: after a minute the last two looks must do."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    landed_ns = square.stamp_ns - EMPTYING_NS
    turns = math.floor((LONGEST_NS - EMPTYING_NS) / 4e9) + 1
    for turn in range(1, turns + 1):
        assert not square.watch.settled(NOISE, square.stamp_ns)
        square.stamp_ns += 4_000_000_000
        square.watch.look(0.05 * turn * square.height_m, square.stamp_ns, NOISE)
    assert square.stamp_ns > landed_ns + LONGEST_NS
    patch, = square.watch.settled(NOISE, square.stamp_ns)
    rise, = square.watch.close(patch, NOISE, 0.0002)
    assert rise.volume_m3 == pytest.approx(0.05 * (turns - 0.5) * LOAD_M3, rel=0.02)


def test_soil_thrown_on_a_whole_load_is_none_of_it() -> None:
    """Two looks show all of it, three half as much again: they are averaged, not waited for."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch, = square.watch.patches
    for turn, share in enumerate((1.0, 1.0, 1.5, 1.5, 1.5), start=1):
        square.watch.look(share * square.height_m, square.stamp_ns + turn, NOISE)
    assert square.watch.settled(NOISE, square.stamp_ns + 5) == [patch]
    assert len(patch.told_m) == 5


@pytest.mark.parametrize('period_s', [0.2, 1.0, 2.0])
@pytest.mark.parametrize('pour_s', [5.0, 15.0, 25.0, 40.0])
def test_a_load_that_a_drum_lets_go_slowly_is_measured_whole(
    pour_s: float, period_s: float
) -> None:
    """Announced as it begins to turn; the soil comes evenly, each look off by 1 mm as a whole."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    landed_ns, out = square.stamp_ns - EMPTYING_NS, []
    noise = GridNoise(0.003, 0.1)
    for turn in range(1, math.ceil(60.0 / period_s)):
        seconds = turn * period_s
        level = min(1.0, seconds / pour_s) * square.height_m + square.rng.normal(0.0, 0.001)
        stamp_ns = landed_ns + round(1e9 * seconds)
        square.watch.look(level + square.rng.normal(0.0, 0.003, level.shape), stamp_ns, noise)
        for patch in square.watch.settled(noise, stamp_ns):
            out += square.watch.close(patch, noise, 0.0002)
    rise, = out
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=0.06)


def test_what_a_wrong_memory_leaves_is_in_the_errors() -> None:
    """Freed of 0.8, known to 0.02: four looks show 0.74 of 0.1 too much or too little."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch, = square.watch.patches
    noise = GridNoise(0.003, 0.0, kept=0.8, kept_se=0.02)
    for turn in range(SETTLED_LOOKS):
        square.watch.look(square.height_m, square.stamp_ns + turn + 1, noise)
    sure, unsure = (square.watch.measured(patch, each, 0.0)[0].volume_se_m3
                    for each in (NOISE, noise))
    assert math.sqrt(unsure**2 - sure**2) == pytest.approx(0.0738 * LOAD_M3, rel=0.03)
    # The surface is worth as many looks less where soil came, and as many as ever elsewhere.
    moved = square.height_m[patch.cells] > 0.0
    looks = patch.standing(moved)[1]
    error_m = 0.0738 * square.height_m[patch.cells]
    assert looks[moved] == pytest.approx(
        1.0 / (1.0 / SETTLED_LOOKS + (error_m[moved] / 0.003)**2), rel=0.01)
    assert (looks[~moved] == 30.0 + SETTLED_LOOKS).all()


@pytest.mark.parametrize(('share', 'turns'), [(1.0, 4), (0.5, 9)])
def test_a_load_that_falls_short_is_waited_for(share: float, turns: int) -> None:
    """For ten seconds its drum may still be emptying; then four looks measure what there is."""
    square = Square()
    square.dump(1, 0.9, 0.9, share * LOAD_M3)
    for turn in range(turns):
        assert not square.watch.settled(NOISE, turn * PERIOD_NS)
        assert square.watch.patches[0].measurable == (turn >= HURRIED_LOOKS)
        square.watch.look(square.height_m, (turn + 1) * PERIOD_NS)
    patch, = square.watch.settled(NOISE, turns * PERIOD_NS)
    rise, = square.watch.close(patch, NOISE, 0.0002)
    assert rise.volume_m3 == pytest.approx(share * LOAD_M3, rel=0.03)


def test_a_short_load_that_goes_out_of_view_is_not_waited_for_ever() -> None:
    """Twenty seconds after it was told what was seen at first must do."""
    square = Square()
    square.dump(1, 0.9, 0.9, 0.5 * LOAD_M3)
    for turn in range(SETTLED_LOOKS):
        square.watch.look(square.height_m, turn + 1)
    assert not square.watch.settled(NOISE, 2 * EMPTYING_NS)
    patch, = square.watch.settled(NOISE, 2 * EMPTYING_NS + 1)
    rise, = square.watch.close(patch, NOISE, 0.0002)
    assert rise.volume_m3 == pytest.approx(0.5 * LOAD_M3, rel=0.03)


def test_a_short_load_is_measured_by_the_newest_looks_there_are() -> None:
    """Three of six looks come when all has fallen after five seconds; then it is out of view."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    for time_s in (2.0, 2.6, 3.2, 6.0, 7.0, 8.0):
        square.watch.look(min(time_s / 5.0, 1.0) * square.height_m, int(1e9 * time_s))
    assert not square.watch.settled(NOISE, 2 * EMPTYING_NS)
    patch, = square.watch.settled(NOISE, 2 * EMPTYING_NS + 1)
    rise, = square.watch.close(patch, NOISE, 0.0002)
    assert rise.volume_m3 == pytest.approx(LOAD_M3, rel=0.02)


@pytest.mark.parametrize(('weighed', 'waits'), [(False, True), (True, False)])
def test_what_was_not_weighed_is_held_against_a_full_load(weighed: bool, waits: bool) -> None:
    """Three quarters have fallen, as usual loads were measured: the rest may still be coming."""
    square = Square()
    square.watch.announce(
        Landing(1, 0, 0.9, 0.9, 0.75 * LOAD_M3, weighed), square.known_m,
        np.full(SIDE * SIDE, 30.0))
    for turn in range(1, SETTLED_LOOKS + 1):
        square.watch.look(cone_m(0.9, 0.9, 0.75 * LOAD_M3), turn)
    assert (not square.watch.settled(NOISE, SETTLED_LOOKS)) == waits


def test_looks_of_which_none_shows_the_same_do_not_count() -> None:
    """Dust hangs over half of the heap in three looks, and blows over it once more later on."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    over = (POINTS[patch.cells, 0] < 0.9) & (square.height_m[patch.cells] > 0.01)
    for turn, dusty in enumerate((1, 1, 1, 0, 0, 1, 0, 0)):
        look_m = square.height_m.copy()
        look_m[patch.cells[over]] += dusty * square.rng.exponential(0.06, over.sum())
        assert not patch.ready
        patch.add(look_m, square.stamp_ns + turn + 1)
        # In a hurry the newest of several looks of dust must do; it alone is no measure.
        assert patch.measurable == (turn > 0)
    assert patch.ready
    assert patch.after_m() == pytest.approx(square.height_m[patch.cells], abs=1e-6)
    assert patch.stamps_ns == tuple(square.stamp_ns + turn for turn in (4, 5, 7, 8))


def test_two_looks_at_dust_over_all_of_the_heap_are_not_the_same() -> None:
    """Where no quarter of the cells is calm their spread is dust, too."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    for turn in range(SETTLED_LOOKS):
        dust_m = square.rng.uniform(0.0, 0.08, SIDE * SIDE)
        patch.add(square.height_m + dust_m, square.stamp_ns + turn + 1, NOISE)
        assert not patch.ready
        assert len(patch.kept_m) == 1
    for turn in range(SETTLED_LOOKS + 1):
        patch.add(square.height_m, square.stamp_ns + SETTLED_LOOKS + turn + 1, NOISE)
    assert patch.after_m() == pytest.approx(square.height_m[patch.cells], abs=1e-6)


@pytest.mark.parametrize('wrong_share', [0.0, 0.004])
def test_what_is_wrong_everywhere_in_every_look_is_no_dust(wrong_share: float) -> None:
    """Each look has other clumps of nine cells 4 cm too high, half a per cent of all cells."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    for turn in range(SETTLED_LOOKS):
        wrong = np.zeros((SIDE, SIDE))
        wrong[30 + 10 * turn:33 + 10 * turn, 50:53] = wrong[80:83, 20 * turn:20 * turn + 3] = 0.04
        square.watch.look(square.height_m + wrong.ravel(), square.stamp_ns + turn + 1,
                          GridNoise(wrong_share=wrong_share))
    assert patch.ready is (wrong_share > 0.0)
    if patch.ready:
        # What one look shows by itself does not count.
        assert patch.after_m() == pytest.approx(square.height_m[patch.cells], abs=1e-6)


def test_what_two_looks_have_shown_counts_although_it_falls_later() -> None:
    """Somebody took soil between the second look and the third: that is no dust."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    for turn, left in enumerate((1.0, 1.0, 0.5, 0.5)):
        patch.add(left * square.height_m, square.stamp_ns + turn + 1)
    assert patch.ready
    assert patch.after_m() == pytest.approx(0.75 * square.height_m[patch.cells], abs=1e-6)


def test_what_never_shows_the_same_counts_after_a_while() -> None:
    """A minute after the load dust has sunk: whatever moves there still is not waited for."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    for turn in range(20):
        assert not patch.ready
        square.height_m[patch.cells] += square.rng.exponential(0.06, len(patch.cells))
        patch.add(square.height_m, square.stamp_ns + 1 + turn)
    for turn in range(SETTLED_LOOKS - 1):
        assert not patch.ready
        patch.add(square.height_m, DUST_NS + 1 + turn)
    assert patch.ready


def test_only_the_last_looks_are_kept_and_holes_are_no_looks() -> None:
    """Soil that still slides at first does not count after eight more looks."""
    square = Square()
    square.dump(1, 0.9, 0.9)
    patch = square.watch.patches[0]
    patch.add(np.full(SIDE * SIDE, np.nan), 1)
    assert patch.looks == 0
    patch.add(square.height_m + 0.5, 1)
    for _ in range(KEPT_LOOKS):
        patch.add(square.height_m, 1)
    assert patch.kept_m.shape[0] == KEPT_LOOKS
    assert patch.after_m() == pytest.approx(square.height_m[patch.cells], abs=1e-6)


def test_a_dump_on_ground_never_seen_is_neither_measured_nor_astray() -> None:
    """Its volume is unknown, not zero."""
    square = Square()
    square.known_m[:] = np.nan
    square.dump(1, 0.9, 0.9)
    rise, = square.look(SETTLED_LOOKS)
    assert math.isnan(rise.volume_m3)
    assert not rise.missed


@given(st.floats(-2.0, 4.0), st.floats(-2.0, 4.0), st.sampled_from([0.14, 0.15, 0.55, 3.0]))
@example(0.9, 0.9, 0.15)
@example(0.0, 1.785, 0.15)
def test_the_cells_around_a_point(x_m: float, y_m: float, radius_m: float) -> None:
    """Those that a search of all cells finds, in the same order, also where some are missing."""
    some = np.flatnonzero(np.arange(SIDE * SIDE) % 7)
    watch = DumpWatch(
        POINTS[some], sparse.csr_matrix((1, len(some))), Canvas(LATTICE, some), radius_m,
        LOAD_M3)
    gap = POINTS[some] - (x_m, y_m)
    expected = np.flatnonzero(np.square(gap).sum(axis=1) <= radius_m**2)
    np.testing.assert_array_equal(watch.cells_around(x_m, y_m, radius_m), expected)
