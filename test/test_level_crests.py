# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Crests given as a level, whose height only the ground tells, and ground that is seen late."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
import math
from pathlib import Path

from berm_ledger.books import State
from berm_ledger.books.entries import Entry
from berm_ledger.design import Site
from berm_ledger.geometry import GridAxes, Pose2, StampedPose
from berm_ledger.pipeline import Pipeline
from berm_ledger.site_source import load_site
from berm_ledger.survey import ElevationGrid
from berm_ledger.updates import Update
import numpy as np
from numpy.typing import NDArray
import pytest

CONFIG = Path(__file__).resolve().parents[1] / 'config'
CREST_M = 0.2
HEAP_M3 = 0.08 * math.pi * 0.02
SECOND_NS = 1_000_000_000
START_NS = 1_000 * SECOND_NS
LATER_NS = START_NS + 40 * SECOND_NS
AWAY = Pose2(-2.5, -1.0, 0.0)

Floats = NDArray[np.float64]
Ground = Callable[[Floats, Floats], Floats]


def demo_site() -> Site:
    """Return the site of the demo, on surveyed ground."""
    return load_site(CONFIG / 'shelter_site.yaml').site


def level_site(level_m: float = CREST_M) -> Site:
    """Return the site of the demo with its crest at a level."""
    site = demo_site()
    berm = replace(site.berms[0], crest_height_m=None, crest_level_m=level_m)
    return replace(site, berms=(berm,))


def level(x_m: Floats, y_m: Floats) -> Floats:
    """Return level ground at zero."""
    return 0.0 * (x_m + y_m)


def uneven(x_m: Floats, y_m: Floats) -> Floats:
    """Return ground with its median at zero and hollows 5 cm deep."""
    return 0.05 * np.sin(4.0 * x_m) * np.cos(3.0 * y_m)


def stepped(x_m: Floats, y_m: Floats) -> Floats:
    """Return level ground with a step 4 cm down half way along the berm."""
    return np.where(y_m > 0.0, -0.04, 0.0) + 0.0 * x_m


def heaped(x_m: Floats, y_m: Floats) -> Floats:
    """Return level ground with a heap 8 cm high at the far end of the berm."""
    return 0.08 * np.exp(-((x_m - 1.3)**2 + (y_m - 0.9)**2) / 0.02)


def banked(x_m: Floats, y_m: Floats) -> Floats:
    """Return level ground with a bank 25 cm high across the far end of the berm."""
    return np.clip(0.5 * (y_m - 0.1), 0.0, 0.25) + 0.0 * x_m


def hidden_beyond(ground: Ground, edge_m: float) -> Ground:
    """Return ground of which nothing is seen beyond a line across the berm."""
    return lambda x_m, y_m: np.where(y_m > edge_m, np.nan, ground(x_m, y_m))


def grid_of(site: Site, stamp_ns: int, ground: Ground) -> ElevationGrid:
    """Return a grid without noise of given ground over the berm of the demo."""
    x_m, y_m = np.meshgrid(0.02 * np.arange(140), -2.0 + 0.02 * np.arange(200))
    axes = GridAxes((0.0, -2.0), (0.0, 0.02), (0.02, 0.0))
    return ElevationGrid(stamp_ns, site.frame, axes, ground(x_m, y_m).astype(np.float32))


def looks_at(
    ground: Ground, pipeline: Pipeline, count: int, *, start_ns: int = START_NS
) -> Iterator[Update]:
    """Yield the updates of looks at given ground, one a second."""
    for step in range(count):
        stamp_ns = start_ns + step * SECOND_NS
        pipeline.add_pose(StampedPose(stamp_ns, pipeline.site.frame, AWAY))
        yield pipeline.add_grid(grid_of(pipeline.site, stamp_ns, ground))


def dump_at(pipeline: Pipeline, stamp_ns: int, x_m: float, y_m: float) -> Update:
    """Announce a load that falls at a place."""
    reach_m = pipeline.site.rover.drop_point_xy[0]
    at = Pose2(x_m - reach_m, y_m, 0.0)
    pipeline.add_pose(StampedPose(stamp_ns, pipeline.site.frame, at))
    return pipeline.add_dump(8.0)


def entries_of(updates: Iterable[Update]) -> list[Entry]:
    """Return the entries of updates, in order."""
    return [entry for update in updates for entry in update.entries]


def test_a_restart_on_uneven_ground_finds_all_of_its_surface_again() -> None:
    """What was kept fits the cells of the next run, although the ground has hollows."""
    site = level_site()
    first = Pipeline(site)
    entries = entries_of(looks_at(uneven, first, 12))
    assert [entry.kind for entry in entries].count('datum') == 1
    second = Pipeline(site, entries=entries, surfaces=first.finish().surfaces)
    before, after = first.survey.surface, second.survey.surface
    assert np.count_nonzero(before.known) > 1000
    assert np.count_nonzero(after.known) == np.count_nonzero(before.known)
    np.testing.assert_array_equal(after.height_m, before.height_m)
    later = list(looks_at(uneven, second, 12, start_ns=LATER_NS))
    assert not any(update.findings for update in later)
    assert 'datum' not in [entry.kind for entry in entries_of(later)]
    heights_m = [row.height_m for row in first.books.rows]
    assert [row.height_m for row in second.books.rows] == pytest.approx(heights_m, abs=0.002)


def test_ground_surveyed_after_the_datum_moves_the_design_in_the_books() -> None:
    """Filled ground turns out to lie 4 cm lower: there the berm is to stand that much higher."""
    pipeline = Pipeline(level_site())
    list(looks_at(hidden_beyond(stepped, 0.0), pipeline, 5))
    booked = dump_at(pipeline, START_NS + 5 * SECOND_NS, 1.2, -1.0).entries
    assert [entry.kind for entry in booked][:2] == ['datum', 'dump']
    assert pipeline.books.rows[-1].target_height_m == pytest.approx(CREST_M, abs=0.003)
    list(looks_at(stepped, pipeline, 20, start_ns=START_NS + 10 * SECOND_NS))
    rows = pipeline.books.rows
    assert [row.target_height_m for row in rows[:2]] == pytest.approx([CREST_M] * 2, abs=0.003)
    assert [row.target_height_m for row in rows[-2:]] == pytest.approx(
        [CREST_M + 0.04] * 2, abs=0.003)
    assert rows[-1].height_m == pytest.approx(0.0, abs=0.003)


def test_ground_above_a_level_crest_does_not_stop_the_books() -> None:
    """The berm runs into a bank at one end; soil that comes to lie there is too high, no more."""
    pipeline = Pipeline(level_site())
    list(looks_at(banked, pipeline, 12))
    assert pipeline.books.rows[-1].target_height_m < 0.0
    dump_at(pipeline, START_NS + 12 * SECOND_NS, 1.3, 0.9)
    list(looks_at(lambda x_m, y_m: banked(x_m, y_m) + heaped(x_m, y_m), pipeline, 20,
                  start_ns=START_NS + 13 * SECOND_NS))
    rows = pipeline.books.rows
    assert rows[-1].height_m > 0.025
    assert rows[-1].state == State.HIGH
    assert rows[-1].dumps_remaining == 0
    assert rows[0].dumps_remaining > 0
    assert rows[0].target_height_m == pytest.approx(CREST_M, abs=0.003)


def test_a_load_told_of_before_any_grid_does_not_stop_the_books() -> None:
    """Looks at its soil are taken, a datum and rows are booked, and the next load is measured."""
    pipeline = Pipeline(demo_site())
    told = dump_at(pipeline, START_NS, 1.3, 0.9)
    assert 'dump_before_datum' in [finding.code for finding in told.findings]
    updates = list(looks_at(heaped, pipeline, 30, start_ns=START_NS + SECOND_NS))
    assert not any(update.findings for update in updates)
    kinds = [entry.kind for entry in entries_of(updates)]
    assert kinds.count('datum') == 1
    assert kinds.count('reading') >= len(pipeline.books.rows)
    dump_at(pipeline, LATER_NS, 1.3, -0.7)
    list(looks_at(
        lambda x_m, y_m: heaped(x_m, y_m) + heaped(x_m, y_m + 1.6), pipeline, 30,
        start_ns=LATER_NS + SECOND_NS))
    assert pipeline.books.dumps[-1].volume_m3 == pytest.approx(HEAP_M3, rel=0.05)


@pytest.mark.parametrize('crest_m', [-3.0, 10.0])
def test_the_zero_of_the_map_may_be_far_from_the_ground(crest_m: float) -> None:
    """Only how high the crest is above the ground says how many cells there are."""
    usual = Pipeline(level_site())
    list(looks_at(level, usual, 1))
    pipeline = Pipeline(level_site(crest_m))
    assert len(pipeline.survey.area) < 2 * len(usual.survey.area)
    there = entries_of(looks_at(
        lambda x_m, y_m: level(x_m, y_m) + crest_m - CREST_M, pipeline, 12))
    assert len(pipeline.survey.area) == pytest.approx(len(usual.survey.area), rel=0.05)
    assert [entry.kind for entry in there].count('datum') == 1
    for row in pipeline.books.rows:
        assert row.target_height_m == pytest.approx(CREST_M, abs=0.002)


@pytest.mark.parametrize('crest_m', [0.02, 0.0, -0.2, -5.0])
def test_a_level_that_the_ground_passes_does_not_stop_the_books(crest_m: float) -> None:
    """A level may be wrong, or the berm lie lower than most of the yard."""
    pipeline = Pipeline(level_site(crest_m))
    list(looks_at(level, pipeline, 12))
    books = pipeline.books
    assert books.datum_seq is not None
    for row in books.rows:
        assert row.target_height_m == pytest.approx(crest_m, abs=1e-3)
        assert row.height_m == pytest.approx(0.0, abs=2e-3)
        assert row.state is (State.HIGH if crest_m < -0.1 else State.AT_GRADE)


def test_soil_of_an_earlier_run_is_no_ground_after_a_restart_before_any_grid() -> None:
    """Where the entries tell of a load, what is first seen later counts as its soil."""
    site = level_site()
    first = dump_at(Pipeline(site), START_NS, 1.3, 0.9).entries
    assert 'dump' in [entry.kind for entry in first]
    pipeline = Pipeline(site, entries=first)
    list(looks_at(hidden_beyond(level, 0.3), pipeline, 5, start_ns=LATER_NS))
    booked = dump_at(pipeline, LATER_NS + 5 * SECOND_NS, 1.2, -1.0).entries
    assert 'datum' in [entry.kind for entry in booked]
    list(looks_at(heaped, pipeline, 20, start_ns=LATER_NS + 10 * SECOND_NS))
    survey = pipeline.survey
    beneath = np.hypot(*(survey.area.centres_xy - (1.3, 0.9)).T) < 0.03
    assert survey.height_m()[beneath].mean() == pytest.approx(0.08, abs=0.006)
