# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger simulate``: a bag and its truth."""

from __future__ import annotations

from collections.abc import Callable
import json
from pathlib import Path

from berm_ledger.commands.simulate import build_options, INTRUDERS, NOISES
from berm_ledger.errors import UsageError
from berm_ledger.simulation import NOISE_PRESETS
from berm_ledger.simulation.options import INTRUSIONS
from berm_ledger.site_source import load_site
from cli_kit import Outcome, SITE
import pytest

Call = Callable[..., Outcome]
SHORT = ('--loads', '1', '--noise', 'quiet')


def files_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@pytest.fixture(scope='module')
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the bag of one load, as the command wrote it."""
    pytest.importorskip('rosbags')
    from berm_ledger.cli import main
    path = tmp_path_factory.mktemp('simulated') / 'run'
    assert main(['simulate', str(SITE), '--out', str(path), '--seed', '5', *SHORT]) == 0
    return path


def test_bag_is_clean_and_the_truth_is_beside_it(simulated: Path) -> None:
    assert sorted(files_of(simulated)) == ['metadata.yaml', 'run.mcap']
    assert sorted(path.name for path in simulated.parent.iterdir()) == ['run', 'run.truth.json']
    truth = json.loads((simulated.parent / 'run.truth.json').read_text(encoding='utf-8'))
    assert truth['seed'] == 5
    assert len(truth['segments']) == 6
    assert len(truth['dumps']) == truth['build']['loads'] == 1


def test_bag_holds_what_the_truth_says(simulated: Path) -> None:
    from berm_ledger.offline.bags import open_bag
    truth = json.loads((simulated.parent / 'run.truth.json').read_text(encoding='utf-8'))
    with open_bag(simulated) as stream:
        events = list(stream)
    assert {event.role for event in events} == {'pose', 'elevation', 'dump'}
    dumps = [event for event in events if event.role == 'dump']
    assert [event.bag_ns for event in dumps] == [dump['stamp_ns'] for dump in truth['dumps']]
    assert dumps[0].value == pytest.approx(truth['dumps'][0]['announced_kg'], rel=1e-6)
    assert events[-1].stamp_ns == truth['stamp_ns']


def test_same_seed_gives_the_same_bytes_and_another_seed_others(
        call: Call, simulated: Path) -> None:
    again = call('simulate', SITE, '--out', 'run', '--seed', 5, *SHORT)
    assert again.code == 0
    assert again.out.splitlines()[-1] == 'truth: run.truth.json'
    assert files_of(Path('run')) == files_of(simulated)
    assert Path('run.truth.json').read_bytes() == (
        simulated.parent / 'run.truth.json').read_bytes()
    assert call('simulate', SITE, '--out', 'other', '--seed', 6, *SHORT).code == 0
    assert Path('other/other.mcap').read_bytes() != files_of(simulated)['run.mcap']


def test_storage_compression_and_grid_maps_can_be_chosen(call: Call) -> None:
    pytest.importorskip('rosbags')
    done = call('simulate', SITE, '--out', 'run', *SHORT, '--storage', 'sqlite3',
                '--compression', 'message', '--elevation-type', 'grid_map')
    assert done.code == 0
    assert sorted(path.name for path in Path('run').iterdir()) == ['metadata.yaml', 'run.db3']
    metadata = Path('run/metadata.yaml').read_text(encoding='utf-8')
    assert 'grid_map_msgs/msg/GridMap' in metadata
    assert 'zstd' in metadata


@pytest.mark.parametrize(('arguments', 'text'), [
    (('--seed', '-1'), '--seed -1 is negative'),
    (('--loads', '0'), '--loads 0 builds nothing'),
    (('--out', '.'), '. names no new folder'),
    (('--out', ''), '. names no new folder'),
    (('--out', '..'), '.. names no new folder'),
    (('--out', '/'), '/ names no new folder'),
])
def test_bad_options_are_one_line(call: Call, arguments: tuple[str, ...], text: str) -> None:
    pytest.importorskip('rosbags')
    assert text in call('simulate', SITE, '--out', 'run', *arguments).complaint
    assert list(Path().iterdir()) == []


def test_nothing_is_overwritten(call: Call) -> None:
    pytest.importorskip('rosbags')
    Path('run').mkdir()
    assert 'run: exists already' in call('simulate', SITE, '--out', 'run', *SHORT).complaint
    Path('new.truth.json').write_text('{}', encoding='utf-8')
    assert 'new.truth.json exists' in call('simulate', SITE, '--out', 'new', *SHORT).complaint
    assert sorted(path.name for path in Path().iterdir()) == ['new.truth.json', 'run']


def test_choices_are_those_of_the_simulation() -> None:
    assert set(NOISES) == set(NOISE_PRESETS)
    assert set(INTRUDERS) - {'none', 'person'} == set(INTRUSIONS)


@pytest.mark.parametrize('intruder', INTRUDERS)
def test_intruder_is_one_of_the_build(intruder: str) -> None:
    site = load_site(SITE).site
    options = build_options(site, 'field', intruder, None)
    kinds = [intrusion.kind for intrusion in options.intrusions]
    assert kinds == ([] if intruder in ('none', 'person') else [intruder])
    assert bool(options.people_at_loads) == (intruder == 'person')
    length_m = site.berms[0].centreline.length_m
    assert all(0.0 < item.station_m < length_m for item in options.intrusions)


def test_no_loads_are_refused() -> None:
    with pytest.raises(UsageError, match='builds nothing'):
        build_options(load_site(SITE).site, 'field', 'none', 0)
