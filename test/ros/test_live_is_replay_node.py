# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The same messages over live topics and from a bag give the same entries, byte for byte."""

import sqlite3

from berm_ledger.simulation import BuildOptions, Intrusion, simulate_build, YardOptions
from berm_ledger.site_source import load_site
from ledger_kit import SMALL_SITE
from player_kit import Player
import pytest
from ros_kit import World

OPTIONS = BuildOptions(
    yard=YardOptions(soil_cell_m=0.02), most_loads=2, people_at_loads=(2,),
    intrusions=(Intrusion('remove', 0.004, station_m=0.2, after_load=2, mended=False),))


def entries_of(path):
    with sqlite3.connect(path) as books:
        return books.execute(
            'SELECT seq, stamp_ns, kind, berm, segment, data FROM entries ORDER BY seq').fetchall()


def play_live(context, site_file, books, events):
    """Keep books over topics."""
    from berm_ledger.ros.ledger import LedgerNode
    from rclpy.parameter import Parameter
    with World(context) as world:
        ledger = world.add(LedgerNode(context=context, parameter_overrides=[
            Parameter('site_file', value=str(site_file)),
            Parameter('books_file', value=str(books))]))
        assert ledger.start_by_itself()
        Player(world, ledger.pipeline.site,
               taken_pose_ns=lambda: ledger.pipeline.health.pose_ns).play(events)


def recorded(folder):
    """Record a build in a bag and keep its books by replay."""
    from berm_ledger.offline.bag_writer import write_bag
    from berm_ledger.offline.replay import BagOptions, replay
    site_file = folder / 'site.yaml'
    site_file.write_text(SMALL_SITE)
    events = list(simulate_build(load_site(site_file).site, seed=5, options=OPTIONS))
    write_bag(folder / 'bag', events)
    replay([folder / 'bag'], site_file, folder / 'out', BagOptions())
    return site_file, events, entries_of(folder / 'out' / 'books.sqlite')


def test_live_and_replay_write_the_same_entries(ros_context, tmp_path):
    pytest.importorskip('rosbags')
    site_file, events, expected = recorded(tmp_path)

    play_live(ros_context, site_file, tmp_path / 'live.sqlite', events)

    kinds = {entry[2] for entry in expected}
    assert {'datum', 'dump', 'reading', 'rise', 'disturbed', 'hold'} <= kinds
    assert entries_of(tmp_path / 'live.sqlite') == expected
