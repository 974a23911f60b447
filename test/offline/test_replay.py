# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The parts of a replay: what became of the messages, batches, a bag that breaks off."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from berm_ledger.books import Entry, fold, State
from berm_ledger.errors import BagError
from berm_ledger.findings import Finding, Severity
from berm_ledger.geometry import Lattice
from berm_ledger.offline import replay as replaying
from berm_ledger.offline.bag_writer import write_bag
from berm_ledger.offline.bags import BagEvent, BagOptions, BagStream
from berm_ledger.offline.replay import (
    NO_GROUND,
    NO_SEGMENT,
    replay,
    Tally,
    Writer,
)
from berm_ledger.simulation import BuildOptions, SensorOptions, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from berm_ledger.survey.gaps import SPARSE_GRID, SPARSE_GRID_TEXT
from berm_ledger.survey.snapshot import NamedSurface
from berm_ledger.survey.standstill import STANDS_STILL, STANDS_STILL_TEXT
from berm_ledger.updates import Update
import numpy as np
import pytest
import yaml

ROOT = Path(__file__).resolve().parents[2]
SITE = ROOT / 'config' / 'shelter_site.yaml'


def refusal(code: str, text: str) -> Finding:
    return Finding(code, text, Severity.REFUSAL, 0)


def event(role: str, fault: str = '') -> BagEvent:
    return BagEvent(role, None, None if fault else 0.0, 0, fault)


def test_tally_counts_by_role_and_names_the_most_frequent_reason() -> None:
    tally = Tally()
    for _ in range(3):
        tally.note(event('elevation'), [refusal('wrong_frame', 'the grid is in odom')])
    tally.note(event('elevation'), [Finding('spikes', 'masked', Severity.WARNING, 0)])
    tally.note(event('elevation', 'no layer top'), [
        refusal('bad_message', 'elevation: no layer top')])
    tally.note(event('pose'), [refusal('wrong_frame', 'the pose is in odom')])
    assert tally.messages == {'elevation': 5, 'pose': 1}
    assert tally.used == {'elevation': 1, 'pose': 0}
    assert tally.why('elevation') == '3 of 5 elevation messages refused: the grid is in odom'
    assert tally.why('pose') == '1 of 1 pose messages refused: the pose is in odom'
    assert tally.why('dump') == ''
    assert tally.lines() == (
        '1 of 5 elevation messages refused: bad_message: no layer top',
        '3 of 5 elevation messages refused: wrong_frame: the grid is in odom',
        '1 of 1 pose messages refused: wrong_frame: the pose is in odom')


def test_tally_tells_of_grids_of_a_mapper_that_stands_still() -> None:
    tally = Tally()
    for code in ('', 'nothing_new', STANDS_STILL, STANDS_STILL):
        found = [Finding(code, 'the same', Severity.WARNING, 0)] if code else []
        tally.note(event('elevation'), found)
    assert tally.used == {'elevation': 4}
    assert tally.lines() == (
        f'2 of 4 elevation messages of no use: stands_still: {STANDS_STILL_TEXT}',)


def test_tally_tells_of_grids_that_are_too_sparse() -> None:
    tally = Tally()
    for codes in ([], [SPARSE_GRID], [SPARSE_GRID, STANDS_STILL]):
        tally.note(
            event('elevation'), [Finding(code, '', Severity.WARNING, 0) for code in codes])
    assert tally.used == {'elevation': 3}
    assert tally.lines() == (
        f'2 of 3 elevation messages of no use: sparse_grid: {SPARSE_GRID_TEXT}',
        f'1 of 3 elevation messages of no use: stands_still: {STANDS_STILL_TEXT}')


class Kept:
    """A journal that only remembers."""

    def __init__(self) -> None:
        self.appended: list[tuple[list[int], list[float]]] = []

    def append(self, entries: list[Entry], surfaces: tuple[NamedSurface, ...] = (),
               notes: object = None) -> None:
        self.appended.append((
            [entry.seq for entry in entries], [float(s.values[0, 0]) for s in surfaces]))


def layer(name: str, value: float) -> NamedSurface:
    return NamedSurface(name, 0, Lattice(0.0, 0.0, 1.0, 1, 1), np.array([[value]]))


def test_writer_keeps_order_and_only_the_last_of_each_layer(
        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replaying, 'BATCH', 3)
    journal = Kept()
    writer = Writer(journal)  # type: ignore[arg-type]
    for seq in range(1, 6):
        writer.add(Update((Entry(seq, 0, 'hold'),), (), (layer('a', seq),)))
    writer.add(Update((), (), (layer('b', 7.0),)))
    assert journal.appended == [([1, 2, 3], [])]
    writer.flush()
    assert journal.appended[1:] == [([4, 5], [5.0, 7.0])]


@pytest.fixture(scope='module')
def bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a bag of the survey before the first load."""
    options = BuildOptions(
        yard=YardOptions(sensor=SensorOptions(size_m=3.2, cell_m=0.04), soil_cell_m=0.02),
        most_loads=1, final_looks=1)
    path = tmp_path_factory.mktemp('bags') / 'bag'
    write_bag(path, SimulatedBuild(load_site(SITE).site, options=options).events())
    return path


def breaking_off(
        monkeypatch: pytest.MonkeyPatch, after: str) -> None:
    """Let every bag break off after the first message of a role."""
    whole = BagStream.__iter__

    def broken(stream: BagStream) -> Iterator[BagEvent]:
        for item in whole(stream):
            yield item
            if item.role == after:
                msg = 'the disk has gone'
                raise BagError(msg)
    monkeypatch.setattr(BagStream, '__iter__', broken)


def test_bag_that_breaks_off_gives_books_and_a_warning(
        bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    breaking_off(monkeypatch, 'dump')
    done = replay([bag], SITE, tmp_path / 'out', BagOptions())
    assert done.warnings[0] == 'the bag could not be read to its end: the disk has gone'
    assert done.summary['dumps'] == 1
    assert (tmp_path / 'out' / 'summary.json').is_file()


def test_bag_that_breaks_off_before_the_first_grid_is_an_error(
        bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    breaking_off(monkeypatch, 'pose')
    with pytest.raises(BagError, match=r'nothing to keep books of: the bag could not be read to '
                                       r'its end: the disk has gone'):
        replay([bag], SITE, tmp_path / 'out', BagOptions())
    assert list(tmp_path.iterdir()) == []


def test_site_of_another_yard_is_a_warning(bag: Path, tmp_path: Path) -> None:
    site = yaml.safe_load(SITE.read_text(encoding='utf-8'))
    yard = site['yard']
    for owner, key in ((site['berms'][0], 'centreline'), (yard, 'boundary'),
                       *((area, 'polygon') for area in (
                           *yard['keep_outs'], *yard['borrow_areas']))):
        owner[key] = [[x + 50.0, y] for x, y in owner[key]]
    path = tmp_path / 'site.yaml'
    path.write_text(yaml.safe_dump(site), encoding='utf-8')
    done = replay([bag], path, tmp_path / 'out', BagOptions())
    assert {row.state for row in done.books.rows} == {State.UNSEEN}
    assert done.warnings[-1] in (NO_GROUND, NO_SEGMENT)


@pytest.mark.parametrize(('loads', 'missed', 'told'), [(2, 2, 0), (3, 3, 1), (4, 3, 0)])
def test_loads_that_all_miss_are_a_warning(
        monkeypatch: pytest.MonkeyPatch, bag: Path, tmp_path: Path, loads: int, missed: int,
        told: int) -> None:
    """As where the site file is that of another berm in the same yard."""
    site = load_site(SITE).site
    entries = [Entry(n, n, 'dump', data={}) for n in range(1, loads + 1)]
    entries += [Entry(loads + n, loads, 'stray_dump', data={'dump_seq': n})
                for n in range(1, missed + 1)]
    monkeypatch.setattr(
        replaying, '_drive', lambda *_: (Tally(used=Counter(elevation=1)), fold(site, entries),
                                         (), ''))
    warnings = replay([bag], SITE, tmp_path / 'out', BagOptions()).warnings
    text = f'not one of {loads} loads fell on a berm: is this the site file of this bag?'
    assert warnings.count(text) == told


def test_watcher_is_told_how_far_it_is(bag: Path, tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    lines: list[str] = []
    replay([bag], SITE, tmp_path / 'out', BagOptions(), tell=lines.append,
           watch=lambda stream, count, bag_ns: seen.append((count, bag_ns)))
    assert [line.split(':')[0] for line in lines] == ['elevation', 'pose', 'dump']
    assert len(seen) > 3
    assert seen == sorted(seen)
