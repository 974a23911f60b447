# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A survey that has no datum yet outlives a kill: no load may be taken for natural ground."""

from berm_ledger.geometry import Pose2
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import FIELD, Yard, YardOptions
from disturbance_kit import demo_site, feed, WEST
from mapper_kit import Mapper
import numpy as np
import pytest


class Killed:
    """A pipeline that is killed at will and goes on from what it has written."""

    def __init__(self, site):
        self.pipeline, self.entries, self.layers = Pipeline(site), [], {}
        self.writes, self.codes = 0, []

    def take(self, events):
        for event in events:
            update = feed(self.pipeline, event)
            self.entries += update.entries
            self.codes += [finding.code for finding in update.findings]
            self.writes += bool(update.surfaces)
            self.layers.update({layer.name: layer for layer in update.surfaces})

    def kill(self):
        self.pipeline = Pipeline(
            self.pipeline.site, entries=self.entries, surfaces=self.layers.values())


def built(kills):
    """Survey, and be killed after so many looks; then dump one load and look at it."""
    yard = Yard(demo_site(), seed=4, options=YardOptions(noise=FIELD))
    yard.place(WEST)
    killed = Killed(yard.site)
    for look in range(1, 8):
        killed.take(yard.look_round(1))
        if look in kills:
            killed.kill()
    middle = yard.site.berms[0].centreline.point_at(1.1)
    yard.place(Pose2(float(middle[0]) - yard.site.rover.drop_point_xy[0], float(middle[1]), 0.0))
    killed.take(yard.dump())
    yard.place(WEST)
    killed.take(yard.look_round(8))
    return killed


@pytest.mark.parametrize('kills', [(7,), (3, 7)])
def test_a_kill_in_the_survey_puts_no_load_into_the_ground(kills):
    whole, killed = built(()), built(kills)
    assert 'dump_before_datum' not in killed.codes
    heights, expected = (
        np.array([row.height_m for row in each.pipeline.books.rows]) for each in (killed, whole))
    assert expected.max() > 0.04
    np.testing.assert_allclose(heights, expected, atol=0.003)
    volume_m3, expected_m3 = (
        each.pipeline.books.dumps[0].volume_m3 for each in (killed, whole))
    assert volume_m3 == pytest.approx(expected_m3, rel=0.05)


def test_a_survey_that_never_ends_is_not_written_at_every_look():
    yard = Yard(demo_site(), seed=4, options=YardOptions(noise=FIELD))
    # From here the far end of the berm stays out of sight.
    yard.place(Pose2(1.0, -3.4, -1.0))
    killed = Killed(yard.site)
    killed.take(yard.look_round(60))
    assert killed.pipeline.books.datum_seq is None
    assert 3 < killed.writes < 15


def test_what_a_mapper_keeps_outlives_a_kill():
    """A mapper takes half of each height; its grids are freed of the rest at once again."""
    yard, mapper = Yard(demo_site(), seed=4, options=YardOptions(noise=FIELD)), Mapper(0.5)
    yard.place(WEST)
    killed = Killed(yard.site)
    killed.take(map(mapper.published, yard.look_round(30)))
    killed.layers.update({
        layer.name: layer for layer in killed.pipeline.finish().surfaces})
    before = killed.pipeline.survey.noise
    killed.kill()
    after = killed.pipeline.survey.noise
    assert before.kept == pytest.approx(0.5, abs=0.03)
    assert after.kept == before.kept
