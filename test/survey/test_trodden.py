# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which ground a rover has gone over."""

import math

from berm_ledger.geometry import Pose2, StampedPose
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.registration import Shift
from berm_ledger.survey.surface import SiteSurface
from berm_ledger.survey.trodden import (
    LEAST_LOOKS,
    MOST_PASSES,
    MOVED_M,
    SINKS_M,
    Trodden,
    TURNED_RAD,
)
import numpy as np
import pytest
from shapely.geometry import MultiPoint
from survey_kit import straight

SITE = straight(2.0)
AREA = survey_area(SITE)
PAD_M = 0.05
SECOND_NS = 1_000_000_000
UNMOVED = Shift()
SURFACE = SiteSurface(len(AREA))


def driven(trodden: Trodden, *poses: Pose2, shift: Shift = UNMOVED) -> None:
    """Show it poses a second apart, the first at zero."""
    for second, pose in enumerate(poses):
        trodden.note(StampedPose(second * SECOND_NS, 'map', pose), shift)


@pytest.mark.parametrize('yaw_rad', [0.0, 0.7])
def test_what_the_footprint_has_passed_over_is_trodden(yaw_rad: float) -> None:
    """A drive straight on: the hull of the first and the last footprint (shapely)."""
    start = Pose2(0.4, -0.2, yaw_rad)
    way = [start.apply([[0.06 * step, 0.0]])[0] for step in range(11)]
    poses = [Pose2(*xy, yaw_rad) for xy in way]
    trodden = Trodden(AREA, PAD_M)
    driven(trodden, start, *poses)
    found = np.zeros(len(AREA), dtype=bool)
    found[trodden.until(20 * SECOND_NS, SURFACE)] = True
    # The first pose says nothing of how the rover came there.
    corners = np.concatenate([poses[k].apply(SITE.rover.footprint.corners_xy) for k in (1, -1)])
    hull = MultiPoint(corners).convex_hull.buffer(PAD_M)
    apart_m = np.array([hull.distance(point) for point in MultiPoint(AREA.centres_xy).geoms])
    inside_m = np.array([hull.exterior.distance(p) for p in MultiPoint(AREA.centres_xy).geoms])
    border = inside_m < 0.002
    assert (found == (apart_m == 0.0))[~border].all()
    assert 0.1 < found.mean() < 0.9


def test_who_stands_presses_nothing_down_anew() -> None:
    """Poses scatter by millimetres and milliradians."""
    trodden, rng = Trodden(AREA, PAD_M), np.random.default_rng(0)
    driven(trodden, Pose2(0.0, 0.0, 0.0), *(
        Pose2(*(0.002 * rng.standard_normal(2)), 0.001 * rng.standard_normal()) for _ in range(9)))
    assert not len(trodden.until(20 * SECOND_NS, SURFACE))
    assert MOVED_M > 4 * 0.002
    assert TURNED_RAD > 4 * 0.001


def test_a_turn_on_the_spot_is_a_pass_also_across_half_a_turn() -> None:
    """From 179 to -179 degrees is a turn of two degrees."""
    trodden = Trodden(AREA, PAD_M)
    driven(trodden, Pose2(1.0, 0.0, math.radians(179.5)), Pose2(1.0, 0.0, math.radians(-179.5)))
    assert not len(trodden.until(20 * SECOND_NS, SURFACE))
    driven(trodden, Pose2(1.0, 0.0, math.radians(-177.0)))
    assert len(trodden.until(20 * SECOND_NS, SURFACE))


def test_passes_are_told_once_and_in_their_time() -> None:
    """A grid that comes late tells nothing of ground that was pressed after it."""
    trodden = Trodden(AREA, PAD_M)
    driven(trodden, *(Pose2(0.5 * step, 0.0, 0.0) for step in range(4)))
    first, rest = trodden.until(SECOND_NS, SURFACE), trodden.until(3 * SECOND_NS, SURFACE)
    assert AREA.centres_xy[first, 0].max() < AREA.centres_xy[rest, 0].max()
    assert not len(trodden.until(9 * SECOND_NS, SURFACE))


def test_an_hour_of_poses_without_a_grid_is_kept_in_little() -> None:
    """To and fro over the same ground; nothing of it is lost."""
    trodden, once = Trodden(AREA, PAD_M), Trodden(AREA, PAD_M)
    way = [Pose2(0.3 * step, 0.1, 0.0) for step in range(7)]
    driven(once, *way)
    driven(trodden, *(way[abs(turn % 12 - 6)] for turn in range(3600)))
    kept = sum(len(cells) for _, cells in trodden._passes)
    assert kept <= MOST_PASSES * len(trodden_at(way[3])) + len(AREA)
    assert trodden.until(3600 * SECOND_NS, SURFACE).tolist() == np.union1d(
        once.until(3600 * SECOND_NS, SURFACE), trodden_at(way[0])).tolist()


def trodden_at(pose: Pose2) -> np.ndarray:
    """Return the cells under a rover that comes from afar."""
    trodden = Trodden(AREA, PAD_M)
    driven(trodden, Pose2(40.0, 40.0, 0.0), pose)
    return trodden.until(9 * SECOND_NS, SURFACE)


def test_poses_of_a_map_that_has_moved_are_held_where_they_are_in_the_site() -> None:
    """A point of the site is shown moved by the shift."""
    here, there = Trodden(AREA, PAD_M), Trodden(AREA, PAD_M)
    poses = [Pose2(0.1 * step, 0.1, 0.0) for step in range(4)]
    driven(here, *poses)
    driven(there, *(Pose2(p.x_m + 0.08, p.y_m - 0.05, 0.0) for p in poses),
           shift=Shift(dx_m=0.08, dy_m=-0.05))
    found, expected = (trodden.until(9 * SECOND_NS, SURFACE) for trodden in (there, here))
    assert found.tolist() == expected.tolist()


@pytest.mark.parametrize(('fall_m', 'sinks'), [(0.002, True), (0.0, False)])
def test_looks_after_passes_tell_whether_ground_sinks(fall_m: float, sinks: bool) -> None:
    """On average over the footprint; noise of 4 mm, and ground nobody knows tells nothing."""
    trodden, rng = Trodden(AREA, PAD_M), np.random.default_rng(4)
    surface, idle = SiteSurface(len(AREA)), np.zeros(len(AREA), dtype=bool)
    surface.put(np.arange(len(AREA)), np.zeros(len(AREA)), LEAST_LOOKS)
    stamp_ns, truth_m = 0, np.zeros(len(AREA))
    for turn in range(30):
        for step in range(9):
            stamp_ns += SECOND_NS
            trodden.note(StampedPose(stamp_ns, 'map', Pose2(0.3 * step, 0.1, 0.0)), UNMOVED)
        truth_m[trodden.until(stamp_ns, surface)] -= fall_m * (turn < 15)
        look_m = (truth_m + 0.004 * rng.standard_normal(len(AREA))).astype(np.float32)
        trodden.learn(look_m, surface, idle)
        surface.put(np.arange(len(AREA)), truth_m, LEAST_LOOKS)
        assert trodden.sinks or turn > 1
        if turn == 14:
            assert trodden.sinks is sinks
    # Ruts in which it has driven often sink no further.
    assert not trodden.sinks
    assert trodden.has_sunk is sinks


@pytest.mark.parametrize('seed', [0, 3, 11])
def test_errors_that_whole_looks_share_are_no_ruts(seed: int) -> None:
    """Levels of looks scatter by 2 mm: means of a few passes come to 1 mm and more, by chance."""
    trodden, rng = Trodden(AREA, PAD_M), np.random.default_rng(seed)
    surface, idle = SiteSurface(len(AREA)), np.zeros(len(AREA), dtype=bool)
    surface.put(np.arange(len(AREA)), np.zeros(len(AREA)), LEAST_LOOKS)
    most_m, stamp_ns = 0.0, 0
    for _ in range(100):
        for step in range(9):
            stamp_ns += SECOND_NS
            trodden.note(StampedPose(stamp_ns, 'map', Pose2(0.3 * step, 0.1, 0.0)), UNMOVED)
        trodden.until(stamp_ns, surface)
        look_m = np.full(len(AREA), 0.002 * rng.standard_normal(), dtype=np.float32)
        trodden.learn(look_m, surface, idle)
        most_m = max(most_m, trodden.figures()[0])
    assert most_m > SINKS_M
    assert not trodden.has_sunk


def test_soil_that_falls_and_ground_hardly_known_tell_nothing_of_ruts() -> None:
    """A load beside the way, and cells that one look has shown."""
    trodden, surface = Trodden(AREA, PAD_M), SiteSurface(len(AREA))
    cells = np.arange(len(AREA))
    for looks, fall_m in ((LEAST_LOOKS, 0.1), (LEAST_LOOKS - 1.0, 0.0)):
        surface.put(cells, np.zeros(len(AREA)), looks)
        driven(trodden, *(Pose2(0.3 * step, 0.1, 0.0) for step in range(9)))
        trodden.until(9 * SECOND_NS, surface)
        for _ in range(20):
            trodden.learn(np.full(len(AREA), -fall_m, np.float32), surface, cells < 0)
        assert trodden.sinks


def test_what_passes_have_taught_is_kept() -> None:
    """Figures through a layer are single or double precision numbers."""
    first, again = Trodden(AREA, PAD_M), Trodden(AREA, PAD_M)
    surface = SiteSurface(len(AREA))
    surface.put(np.arange(len(AREA)), np.zeros(len(AREA)), LEAST_LOOKS)
    driven(first, *(Pose2(0.3 * step, 0.1, 0.0) for step in range(9)))
    first.until(9 * SECOND_NS, surface)
    first.learn(np.full(len(AREA), 0.003, np.float32), surface, np.zeros(len(AREA), dtype=bool))
    assert not first.sinks
    again.resume(*first.figures())
    assert again.figures() == first.figures()
    assert not again.sinks
