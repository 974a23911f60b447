# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A dump against the target handed out before it."""

from dataclasses import replace
import math

from berm_ledger.findings import Severity
from berm_ledger.geometry import Pose2, StampedPose
from berm_ledger.targeting.landing import landing_finding, landing_off_m, Landings
from berm_ledger.targeting.values import NoTarget
from hypothesis import given
from hypothesis import strategies as st
import pytest
from targeting_kit import bare_rows, choose_target, rover_of, site_of, straight

SITE = site_of(straight(2.0), rover=rover_of(drop=(0.7, 0.1), drum_width_m=0.36))
TARGET = choose_target(SITE, bare_rows(SITE), None, None)


def at(pose):
    return StampedPose(7, 'map', pose)


def test_a_dump_from_the_pose_of_the_target_is_on_it():
    finding = landing_finding(TARGET, at(TARGET.pose), SITE.rover)
    assert (finding.code, finding.severity, finding.stamp_ns) == ('on_target', Severity.NOTE, 7)
    assert landing_off_m(TARGET, at(TARGET.pose), SITE.rover) == pytest.approx(0.0, abs=1e-12)


def test_the_distance_is_that_of_the_load_from_the_target():
    # From here it falls at (1, 2): 3, 4, 5.
    target = replace(TARGET, drop_xy=(4.0, -2.0))
    assert landing_off_m(target, at(Pose2(0.3, 1.9, 0.0)), SITE.rover) == pytest.approx(5.0)


@pytest.mark.parametrize(('off_m', 'code'), [(0.17, 'on_target'), (0.19, 'off_target')])
def test_more_than_half_a_drum_width_is_far(off_m, code):
    pose = TARGET.pose @ Pose2(0.6 * off_m, 0.8 * off_m)
    finding = landing_finding(TARGET, at(pose), SITE.rover)
    assert finding.code == code
    assert f'landed {off_m:.2f} m from the target handed out, west segment 1' in finding.text
    assert (finding.severity == Severity.WARNING) == (code == 'off_target')


def test_a_dump_told_again_is_no_load_and_uses_up_no_target():
    landings, second_ns = Landings(), 1_000_000_000

    def add_dump(stamp_s, pose):
        return landings.add_dump(None, StampedPose(stamp_s * second_ns, 'map', pose), SITE.rover)

    there = TARGET.pose @ Pose2(0.5, 0.0)
    landings.hand_out(TARGET)
    assert add_dump(10, TARGET.pose)
    landings.hand_out(TARGET)
    # Each telling begins the five seconds anew.
    assert not any(add_dump(stamp_s, there) for stamp_s in (10, 14, 18))
    assert (landings.last.code, landings.last.stamp_ns) == ('on_target', 10 * second_ns)
    assert add_dump(23, there)
    assert (landings.last.code, landings.last.stamp_ns) == ('off_target', 23 * second_ns)


def test_the_first_dump_after_the_clock_was_set_back_is_another_load():
    landings, minute_ns = Landings(), 60_000_000_000
    landings.hand_out(TARGET)
    assert landings.add_dump(None, StampedPose(20 * minute_ns, 'map', TARGET.pose), SITE.rover)
    landings.hand_out(TARGET)
    far = StampedPose(10 * minute_ns, 'map', TARGET.pose @ Pose2(0.5, 0.0))
    assert landings.add_dump(None, far, SITE.rover)
    assert (landings.last.code, landings.last.stamp_ns) == ('off_target', 10 * minute_ns)


def test_a_dump_that_followed_no_target_is_told_too():
    landings = Landings()
    assert not landings.add_dump(None, at(TARGET.pose), SITE.rover)
    assert not landings.add_dump(TARGET, at(TARGET.pose @ Pose2(0.5, 0.0)), SITE.rover)
    assert not landings.add_dump(TARGET, None, SITE.rover)
    assert landings.last is None


def test_the_target_last_handed_out_counts_though_none_could_be_since():
    landings, other = Landings(), replace(TARGET, drop_xy=(9.0, 9.0))
    landings.hand_out(TARGET)
    landings.hand_out(NoTarget('stale', 'the pose is old'))
    assert landings.add_dump(other, at(TARGET.pose), SITE.rover)
    assert landings.last.code == 'on_target'


@given(st.floats(-math.pi, math.pi), st.floats(-2.0, 2.0), st.floats(-2.0, 2.0))
def test_the_distance_is_that_of_the_drop_points(turn, dx, dy):
    # Turned on the spot the drop point goes along a chord: 2 r sin(turn / 2).
    pose = TARGET.pose @ Pose2(0.0, 0.0, turn)
    chord = 2.0 * math.hypot(0.7, 0.1) * abs(math.sin(0.5 * turn))
    assert landing_off_m(TARGET, at(pose), SITE.rover) == pytest.approx(chord, abs=1e-9)
    moved = replace(TARGET.pose, x_m=TARGET.pose.x_m + dx, y_m=TARGET.pose.y_m + dy)
    assert landing_off_m(TARGET, at(moved), SITE.rover) == pytest.approx(
        math.hypot(dx, dy), abs=1e-9)
