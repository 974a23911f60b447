# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where loads come to lie against the drop point: by hand, by chance, and in whole builds."""

from dataclasses import replace
import math
from pathlib import Path

from berm_ledger.books.accounts import DumpRecord
from berm_ledger.books.landings import (
    drop_point_error,
    drop_point_text,
    loads_text,
    unmeasured_text,
)
from berm_ledger.design import Site
from berm_ledger.geometry import Pose2
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import BuildOptions, NOISE_PRESETS, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from disturbance_kit import feed
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest

DEMO = Path(__file__).resolve().parents[2] / 'config' / 'demo_site.yaml'
NAN = math.nan


def dumps_off(ahead_m, left_m, *, count=12, spread_m=0.0, seed=0):
    """Return loads that came to lie off the drop point of a robot that stands anyhow."""
    rng = np.random.default_rng(seed)
    out = []
    for seq in range(count):
        pose = Pose2(*rng.uniform(-5.0, 5.0, 2), rng.uniform(-math.pi, math.pi))
        (x_m, y_m), (rise_x_m, rise_y_m) = pose.apply(np.array([
            [0.9, 0.0], np.array([0.9 + ahead_m, left_m]) + rng.normal(0.0, spread_m, 2)]))
        out.append(DumpRecord(seq, seq, 6.0, x_m, y_m, pose.yaw_rad,
                              rise_x_m=rise_x_m, rise_y_m=rise_y_m))
    return out


@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
def test_however_the_robot_stands_it_is_told_in_its_own_frame(ahead_m, left_m) -> None:
    error = drop_point_error(dumps_off(ahead_m, left_m))
    assert (error.ahead_m, error.left_m) == pytest.approx((ahead_m, left_m), abs=1e-9)
    assert error.loads == 12


@pytest.mark.parametrize(('ahead_m', 'left_m', 'words'), [
    (0.15, 0.0, '0.15 m ahead of drop_point'), (-0.2, 0.0, '0.20 m behind drop_point'),
    (0.0, 0.1, '0.10 m to the left of drop_point'),
    (-0.12, -0.08, '0.12 m behind and 0.08 m to the right of drop_point')])
def test_words_say_where_they_lie(ahead_m, left_m, words) -> None:
    assert words in drop_point_text(dumps_off(ahead_m, left_m))


def test_little_few_and_unknown_are_not_told() -> None:
    assert drop_point_text(dumps_off(0.04, -0.04)) == ''
    assert drop_point_error(dumps_off(0.2, 0.0, count=7)) is None
    unknown = [replace(dump, rise_x_m=NAN, rise_y_m=NAN) for dump in dumps_off(0.2, 0.0)]
    assert drop_point_error(unknown) is None
    # Only the last ones count: a drop point that was set right is forgiven.
    assert drop_point_text([*dumps_off(0.2, 0.0), *dumps_off(0.0, 0.0, count=20)]) == ''


def test_loads_that_scatter_are_hardly_ever_told_of() -> None:
    """Single loads scatter by 60 mm in simulated builds; told is four standard errors."""
    told = [bool(drop_point_text(dumps_off(0.0, 0.0, spread_m=0.06, seed=n, count=20)))
            for n in range(200)]
    assert sum(told) <= 2
    assert all(drop_point_text(dumps_off(0.15, 0.0, spread_m=0.06, seed=n, count=20))
               for n in range(50))


def test_what_is_stated_is_how_far_the_median_of_loads_really_scatters() -> None:
    """Of normal values; 20 of them, of which the scaled median deviation tells 5 % too little."""
    errors = [drop_point_error(dumps_off(0.1, 0.0, spread_m=0.06, seed=n, count=20))
              for n in range(400)]
    for found, stated in (
            ([error.ahead_m for error in errors], [error.ahead_se_m for error in errors]),
            ([error.left_m for error in errors], [error.left_se_m for error in errors])):
        assert np.mean(stated) == pytest.approx(np.std(found), rel=0.12)


def booked(site: Site, believed: Site) -> tuple[list[str], str, Pipeline]:
    """Build with one site and keep the books by another; return findings and the last word."""
    build = SimulatedBuild(site, seed=1, options=BuildOptions(
        yard=YardOptions(noise=NOISE_PRESETS['drifting']), most_loads=14))
    pipeline = Pipeline(believed)
    texts = [finding.text for event in build.events()
             for finding in feed(pipeline, event).findings
             if finding.code == 'drop_point_off']
    return texts, drop_point_text(pipeline.books.dumps), pipeline


def test_a_build_with_a_wrong_drop_point_says_so_once_and_a_right_one_nothing() -> None:
    site = load_site(str(DEMO)).site
    x_m, y_m = site.rover.drop_point_xy
    wrong = replace(site, rover=replace(site.rover, drop_point_xy=(x_m + 0.15, y_m)))
    texts, last, pipeline = booked(site, wrong)
    assert len(texts) == 1
    assert 'behind drop_point' in texts[0]
    assert 'behind drop_point' in last
    error = drop_point_error(pipeline.books.dumps)
    assert error.ahead_m == pytest.approx(-0.15, abs=0.05)
    assert error.left_m == pytest.approx(0.0, abs=0.03)
    texts, last, _ = booked(site, site)
    assert (texts, last) == ([], '')


def loads(volumes_m3, **changes):
    """Return loads on a berm with such rises."""
    return [DumpRecord(seq, seq, 6.0, 0.0, 0.0, 0.0, **{
        'berm': 'west', 'volume_m3': volume_m3, **changes})
        for seq, volume_m3 in enumerate(volumes_m3)]


def test_load_after_load_that_is_not_measured_is_told() -> None:
    assert unmeasured_text(loads([0.004] + [NAN] * 6)) == ''
    assert unmeasured_text(loads([0.004] + [NAN] * 7)).startswith('5 loads running could not be')
    assert loads_text(loads([NAN] * 9)).startswith('7 loads running could not be measured')


def test_loads_that_are_measured_again_or_fell_beside_the_berm_are_not() -> None:
    assert unmeasured_text(loads([NAN] * 9 + [0.004])) == ''
    assert unmeasured_text(loads([NAN] * 9 + [0.004, NAN, NAN])) == ''
    assert unmeasured_text(loads([NAN] * 9, stray=True)) == ''
    assert unmeasured_text(loads([NAN] * 9, berm=None)) == ''
    assert unmeasured_text([]) == ''
