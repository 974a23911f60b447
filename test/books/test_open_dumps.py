# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Dumps that are open at a restart: kept as layers, and measured as if there had been none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from berm_ledger.books.charts import Canvas
from berm_ledger.books.journal_rows import row_from_surface, surface_from_row
from berm_ledger.books.kept_looks import KEPT_LOOKS
from berm_ledger.books.open_dumps import (
    BEFORE,
    is_open_layer,
    LOADS,
    LOOKS,
    NAMES,
    open_layers,
    put_back,
    SINCE,
)
from berm_ledger.books.patches import Landing, SETTLED_LOOKS
from berm_ledger.books.rises import DumpWatch
from berm_ledger.geometry import Lattice
from berm_ledger.pipeline import Pipeline
from berm_ledger.survey.noise import GridNoise
from berm_ledger.survey.snapshot import NamedSurface
from disturbance_kit import demo_site, Dust, Watched
import numpy as np
import pytest
from scipy import sparse

ROWS, COLS = 60, 120
LATTICE = Lattice(-1.0, 2.0, 0.03, ROWS, COLS)
POINTS = LATTICE.centres_xy().reshape(-1, 2)
STAMPS_NS = {3: 30, 5: 50, 8: 80}


def watch() -> DumpWatch:
    """Return a watch over 3.6 m x 1.8 m in one segment, no dump open."""
    return DumpWatch(
        POINTS, sparse.csr_matrix(np.ones((1, len(POINTS)))),
        Canvas(LATTICE, np.arange(len(POINTS))), 0.5, 0.005)


def look(dumps: DumpWatch, turn: int) -> list[str]:
    """Show look number so and so, part of it unseen; return what is measured then."""
    rng = np.random.default_rng(turn)
    level = 0.02 + rng.normal(0.0, 0.003, len(POINTS)).astype(np.float32)
    level[rng.random(len(POINTS)) < 0.01] = np.nan
    dumps.look(level, 100 + turn)
    return [repr((r.landing, r.volume_m3, r.volume_se_m3, r.by_row_m3.tolist(), r.missed))
            for patch in dumps.settled(GridNoise(0.003, 0.2), 100 + turn)
            for r in dumps.close(patch, GridNoise(0.003, 0.2), 0.0002)]


def opened() -> DumpWatch:
    """Return a watch with one dump by itself and two that fell on each other, looked at twice."""
    dumps, rng = watch(), np.random.default_rng(0)
    height = rng.normal(0.0, 0.004, len(POINTS)).astype(np.float32)
    looks = rng.uniform(0.5, 40.0, len(POINTS)).astype(np.float32)
    for seq, x_m, y_m, weighed in ((3, 0.0123456789, 2.9, True), (5, 1.9, 2.7, False)):
        dumps.announce(Landing(seq, STAMPS_NS[seq], x_m, y_m, 0.02 / 3.0, weighed), height, looks)
    assert look(dumps, 0) == look(dumps, 1) == []
    dumps.announce(Landing(8, STAMPS_NS[8], 2.1, 3.1, 0.005), height + 0.01, looks)
    return dumps


def through_journal(dumps: DumpWatch) -> tuple[NamedSurface, ...]:
    """Return the layers as a books file gives them back."""
    return tuple(surface_from_row(row_from_surface(s)) for s in open_layers(dumps, 7))


def test_they_are_measured_at_the_same_look_with_the_same_figures() -> None:
    straight, again = opened(), watch()
    put_back(again, through_journal(straight), STAMPS_NS)
    assert [[load.seq for load in patch.landings] for patch in again.patches] == [[3], [5, 8]]
    assert (again.mask() == straight.mask()).all()
    told = [(turn, look(straight, turn), look(again, turn)) for turn in range(2, 12)]
    assert [one for _, one, _ in told] == [two for _, _, two in told]
    measured = [turn for turn, one, _ in told for _ in one]
    assert measured[0] == SETTLED_LOOKS - 1, 'two looks from before count'
    assert len(measured) == 3


def test_what_is_kept_is_bounded_and_blank_when_none_is_open() -> None:
    """Never more than the last looks, at the cells of the open dumps."""
    assert open_layers(watch(), 7) == ()
    dumps = watch()
    dumps.announce(Landing(3, 30, 0.0, 2.9, 0.005), np.zeros(len(POINTS)), np.ones(len(POINTS)))
    nothing = np.full(len(POINTS), np.nan)
    # One cell in view: looks that show something, and never enough to measure it.
    nothing[dumps.patches[0].cells[0]] = 0.0
    for turn in range(100):
        dumps.look(nothing, 100 + turn)
    kept = {layer.name: layer.values for layer in through_journal(dumps)}
    cells = len(dumps.patches[0].cells)
    assert kept[SINCE].shape == (KEPT_LOOKS, cells)
    assert kept[BEFORE].shape == (2, cells)
    dumps.close(dumps.patches[0], GridNoise(0.003, 0.2), 0.0002)
    blank = through_journal(dumps)
    assert {layer.name for layer in blank} == set(NAMES)
    assert max(layer.values.size for layer in blank) == 1
    again = watch()
    put_back(again, blank, STAMPS_NS)
    assert not again.patches


def narrower(values: np.ndarray) -> np.ndarray:
    return values[:, :-1]


def of_one_number(values: np.ndarray) -> np.ndarray:
    return values * [np.nan, 1.0, 1.0, 1.0, 1.0, 1.0]


def of_another_place(values: np.ndarray) -> np.ndarray:
    return np.add(values, [0.0, 0.0, 2.5, 0.0, 0.0, 0.0])


@pytest.mark.parametrize(('name', 'change'), [
    (LOADS, narrower), (LOADS, of_one_number), (LOADS, of_another_place), (LOOKS, narrower),
    (BEFORE, narrower), (SINCE, narrower), (BEFORE, np.transpose)])
def test_layers_that_do_not_fit_are_left_alone(
        name: str, change: Callable[[np.ndarray], np.ndarray]) -> None:
    layers = []
    for layer in through_journal(opened()):
        values = change(layer.values) if layer.name == name else layer.values
        layers.append(replace(layer, values=values, lattice=replace(
            layer.lattice, rows=values.shape[0], cols=values.shape[1])))
    dumps = watch()
    put_back(dumps, layers, STAMPS_NS)
    assert not dumps.patches


def test_layers_of_another_lattice_or_too_few_are_left_alone() -> None:
    layers, dumps = through_journal(opened()), watch()
    put_back(dumps, layers[1:], STAMPS_NS)
    put_back(dumps, [replace(s, lattice=replace(s.lattice, x0_m=0.0)) for s in layers], STAMPS_NS)
    assert not dumps.patches


def test_a_dump_that_the_books_hold_for_measured_is_not_opened_again() -> None:
    dumps = watch()
    put_back(dumps, through_journal(opened()), {3: 30, 5: 50})
    assert [[load.seq for load in patch.landings] for patch in dumps.patches] == [[3]]


# ---- through the pipeline ----------------------------------------------------------------------

@pytest.fixture(scope='module')
def finished() -> Watched:
    """Return a watched berm as designed; tests spoil copies of it."""
    watched = Watched(demo_site(), seed=8)
    watched.take(watched.pipeline.finish())
    return watched


def killed(watched: Watched, *, old: bool = False) -> Watched:
    """Return one that goes on from what was written, without a last word; old books tell less."""
    again = watched.copy()
    again.pipeline = Pipeline(watched.yard.site, entries=again.entries, surfaces=[
        layer for layer in again.surfaces.values() if not (old and is_open_layer(layer))])
    return again


def looks_until_measured(watched: Watched) -> tuple[int, float]:
    """Return how many looks it takes until a rise is booked, and the rise [m3]."""
    for count in range(1, 20):
        for entry in watched.look(1):
            if entry.kind == 'rise':
                return count, entry.data['volume_m3']
    msg = 'no rise was booked'
    raise AssertionError(msg)


# The rover looks twice while it dumps; as much of the heap is hidden, it takes so many in all.
AT_DUMP, IN_ALL = 2, 6


@pytest.mark.parametrize('looks', range(IN_ALL - AT_DUMP))
def test_killed_after_any_look_the_rise_comes_with_the_same_look(
        finished: Watched, looks: int) -> None:
    straight = finished.copy()
    straight.dump_at(1.0, looks=looks)
    again, old = killed(straight), killed(straight, old=True)
    count, volume_m3 = looks_until_measured(straight)
    found, found_m3 = looks_until_measured(again)
    assert found == count == IN_ALL - AT_DUMP - looks
    # How sure the place of the map is is not kept: a tenth of what the rise is stated to be off.
    assert abs(found_m3 - volume_m3) < 0.1 * straight.pipeline.books.dumps[-1].volume_se_m3
    assert again.changes() == straight.changes()
    # Books from before these layers begin to look anew.
    assert looks_until_measured(old)[0] == IN_ALL


@pytest.mark.parametrize('looks', [0, 2, 5, 7])
def test_killed_in_the_dust_the_rise_comes_with_the_same_look(
        finished: Watched, looks: int) -> None:
    """Looks of dust that did not count before do not count after."""
    straight = finished.copy()
    x_m, y_m = straight.yard.site.berms[0].centreline.point_at(1.0)
    straight.yard.things.append(
        Dust((float(x_m), float(y_m)), 0.3, 0.1, straight.yard.elapsed_s + 8.5))
    straight.dump_at(1.0, looks=looks)
    again = killed(straight)
    count, volume_m3 = looks_until_measured(straight)
    found, found_m3 = looks_until_measured(again)
    assert found == count
    assert abs(found_m3 - volume_m3) < 0.1 * straight.pipeline.books.dumps[-1].volume_se_m3
