# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How the simulated rover gets about."""

import dataclasses
import math

from berm_ledger.design import NamedArea
from berm_ledger.geometry import Polygon, Pose2
from berm_ledger.simulation.motion import driven, followed, RouteMap, turned
import numpy as np
import numpy.testing as npt
import pytest
from simulation_kit import straight

SITE = straight()
TOE_M = 0.25


@pytest.fixture(scope='module')
def routes():
    return RouteMap(SITE, [TOE_M])


def test_a_way_leads_round_the_berm(routes):
    way = routes.path_xy([0.0, -1.0], [0.1, 1.9])
    npt.assert_allclose(way[[0, -1]], [[0.0, -1.0], [0.1, 1.9]])
    points = np.concatenate([
        a + np.linspace(0.0, 1.0, 50)[:, None] * (b - a) for a, b in zip(way, way[1:])])
    _, offset = SITE.berms[0].centreline.station_offset(points)
    assert np.abs(offset).min() > TOE_M + 0.3 - 0.1
    assert SITE.yard.boundary.contains(points).all()


def test_a_free_way_is_straight(routes):
    npt.assert_allclose(routes.path_xy([-2.0, -2.0], [2.0, -1.5]), [[-2.0, -2.0], [2.0, -1.5]])


def test_with_no_way_it_goes_straight():
    closed_off = RouteMap(SITE, [5.0])
    assert not closed_off.free.any()
    assert len(closed_off.path_xy([0.0, -1.0], [0.0, 1.0])) == 2


def test_keep_outs_are_kept_out_of(routes):
    pond = NamedArea('pond', Polygon([[-0.5, -2.0], [0.5, -2.0], [0.5, -1.2], [-0.5, -1.2]]))
    site = dataclasses.replace(SITE, yard=dataclasses.replace(SITE.yard, keep_outs=(pond,)))
    way = RouteMap(site, [TOE_M]).path_xy([-2.0, -1.6], [2.0, -1.6])
    points = np.concatenate([
        a + np.linspace(0.0, 1.0, 50)[:, None] * (b - a) for a, b in zip(way, way[1:])])
    assert not pond.polygon.contains(points).any()
    assert len(routes.path_xy([-2.0, -1.6], [2.0, -1.6])) == 2


def test_a_straight_drive_keeps_the_heading_and_ends_where_told():
    poses = list(driven(Pose2(0.0, 0.0, 0.3), [-0.5, 0.0], 0.06))
    assert {p.yaw_rad for p in poses} == {0.3}
    npt.assert_allclose(poses[-1].xy, [-0.5, 0.0])
    assert np.hypot(*np.diff([p.xy for p in poses], axis=0).T).max() <= 0.06 + 1e-12
    assert list(driven(Pose2(1.0, 2.0), [1.0, 2.0], 0.06)) == []


def test_a_turn_takes_the_short_way():
    yaws = [p.yaw_rad for p in turned(Pose2(0.0, 0.0, 3.0), -3.0, 0.1)]
    assert yaws[-1] == pytest.approx(-3.0)
    assert len(yaws) == math.ceil((2.0 * math.pi - 6.0) / 0.1)


def test_along_a_way_the_robot_looks_where_it_goes():
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    poses = list(followed(Pose2(0.0, 0.0, math.pi), corners, 0.05, 0.1))
    npt.assert_allclose(poses[-1].xy, [1.0, 1.0])
    places = np.array([p.xy for p in poses])
    steps = np.diff(places, axis=0)
    assert np.hypot(*steps.T).max() <= 0.05 + 1e-9
    moving = np.hypot(*steps.T) > 1e-9
    headings = np.array([p.yaw_rad for p in poses])[1:][moving]
    npt.assert_allclose(np.arctan2(*steps[moving].T[::-1]), headings, atol=1e-9)
    assert list(followed(Pose2(0.0, 0.0), np.zeros((2, 2)), 0.05, 0.1)) == []
