# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What changes are told by: errors of their sums, levels of detection, steep edges."""

import math

from berm_ledger.books.changes import clusters, Evidence, stands_like_a_thing
from berm_ledger.books.charts import Canvas
from berm_ledger.geometry import Lattice
from berm_ledger.survey.noise import GridNoise
import numpy as np
import pytest

SIDE, CELL_M = 60, 0.02
CANVAS = Canvas(Lattice(0.0, 0.0, CELL_M, SIDE, SIDE), np.arange(SIDE * SIDE))
XY = CANVAS.lattice.centres_xy().reshape(-1, 2) - 0.5 * SIDE * CELL_M
FAR_M = np.hypot(*XY.T)
SURE = 1e12
NOISE = GridNoise(0.004, 0.5)


def evidence(newest_m=0.0, *, noise=NOISE, looks=4.0, worth=SURE, shared_m=0.0):
    """Return looks at flat ground that was accepted at zero."""
    blank = np.zeros(SIDE * SIDE)
    return Evidence(
        CANVAS, blank, blank + worth, blank, blank + newest_m, blank + looks, blank + newest_m,
        np.ones(SIDE * SIDE, dtype=bool), noise, blank + shared_m, blank)


@pytest.mark.parametrize('radius_m', [0.1, 0.3, 0.5])
def test_error_of_a_sum_is_that_of_all_pairs_of_its_cells(radius_m: float) -> None:
    """What neighbours share by a spherical variogram: the sum of the covariances of a disk."""
    disk = radius_m >= FAR_M
    lag = np.linalg.norm(XY[disk][:, None] - XY[disk][None], axis=-1) / 0.4
    common = np.where(lag < 1.0, 1.0 - 1.5 * lag + 0.5 * lag**3, 0.0).sum()
    exact_m3 = CELL_M**2 * 0.004 * math.sqrt(common / 9.0)
    noise = GridNoise(0.004, 1.0, range_m=0.4)
    stated_m3 = evidence(noise=noise, looks=9.0).volume_se_m3(disk)
    assert stated_m3 == pytest.approx(exact_m3, rel=0.03)
    # As much again is unknown where what was accepted is worth no more than the looks since.
    twice_m3 = evidence(noise=noise, looks=9.0, worth=9.0).volume_se_m3(disk)
    assert twice_m3 == pytest.approx(math.sqrt(2.0) * stated_m3)


def test_what_stays_from_look_to_look_does_not_average_out() -> None:
    disk = FAR_M <= 0.2
    one = evidence(noise=GridNoise(0.004, 1.0), looks=1.0).volume_se_m3(disk)
    many = evidence(noise=GridNoise(0.004, 0.0, staying_m=0.004), looks=SURE).volume_se_m3(disk)
    assert many == pytest.approx(one)


def test_level_of_detection_is_1_96_times_what_is_unknown() -> None:
    """Brasington et al. 2003; what all cells share is added in full (Lague et al. 2013)."""
    noise = GridNoise(0.004, 1.0, staying_m=0.001)
    level_m = evidence(noise=noise, looks=4.0, worth=16.0, shared_m=0.002).detection_m
    own_m = math.hypot(0.004 / 2.0, 0.004 / 4.0)
    assert level_m == pytest.approx(1.959964 * (own_m + 0.002 + 0.001))


@pytest.mark.parametrize(('slope_deg', 'is_a_thing'), [
    (20.0, False), (33.0, False), (45.0, False), (60.0, False), (68.0, True), (80.0, True)])
def test_a_cone_is_a_thing_where_it_stands_steeper_than_soil(
    slope_deg: float, is_a_thing: bool
) -> None:
    """Loose soil does not stand as steep as 65 degrees (common practice, no source)."""
    newest_m = np.maximum(0.0, (0.2 - FAR_M) * math.tan(math.radians(slope_deg)))
    seen = evidence(newest_m)
    core, = clusters(CANVAS, newest_m > 0.004)
    assert stands_like_a_thing(seen, core) is is_a_thing


@pytest.mark.parametrize(('wide_m', 'is_a_thing'), [(0.02, False), (0.1, True)])
def test_soil_that_breaks_off_is_a_thing_if_the_wall_is_long(
    wide_m: float, is_a_thing: bool
) -> None:
    """A long ramp with flanks of 30 degrees: the wall at its high end is 0.15 or 0.23 m of it."""
    x_m, y_m = XY.T
    beside_m = np.maximum(np.abs(y_m) - 0.5 * wide_m, 0.0) * math.tan(math.radians(30.0))
    newest_m = np.where(np.abs(x_m) < 0.5, np.maximum(0.08 * (x_m + 0.5) - beside_m, 0.0), 0.0)
    core, = clusters(CANVAS, newest_m > 0.004)
    assert stands_like_a_thing(evidence(newest_m), core) is is_a_thing


def test_of_what_nobody_sees_the_edge_of_nobody_knows_that_it_is_soil() -> None:
    newest_m = np.maximum(0.0, 0.1 - 0.5 * FAR_M)
    core, = clusters(CANVAS, newest_m > 0.004)
    assert not stands_like_a_thing(evidence(newest_m), core)
    assert stands_like_a_thing(evidence(np.where(FAR_M < 0.15, newest_m, np.nan)), core)
