# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""One message into the pipeline: what is handed on, and what becomes of rubbish."""

import math
from types import SimpleNamespace

from berm_ledger.errors import MessageError
from berm_ledger.ros import feed as feed_module
from berm_ledger.ros.feed import feed
import pytest


class FakePipeline:

    def add_pose(self, pose):
        return ('pose', pose)

    def add_dump(self, mass_kg):
        return ('dump', mass_kg)

    def add_grid(self, grid):
        return ('grid', grid)

    def refuse_unread(self, role, fault, stamp_ns):
        return (role, fault, stamp_ns)


def header(sec=7, nanosec=5):
    return SimpleNamespace(stamp=SimpleNamespace(sec=sec, nanosec=nanosec), frame_id='map')


@pytest.mark.parametrize('mass', [7.5, math.nan, -1.0])
def test_a_dump_is_handed_on_whatever_it_weighs(mass):
    kind, value = feed(FakePipeline(), 'dump', SimpleNamespace(data=mass))

    assert kind == 'dump'
    assert value == pytest.approx(mass, nan_ok=True)


def test_the_layer_goes_to_grid_maps_only(monkeypatch):
    monkeypatch.setattr(feed_module, 'grid_from_grid_map', lambda msg, layer: ('map', layer))
    monkeypatch.setattr(feed_module, 'grid_from_point_cloud', lambda msg: 'cloud')

    grid_map = SimpleNamespace(layers=['ground'])
    assert feed(FakePipeline(), 'elevation', grid_map, layer='ground') == (
        'grid', ('map', 'ground'))
    assert feed(FakePipeline(), 'elevation', SimpleNamespace(fields=[])) == ('grid', 'cloud')


@pytest.mark.parametrize(('msg', 'stamp_ns'), [
    (SimpleNamespace(header=header()), 7_000_000_005),
    (SimpleNamespace(header=header(nanosec=10 ** 9)), 0),
    (SimpleNamespace(), 0),
])
def test_what_cannot_be_read_is_refused_with_its_role_and_stamp(monkeypatch, msg, stamp_ns):
    def broken(_msg):
        text = 'no field z'
        raise MessageError(text)

    monkeypatch.setattr(feed_module, 'grid_from_point_cloud', broken)

    assert feed(FakePipeline(), 'elevation', msg) == ('elevation', 'no field z', stamp_ns)


def test_a_drum_current_is_handed_on():
    pipeline = FakePipeline()
    pipeline.add_drum_current = lambda current_a: ('current', current_a)
    assert feed(pipeline, 'drum_current', SimpleNamespace(data=2.5)) == ('current', 2.5)
