# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The same messages over live topics and from a bag give the same entries, byte for byte."""

import json
from pathlib import Path
import sqlite3

from berm_ledger.simulation import (
    BorrowOptions,
    BuildOptions,
    Intrusion,
    SensorOptions,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.site_source import load_site
from ledger_kit import SMALL_SITE
from player_kit import Player
import pytest
from ros_kit import World

SPOILED = BuildOptions(
    yard=YardOptions(soil_cell_m=0.02), most_loads=2, people_at_loads=(2,),
    intrusions=(Intrusion('remove', 0.004, station_m=0.2, after_load=2, mended=False),))
DUG = BuildOptions(
    yard=YardOptions(
        soil_cell_m=0.02, pose_rate_hz=1.0, grid_period_s=3.0, dig_s=6.0, weighed=False,
        sensor=SensorOptions(size_m=4.4, cell_m=0.035),
        borrow=BorrowOptions(partial_loads=(2,))),
    most_loads=2, final_looks=2)
DEMO_SITE = Path(__file__).resolve().parents[2] / 'config' / 'demo_site.yaml'


def entries_of(path):
    with sqlite3.connect(path) as books:
        return books.execute(
            'SELECT seq, stamp_ns, kind, berm, segment, data FROM entries ORDER BY seq').fetchall()


def play_live(context, site_file, books, events):
    """Keep books over topics; return the last messages about the borrow side."""
    from berm_ledger.ros.ledger import LedgerNode
    from berm_ledger.ros.wire import latched_qos, message_class
    from rclpy.parameter import Parameter
    heard = {}
    with World(context) as world:
        ledger = world.add(LedgerNode(context=context, parameter_overrides=[
            Parameter('site_file', value=str(site_file)),
            Parameter('books_file', value=str(books))]))
        assert ledger.start_by_itself()
        player = Player(
            world, ledger.pipeline.site, taken_pose_ns=lambda: ledger.pipeline.health.pose_ns,
            taken_currents=lambda: ledger.pipeline.health.counters.get('drum_currents', 0))
        for name, kind in (('borrow', 'diagnostic_msgs/msg/DiagnosticArray'),
                           ('borrow_pose', 'geometry_msgs/msg/PoseStamped')):
            player.node.create_subscription(
                message_class(kind), name, lambda msg, name=name: heard.update({name: msg}),
                latched_qos())
        player.play(events)
        loads = ledger.pipeline.borrow.loads
        if loads:
            told = f'{loads[-1].mass_kg:.2f}'
            world.until(lambda: len(heard) == 2 and values_of(heard['borrow'])['load_kg'] == told)
    return heard


def values_of(msg):
    """Return the values of the first status of a message of the topic borrow."""
    return {value.key: value.value for value in msg.status[0].values}


def recorded(folder, text, options):
    """Record a build in a bag and keep its books by replay."""
    from berm_ledger.offline.bag_writer import write_bag
    from berm_ledger.offline.bags import BagOptions
    from berm_ledger.offline.replay import replay
    site_file = folder / 'site.yaml'
    site_file.write_text(text)
    events = list(SimulatedBuild(load_site(site_file).site, seed=5, options=options).events())
    write_bag(folder / 'bag', events)
    replay([folder / 'bag'], site_file, folder / 'out', BagOptions())
    return site_file, events, entries_of(folder / 'out' / 'books.sqlite')


def test_live_and_replay_write_the_same_entries(ros_context, tmp_path):
    pytest.importorskip('rosbags')
    site_file, events, expected = recorded(tmp_path, SMALL_SITE, SPOILED)

    play_live(ros_context, site_file, tmp_path / 'live.sqlite', events)

    kinds = {entry[2] for entry in expected}
    assert {'datum', 'dump', 'reading', 'rise', 'disturbed', 'hold'} <= kinds
    assert entries_of(tmp_path / 'live.sqlite') == expected


def test_the_borrow_side_live_is_that_of_the_replay(ros_context, tmp_path):
    """Lanes, drum currents and loads too; the topics tell of the last load and the next lane."""
    pytest.importorskip('rosbags')
    site_file, events, expected = recorded(tmp_path, DEMO_SITE.read_text(), DUG)

    heard = play_live(ros_context, site_file, tmp_path / 'live.sqlite', events)

    kinds = {entry[2] for entry in expected}
    assert {'borrow_datum', 'cut', 'load', 'balance'} <= kinds
    loads = [json.loads(entry[5]) for entry in expected if entry[2] == 'load']
    assert all(load['current_kg'] > 0.0 for load in loads)
    # The second load fills half of the drum.
    assert loads[1]['current_kg'] < 0.7 * loads[0]['current_kg']
    assert entries_of(tmp_path / 'live.sqlite') == expected
    values, pose = values_of(heard['borrow']), heard['borrow_pose'].pose
    lane = next(status for status in heard['borrow'].status if status.name == (
        f'borrow {values["next_area"]} lane {values["next_lane"]}'))
    begin = {value.key: value.value for value in lane.values}
    assert (f'{pose.position.x:.3f}', f'{pose.position.y:.3f}') == (begin['x_m'], begin['y_m'])
