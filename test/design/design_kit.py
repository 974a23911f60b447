# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Small sites, as values and as text, for the tests of the design room."""

from dataclasses import replace
import math
from pathlib import Path

from berm_ledger.design import Berm, Material, Plane, Rover, Site, Yard
from berm_ledger.design.site_file import site_from_text
from berm_ledger.errors import SiteFileError
from berm_ledger.geometry import Polygon, Polyline
import pytest

CONFIG = Path(__file__).resolve().parents[2] / 'config'
EXAMPLES = sorted(CONFIG.glob('*.yaml'))

# Lines are counted in the tests: keep them where they are.
TEXT = """\
format: 1
frame: map
berms:
  - name: west
    centreline: [[0, 0], [2, 0]]
    crest_height_m: 0.15
    side_slope_deg: 33
    segment_length_m: 0.4
    height_tolerance_m: 0.02
    line_tolerance_m: 0.06
material:
  loose_density_kg_m3: 1500
  repose_deg: 33
rover:
  footprint: [[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]]
  drop_point: [0.75, 0.0]
  drum_width_m: 0.36
  payload_kg: 8
  turning_radius_m: 1.0
  run_up_m: 0.5
yard:
  boundary: [[-3, -3], [5, -3], [5, 3], [-3, 3]]
"""


def edited(*changes):
    """Return the text with each (old, new) put in; the old must be there once."""
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def with_key(block, line):
    """Return the text with one more line in the berm, another block or the root."""
    place = {'berms': '    line_tolerance_m: 0.06\n', 'rover': '  run_up_m: 0.5\n',
             'material': '  repose_deg: 33\n', 'root': 'frame: map\n',
             'yard': '  boundary: [[-3, -3], [5, -3], [5, 3], [-3, 3]]\n'}[block]
    indent = {'berms': '    ', 'root': ''}.get(block, '  ')
    return edited((place, f'{place}{indent}{line}\n'))


def without(key):
    """Return the text without the line of a key."""
    lines = [line for line in TEXT.splitlines() if not line.strip().startswith(f'{key}:')]
    assert len(lines) == len(TEXT.splitlines()) - 1
    return '\n'.join(lines)


def site_of_text(text):
    return site_from_text(text, 'site.yaml')


def faults_of(text):
    """Return the faults of a text that must have some."""
    with pytest.raises(SiteFileError) as caught:
        site_from_text(text, 'site.yaml')
    assert caught.value.source == 'site.yaml'
    assert all(str(caught.value).count(fault) for fault in caught.value.faults)
    return list(caught.value.faults)


def berm_of(line, *, name='west', height_m=0.15, level_m=None, width_m=0.0, slope_deg=33.0,
            segment_m=0.4):
    return Berm(name, line, None if level_m is not None else height_m, level_m, width_m,
                math.radians(slope_deg), segment_m, 0.02, 0.06)


def site_of(*berms, plane=None, cell_m=0.015, payload_kg=8.0):
    rover = Rover(Polygon([[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]]), (0.75, 0.0),
                  0.36, payload_kg, 1.0, 0.5, 0.05)
    yard = Yard(Polygon([[-50, -50], [50, -50], [50, 50], [-50, 50]]))
    return Site('map', berms, Plane(*plane) if plane else None,
                Material(1500.0, math.radians(34.0)), rover, yard, cell_m=cell_m)


def moved_site(site, motion):
    """Return the site with its berms moved by a pose."""
    return replace(site, berms=tuple(
        replace(berm, centreline=Polyline(
            motion.apply(berm.centreline.points_xy), berm.centreline.closed))
        for berm in site.berms))


def closed_form_volume_m3(length_m, height_m, side_slope_rad, crest_width_m=0.0, *, closed=False):
    """
    Return the volume [m3] of a berm on level ground along a straight line or an arc.

    With section area A = H w + H^2 / t, t = tan(s), and round ends, two halves of a truncated
    cone: a cylinder of radius w / 2 and a skirt h(u) = H - t u around it, which is the integral
    of 2 pi (w / 2 + u) h(u) from 0 to H / t::

        V = L A + pi w^2 H / 4 + pi w H^2 / (2 t) + pi H^3 / (3 t^2)

    For an arc L is radius times sweep (Pappus: the centroid of the section lies over the
    centreline), as long as the toe stays outside the centre of the arc. A ring has no ends.
    """
    t, w, h = math.tan(side_slope_rad), crest_width_m, height_m
    body = length_m * (h * w + h * h / t)
    if closed:
        return body
    return body + math.pi * (w * w * h / 4 + w * h * h / (2 * t) + h ** 3 / (3 * t * t))
