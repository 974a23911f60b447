# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Sensors that err in the same way as long as the robot stands: nothing false, losses found."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
import math

from berm_ledger.books.entries import Entry
from berm_ledger.geometry import Pose2
from berm_ledger.simulation import Intrusion
from berm_ledger.simulation.yard import SimEvent
from disturbance_kit import demo_site, Watched, WEST
import numpy as np
import pytest
from scipy import ndimage

# Errors that neighbours share over some 0.15 m [m], on cells of so much, wrapped around [m].
ERROR_M, REACH_M, CELL_M, SIDE = 0.004, 0.075, 0.02, 400
EAST, SOUTH = Pose2(2.6, 0.5, math.pi), Pose2(1.0, -1.6, math.pi / 2.0)


class Standing(Watched):
    """A watched yard whose sensor errs by another field at every place."""

    #: Number of the last entry when the berm stood.
    built = 0

    def run(self, events: Iterable[SimEvent]) -> list[Entry]:
        """Feed events, the errors of the place added to the grids."""
        return super().run(event if event.kind != 'grid' else event._replace(
            value=self._off(event.value)) for event in events)

    def _off(self, grid):
        place = self.yard.true_pose
        seed = hash((round(place.x_m, 1), round(place.y_m, 1), round(place.yaw_rad, 1))) % 2**32
        field = ndimage.gaussian_filter(
            np.random.default_rng(seed).standard_normal((SIDE, SIDE)), REACH_M / CELL_M,
            mode='wrap')
        at = np.rint(grid.centres_xy() / CELL_M).astype(int) % SIDE
        error_m = ERROR_M / field.std() * field[at[..., 0], at[..., 1]]
        return replace(grid, height_m=(grid.height_m + error_m).astype(np.float32))


def visited(watched: Watched, rounds: int) -> None:
    """Look from four places in turn, ten times from each."""
    for turn in range(rounds):
        for place in (EAST, SOUTH, replace(WEST, y_m=WEST.y_m + 0.3), WEST):
            watched.yard.place(replace(place, x_m=place.x_m + 0.15 * turn))
            watched.look(10)


@pytest.fixture(scope='module')
def standing() -> Watched:
    """Return a berm as designed that was looked at from a dozen places; tests spoil copies."""
    watched = Standing(demo_site(), seed=4)
    watched.built = watched.seq
    visited(watched, 3)
    return watched


def test_nothing_is_booked_that_was_not_done(standing: Watched) -> None:
    """Nor when the robot first moves, before anything is known of such errors."""
    assert standing.changes(standing.built) == []
    assert standing.pipeline.survey.noise.staying_m == pytest.approx(ERROR_M, rel=0.35)


def test_soil_that_goes_is_found_from_where_the_robot_stands(standing: Watched) -> None:
    """A litre, 60 mm deep, in half a minute."""
    watched = standing.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.001, 1.1, 0.0))
    watched.look(10)
    lost = [e for e in watched.changes(since) if e.kind == 'disturbed']
    assert sum(e.data['volume_m3'] for e in lost) == pytest.approx(0.001, rel=0.3)
    assert watched.pipeline.books.on_hold
