# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A site surveyed in other coordinates is the same site: moving file and map moves nothing."""

import math

from berm_ledger.design import Plane
from berm_ledger.design.placed import plane_in_map
from berm_ledger.design.site_file import site_from_text
from berm_ledger.design.summary import check_lines
from berm_ledger.errors import SiteFileError
from berm_ledger.geometry import Pose2
from design_kit import CONFIG, edited, with_key
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
from numpy.testing import assert_allclose
import pytest
import yaml

FILES = ('demo_site.yaml', 'arc_site.yaml', 'ring_site.yaml', 'two_berms_site.yaml')
# Single survey coordinates reach this far (UTM northings).
FAR_M = 1.0e7


def surveyed(site, x_m, y_m, yaw_deg):
    """Return the values of a site file with all coordinates as surveyed elsewhere."""
    turn = Pose2(x_m, y_m, math.radians(yaw_deg))

    def points(corners):
        return turn.apply(corners).tolist()

    out = {**site, 'site_from_map': {'x_m': x_m, 'y_m': y_m, 'yaw_deg': yaw_deg}}
    out['berms'] = []
    for described in site['berms']:
        berm = dict(described)
        for key in ('arc', 'centreline'):
            arc = berm.get('arc') or (
                berm[key].get('arc') if isinstance(berm.get(key), dict) else None)
            if arc and key in berm:
                moved = {**arc, 'centre': points([arc['centre']])[0],
                         'from_deg': (arc['from_deg'] + yaw_deg) % 360.0}
                berm[key] = moved if key == 'arc' else {'arc': moved}
        if isinstance(berm.get('centreline'), list):
            berm['centreline'] = points(berm['centreline'])
        out['berms'].append(berm)
    yard = site['yard']
    out['yard'] = {'boundary': points(yard['boundary'])}
    for key in ('keep_outs', 'borrow_areas'):
        if key in yard:
            out['yard'][key] = [
                {**area, 'polygon': points(area['polygon'])} for area in yard[key]]
    if isinstance(site.get('datum'), dict):
        a, b, c = site['datum']['plane']
        cos, sin = math.cos(turn.yaw_rad), math.sin(turn.yaw_rad)
        slope = (cos * a - sin * b, sin * a + cos * b)
        out['datum'] = {'plane': [*slope, c - slope[0] * x_m - slope[1] * y_m]}
    return out


@pytest.mark.parametrize('name', FILES)
@settings(max_examples=8)
@given(x_m=st.floats(-5e6, 5e6), y_m=st.floats(-5e6, 5e6), yaw_deg=st.floats(-180.0, 180.0))
def test_the_same_yard_in_other_coordinates_is_the_same_site(name, x_m, y_m, yaw_deg):
    text = (CONFIG / name).read_text(encoding='utf-8')
    site = site_from_text(text, name)
    moved = site_from_text(
        yaml.safe_dump(surveyed(yaml.safe_load(text), x_m, y_m, yaw_deg)), name)

    def same(one, other):
        assert_allclose(one, other, rtol=0, atol=1e-7)

    assert moved.frame == site.frame
    for one, other in zip(moved.berms, site.berms):
        same(one.centreline.points_xy, other.centreline.points_xy)
        assert one.centreline.closed == other.centreline.closed
    same(moved.yard.boundary.corners_xy, site.yard.boundary.corners_xy)
    for key in ('keep_outs', 'borrow_areas'):
        for one, other in zip(getattr(moved.yard, key), getattr(site.yard, key)):
            same(one.polygon.corners_xy, other.polygon.corners_xy)
    same(moved.rover.footprint.corners_xy, site.rover.footprint.corners_xy)
    assert moved.rover.drop_point_xy == site.rover.drop_point_xy
    if site.datum_plane is not None:
        points = [[0.0, 0.0], [3.0, -2.0], [-1.0, 5.0]]
        # A slope of rounding error over ten thousand kilometres.
        assert_allclose(moved.datum_plane.height_m(points), site.datum_plane.height_m(points),
                        rtol=0, atol=FAR_M * 1e-14)


def test_the_turn_is_counter_clockwise_and_the_origin_is_the_map_s():
    # REP 103. The map's origin lies at (10, 20); its x axis points along y of the file: what is
    # at (10, 21) in the file is one metre ahead of the origin, what is at (9, 20) to its left.
    text = with_key('root', 'site_from_map: {x_m: 10, y_m: 20, yaw_deg: 90}').replace(
        '[[0, 0], [2, 0]]', '[[10, 21], [9, 20]]').replace(
        '[[-3, -3], [5, -3], [5, 3], [-3, 3]]', '[[5, 15], [15, 15], [15, 25], [5, 25]]')
    site = site_from_text(text, 's.yaml')
    assert_allclose(site.berms[0].centreline.points_xy, [[1, 0], [0, 1]], atol=1e-12)
    assert site.site_from_map == Pose2(10.0, 20.0, math.pi / 2)
    shown = ' '.join(' '.join(check_lines(site)).split())
    assert 'the origin of map lies at 10.000, 20.000 m in the coordinates of the file' in shown


@given(a=st.floats(-1, 1), b=st.floats(-1, 1), c=st.floats(-10, 10), x=st.floats(-100, 100),
       y=st.floats(-100, 100), yaw=st.floats(-3, 3))
def test_a_plane_has_the_same_height_at_the_same_place(a, b, c, x, y, yaw):
    plane, site_from_map = Plane(a, b, c), Pose2(x, y, yaw)
    points_map = np.array([[0.0, 0.0], [1.0, 2.0], [-7.0, 3.0]])
    assert_allclose(plane_in_map(plane, site_from_map).height_m(points_map),
                    plane.height_m(site_from_map.apply(points_map)), atol=1e-9)


def test_without_it_the_file_is_in_the_frame():
    assert site_from_text(edited(), 's.yaml').site_from_map is None


@pytest.mark.parametrize(('value', 'said'), [
    ('{x_m: 1, y_m: 2}', r'site_from_map\.yaw_deg.*missing'),
    ('{x_m: .nan, y_m: 2, yaw_deg: 0}', r'site_from_map\.x_m'),
    ('{x_m: 1, y_m: 2, yaw_deg: 400}', r'site_from_map\.yaw_deg.*360'),
    ('{x_m: 1, y_m: 2, yaw_deg: 0, z_m: 1}', r'site_from_map\.z_m'),
    ('[1, 2, 3]', 'site_from_map'),
    ('{x_m: 1.0e+9, y_m: 2, yaw_deg: 0}', r'site_from_map\.x_m'),
])
def test_a_transform_that_is_none_is_a_fault(value, said):
    with pytest.raises(SiteFileError, match=said):
        site_from_text(with_key('root', f'site_from_map: {value}'), 's.yaml')
