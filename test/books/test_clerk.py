# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the clerk writes: places, parts of a change, restarts in the middle of things."""

from collections import Counter
import math
from typing import Any

from berm_ledger.books.booking import (
    change_data,
    reading_data,
    rise_data,
    rounded,
    says_something_new,
    SEEN_NS,
)
from berm_ledger.books.bookkeeper import Bookkeeper
from berm_ledger.books.changes import Change
from berm_ledger.books.clerk import Clerk
from berm_ledger.books.places import place_at
from berm_ledger.books.rises import DumpWatch, Landing, Rise
from berm_ledger.design import Site
from berm_ledger.geometry import Pose2
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import Intrusion
from berm_ledger.survey.readings import Reading
from berm_ledger.survey.site_survey import SiteSurvey
from disturbance_kit import demo_site, Watched, WEST
import numpy as np
import pytest


@pytest.fixture(scope='module')
def site() -> Site:
    """Return the site of the demo."""
    return demo_site()


@pytest.fixture(scope='module')
def finished(site: Site) -> Watched:
    """Return a watched berm as designed; tests spoil copies of it."""
    return Watched(site, seed=8)


def restarted(watched: Watched) -> None:
    """Stop and go on from what a journal holds."""
    watched.take(watched.pipeline.finish())
    watched.pipeline = Pipeline(
        watched.yard.site, entries=watched.entries, surfaces=watched.surfaces.values())


@pytest.mark.parametrize(('name', 'value', 'booked'), [
    ('height_m', 0.1234567, 0.12346), ('volume_m3', 1.23456789e-4, 0.0001235),
    ('mass_kg', 7.12345, 7.123), ('yaw_rad', -1e-9, 0.0), ('at_grade', 0.123456, 0.1235),
    ('height_m', math.nan, None), ('mass_kg', math.inf, None)])
def test_figures_are_rounded_as_the_books_hold_them(
    name: str, value: float, booked: float | None
) -> None:
    """Metres to 1e-5, volumes to 1e-7, kilograms to 1e-3, shares to 1e-4; unknown is null."""
    assert rounded(name, value) == booked
    assert str(rounded(name, value)) == str(booked)


def test_a_reading_says_something_new_by_more_than_it_is_worth() -> None:
    """Half a millimetre of height does, less does not; known after unknown does."""
    still = Reading(0, 0.1, 0.002, 0.09, 0.11, 1.0, 1.0, 0.0, 0.02, 0.001, 0.0, 0.0, 0.0)
    unseen = still._replace(height_m=math.nan)
    old, blank = reading_data(still), reading_data(unseen)
    assert not says_something_new(old, still._replace(height_m=0.1004, spilled_m3=1.0))
    assert says_something_new(old, still._replace(height_m=0.1006))
    assert says_something_new(old, still._replace(missing_m3=0.0002))
    assert says_something_new(blank, still)
    assert says_something_new(old, unseen)
    assert not says_something_new(blank, unseen)


def test_standing_soil_is_booked_seldom_and_its_age_stays_true(finished: Watched) -> None:
    """Looks of noise alone: all segments named twice a minute, figures now and then; no more."""
    watched = finished.copy()
    since, count = watched.seq, len(watched.pipeline.books.rows)
    watched.look(2)
    for turn in range(5):
        watched.look(30, 2.0)
        for row in watched.pipeline.books.rows:
            assert watched.pipeline.stamp_ns - row.last_seen_ns <= SEEN_NS, (turn, row.segment)
    news = Counter(e.kind for e in watched.entries if e.seq > since)
    assert set(news) - {'map_shift'} == {'reading', 'seen'}
    assert count <= news['reading'] <= 6 * count
    assert 8 <= news['seen'] <= 10
    restarted(watched)
    since = watched.seq
    watched.look(2)
    assert watched.seq - since <= 2


def test_a_change_is_parted_by_volume_and_loses_nothing(site: Site) -> None:
    """Cells of two segments, twice as deep on one; a third with a hint of it is not named."""
    survey = SiteSurvey(site)
    area = survey.area
    segment = area.corridor.segment_index
    middle = area.in_corridor & (np.abs(area.corridor.offset_m) < 0.1)
    cells = np.concatenate([np.flatnonzero(middle & (segment == row))[:count]
                            for row, count in ((1, 200), (2, 200), (3, 10))])
    depth = np.array([-0.02] * 200 + [-0.01] * 200 + [-0.01] * 10)
    lost = -float(depth.sum()) * area.lattice.cell_area_m2
    change = Change('disturbed', cells, lost, 0.0, 5, 3, 2e-5, rise_m=depth)
    parts = change_data(change, survey, 9)
    assert [row for row, _ in parts] == [1, 2]
    assert sum(data['volume_m3'] for _, data in parts) == pytest.approx(lost, abs=2e-7)
    assert parts[0][1]['volume_m3'] == pytest.approx(2.0 * parts[1][1]['volume_m3'], rel=0.05)
    for row, data in parts:
        found = area.segments[row]
        assert found.station_from_m - 0.02 <= data['station_from_m'] <= data['station_to_m']
        assert data['station_to_m'] <= found.station_to_m + 0.02
        assert (data['first_seen_ns'], data['window_from_ns'], data['confirmed_ns']) == (5, 3, 9)


def test_shares_of_a_rise_name_the_segments_of_its_berm(site: Site) -> None:
    """Parts below a hundredth of a litre are not named."""
    area = SiteSurvey(site).area
    by_row = np.array([0.0, 0.003, 0.002, 0.000001, 0.0, 0.0])
    rise = Rise(Landing(4, 0, 0.0, 0.0, 0.005), 0.005, 0.0001, by_row, False)
    data = rise_data(rise, area, 'windward')
    assert data['shares'] == {'2': 0.003, '3': 0.002}
    assert data['dump_seq'] == 4


def test_a_dump_is_booked_where_its_load_lands(finished: Watched) -> None:
    """Station and offset of the drop point; beside the berm it is nobody's."""
    area = finished.pipeline.survey.area
    line = finished.yard.site.berms[0].centreline
    x_m, y_m = (float(v) for v in line.point_at(1.0, 0.05))
    place = place_at(area, x_m, y_m)
    assert (place.berm, place.segment) == ('windward', 3)
    assert place.station_m == pytest.approx(1.0, abs=1e-6)
    assert place.offset_m == pytest.approx(0.05, abs=1e-6)
    assert place_at(area, -2.5, -1.0).berm is None
    assert place_at(area, 1e6, 0.0).berm is None


def test_a_dump_open_at_a_restart_is_still_measured(finished: Watched) -> None:
    """Stopped right after the announcement, before any look at the heap."""
    watched = finished.copy()
    watched.dump_at(1.0, looks=0)
    restarted(watched)
    entries = watched.look(8)
    rise = next(e for e in entries if e.kind == 'rise')
    true = watched.yard.dumps[-1]['volume_m3']
    assert abs(rise.data['volume_m3'] - true) < 3.0 * rise.data['volume_se_m3']
    assert not watched.changes(rise.seq - 1)


@pytest.mark.parametrize(('period_s', 'asked'), [(1.0, 1), (12.0, 0)])
def test_a_load_is_asked_once_at_most_whether_it_is_short(
    finished: Watched, monkeypatch: pytest.MonkeyPatch, period_s: float, asked: int
) -> None:
    """It is measured for that; after looks at an empty drum nothing depends on it."""
    watched, measured, calls = finished.copy(), DumpWatch.measured, []
    watched.dump_at(1.0, looks=0)

    def counted(*args: Any) -> list[Rise]:
        calls.append(args)
        return measured(*args)

    monkeypatch.setattr(DumpWatch, 'measured', counted)
    booked = [entry.kind for entry in watched.look(6, period_s)]
    assert booked.count('rise') == 1
    assert len(calls) == asked + 1


def test_unaccounted_soil_is_not_booked_again_after_a_restart(finished: Watched) -> None:
    """What was booked once is known; an operator accepts it, then its loss is one."""
    watched = finished.copy()
    watched.yard.intrude(Intrusion('fill', 0.001, 0.8, 0.0))
    watched.look(10)
    assert [e.kind for e in watched.changes()][-1] == 'unbooked_fill'
    restarted(watched)
    since = watched.seq
    watched.look(12)
    assert watched.changes(since) == []
    watched.take(watched.pipeline.clear_rework())
    watched.yard.intrude(Intrusion('remove', 0.001, 0.8, 0.0))
    watched.look(6)
    found = [e for e in watched.changes(since) if e.kind == 'disturbed']
    assert sum(e.data['volume_m3'] for e in found) == pytest.approx(0.001, rel=0.15)


def test_one_hold_for_several_disturbances(finished: Watched) -> None:
    """A second hole while already on hold adds a record, not a second hold."""
    watched = finished.copy()
    since = watched.seq
    for station_m in (0.5, 1.7):
        watched.yard.intrude(Intrusion('remove', 0.001, station_m))
        watched.look(6)
    kinds = [e.kind for e in watched.changes(since)]
    assert kinds.count('hold') == 1
    assert kinds.count('disturbed') >= 2
    hold = next(e for e in watched.entries if e.kind == 'hold')
    assert 'people may be in the yard' in hold.data['text']


def test_what_the_rover_stood_on_is_no_unbooked_soil_later(finished: Watched) -> None:
    """The dump settles while the rover hides its near side; then the rover drives off."""
    watched = finished.copy()
    line = watched.yard.site.berms[0].centreline
    spot = line.point_at(1.1) - (0.75, 0.0)
    watched.yard.place(Pose2(float(spot[0]), float(spot[1]), 0.0))
    since = watched.seq
    watched.run(watched.yard.dump())
    watched.look(20)
    watched.yard.place(WEST)
    watched.look(20)
    assert watched.changes(since) == []
    assert [e.kind for e in watched.entries if e.seq > since].count('rise') == 1


def test_both_watches_look_at_the_cells_on_one_canvas(site: Site) -> None:
    """Where each cell lies is held once; the watch of losses has a smaller one of its own."""
    keeper = Bookkeeper(site, ())
    clerk = Clerk(SiteSurvey(site), keeper, keeper.books)
    assert clerk.changes.whole is clerk.dumps.canvas
