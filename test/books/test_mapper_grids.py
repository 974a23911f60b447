# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Whole builds with grids of a mapper that publishes all that it remembers.

What the sensor does not see at the moment comes again as it was, the place of the map included:
common practice, no source. Taken for looks that booked dozens of losses in one build.
"""

from dataclasses import replace

from berm_ledger.books.entries import Entry
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import (
    BuildOptions,
    DRIFTING,
    Intrusion,
    Noise,
    QUIET,
    SimulatedBuild,
    YardOptions,
)
from disturbance_kit import CHANGES, demo_site, feed
from mapper_kit import Mapper
import numpy as np
import pytest


def built(
    seed: int, mapper: Mapper | None = None, **options: object
) -> tuple[Pipeline, SimulatedBuild, list[Entry], list[str]]:
    """Build the berm of the demo under a mapper; return also changes booked and codes found."""
    build = SimulatedBuild(demo_site(), seed=seed, options=BuildOptions(
        yard=YardOptions(noise=DRIFTING), **options))
    pipeline, mapper = Pipeline(build.site), mapper or Mapper()
    updates = [feed(pipeline, mapper.published(event)) for event in build.events()]
    return (pipeline, build,
            [entry for update in updates for entry in update.entries if entry.kind in CHANGES],
            [finding.code for update in updates for finding in update.findings])


@pytest.fixture(scope='module')
def undisturbed():
    """Return a build that nobody disturbs but people who cross and a second robot."""
    return built(2, people_at_loads=(5, 12), second_robot_from_load=8)


def test_nothing_false_is_booked(undisturbed):
    assert undisturbed[2] == []


def test_a_robot_that_looks_elsewhere_is_told_from_a_mapper_that_stands_still(undisturbed):
    codes = undisturbed[3]
    assert 'nothing_new' not in codes
    assert 'stands_still' not in codes


def codes_of_hung(noise: Noise) -> set[str]:
    """Return what is found in a build whose mapper stands still from the first load on."""
    build = SimulatedBuild(demo_site(), seed=2, options=BuildOptions(
        most_loads=3, yard=YardOptions(noise=noise)))
    pipeline, mapper, last, codes = Pipeline(build.site), Mapper(), None, set()
    for event in map(mapper.published, build.events()):
        if event.kind == 'grid':
            last = last if last is not None and pipeline.books.dumps else event.value
            event = event._replace(value=replace(last, stamp_ns=event.value.stamp_ns))
        codes |= {finding.code for finding in feed(pipeline, event).findings}
    return codes


def test_a_mapper_that_stands_still_is_found_where_heights_have_noise():
    assert 'stands_still' in codes_of_hung(DRIFTING)
    assert codes_of_hung(QUIET) == set()


def test_loads_are_measured_as_well_as_without_a_mapper(undisturbed):
    pipeline, build, *_ = undisturbed
    error = np.array([record.volume_m3 - true['volume_m3'] for record, true in zip(
        pipeline.books.dumps, build.truth()['dumps'])])
    stated = np.array([record.volume_se_m3 for record in pipeline.books.dumps])
    assert len(error) > 15
    assert np.isfinite(error).all()
    # One in twenty lies beyond two standard errors.
    assert np.mean(np.abs(error) < 2.0 * stated) >= 0.9
    assert abs(error.mean()) < 0.15e-3


def test_a_loss_is_found_all_the_same():
    # No load follows, which might bury it before it has been seen twice.
    _, _, changes, _ = built(3, intrusions=(Intrusion('remove', 0.001, 1.1, mended=False),))
    lost = [entry for entry in changes if entry.kind == 'disturbed']
    assert len(lost) >= 1
    assert sum(entry.data['volume_m3'] for entry in lost) == pytest.approx(0.001, rel=0.15)


@pytest.mark.parametrize(('mapper', 'most'), [
    ({'weight': 0.5}, 0.03), ({'weight': 0.3}, 0.03), ({'gathered': 3}, 0.03)],
    ids=['half of each', '0.3 of each', 'mean of three'])
def test_loads_are_measured_whole_where_a_mapper_shows_them_by_and_by(mapper, most):
    """Their sum, crests, errors by what is stated; nothing that still comes up is no dump's."""
    pipeline, build, changes, _ = built(2, Mapper(**mapper))
    truth = build.truth()
    true_m3 = np.array([dump['volume_m3'] for dump in truth['dumps']])
    found_m3 = np.array([dump.volume_m3 for dump in pipeline.books.dumps])
    stated_m3 = np.array([dump.volume_se_m3 for dump in pipeline.books.dumps])
    assert changes == []
    assert np.isfinite(found_m3).mean() > 0.9
    seen = np.isfinite(found_m3)
    assert found_m3[seen].sum() == pytest.approx(true_m3[seen].sum(), rel=most)
    off_se = (found_m3 - true_m3)[seen] / stated_m3[seen]
    assert np.sqrt(np.mean(off_se**2)) < 1.4
    for row, fact in zip(pipeline.books.rows, truth['segments']):
        assert row.height_m == pytest.approx(fact['height_m'], abs=0.005)


@pytest.mark.parametrize('weight', [0.5, 0.3])
def test_a_loss_is_found_whole_where_a_mapper_shows_it_by_and_by(weight):
    _, _, changes, _ = built(
        3, Mapper(weight), intrusions=(Intrusion('remove', 0.001, 1.1, mended=False),))
    lost = [entry for entry in changes if entry.kind == 'disturbed']
    assert sum(entry.data['volume_m3'] for entry in lost) == pytest.approx(0.001, rel=0.15)
