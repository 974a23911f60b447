# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""People and machines in the simulated yard."""

import math

from berm_ledger.geometry import Polygon, Polyline, Pose2
from berm_ledger.simulation import crossing, OwnBody, ParkedRobot, Person
import numpy as np
import numpy.testing as npt
import pytest
from simulation_kit import straight

LINE = Polyline([[0.0, 0.0], [4.0, 0.0]])


def test_a_person_walks_along_the_line_and_is_gone_afterwards():
    person = Person(LINE, start_s=10.0, speed_m_s=0.5, width_m=0.4, tall_m=1.7)
    places = np.array([[1.0, 0.0], [1.0, 0.15], [1.0, 0.25], [2.0, 0.0]])
    npt.assert_allclose(person.height_m(places, 12.0), [1.7, 0.82 * 1.7, 0.0, 0.0])
    npt.assert_allclose(person.height_m(places, 14.0), [0.0, 0.0, 0.0, 1.7])
    for time_s in (9.9, 18.1):
        assert not person.height_m(places, time_s).any()


def test_somebody_crosses_the_berm_where_told():
    person = crossing(LINE, 1.5, 5.0)
    halfway_s = 5.0 + 1.6 / person.speed_m_s
    assert person.height_m(np.array([1.5, 0.0]), halfway_s) == pytest.approx(1.7)
    _, offset = LINE.station_offset(person.path.points_xy)
    assert offset[0] < -1.0 < 1.0 < offset[1]


def test_a_parked_robot_stands_in_its_outline():
    robot = ParkedRobot(
        Pose2(1.0, 1.0, math.pi / 2.0),
        Polygon([[-0.4, -0.1], [0.4, -0.1], [0.4, 0.1], [-0.4, 0.1]]))
    heights = robot.height_m(np.array([[1.0, 1.3], [1.3, 1.0]]), 0.0)
    assert heights.tolist() == [0.35, 0.0]


def test_the_own_drum_hangs_over_the_drop_point():
    body = OwnBody(straight().rover, Pose2(2.0, 0.0, math.pi))
    places = np.array([[2.0, 0.0], [1.25, 0.0], [1.25, 0.17], [1.25, 0.19], [1.45, 0.0]])
    npt.assert_allclose(body.height_m(places, 0.0), [0.30, 0.45, 0.45, 0.0, 0.0])
