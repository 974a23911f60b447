# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Digging in lanes: what is cut, carried and dumped adds up; the drum tells its load."""

from dataclasses import replace
import json

from berm_ledger.simulation import (
    BorrowOptions,
    BuildOptions,
    QUIET,
    SensorOptions,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
import numpy as np
import pytest
from simulation_kit import straight

SMALL = SensorOptions(size_m=1.0)
YARD = YardOptions(noise=QUIET, sensor=SMALL, pose_rate_hz=1.0, borrow=BorrowOptions())


def built(
    seed: int = 1, loads: int = 6, **borrow: object
) -> tuple[SimulatedBuild, list[SimEvent]]:
    options = BuildOptions(
        most_loads=loads, yard=replace(YARD, borrow=replace(BorrowOptions(), **borrow)))
    build = SimulatedBuild(straight(), seed=seed, options=options)
    return build, list(build.events())


def test_cut_times_swell_is_what_was_dumped_and_what_is_in_the_drum() -> None:
    """Soil is conserved through bank and loose state, to rounding."""
    build, _ = built()
    truth = build.truth()
    borrow = truth['borrow']
    cut_m3 = sum(area['cut_m3'] for area in borrow['areas'])
    assert cut_m3 == pytest.approx(sum(dig['bank_m3'] for dig in borrow['digs']), rel=1e-9)
    # Sand, bank to loose: 1.11, US Navy training manual, table of soil conversion factors.
    assert borrow['swell'] == 1.11
    assert 1.11 * cut_m3 == pytest.approx(truth['dumped_m3'] + borrow['carried_m3'], rel=1e-9)
    assert truth['dumped_m3'] == pytest.approx(
        sum(dump['volume_m3'] for dump in truth['dumps']), rel=1e-12)
    json.dumps(truth, allow_nan=False)


def test_soil_swells_as_the_site_file_says() -> None:
    """The books of such a build add up by the swell that they are told."""
    site = straight()
    site = replace(site, material=replace(site.material, swell=1.25))
    yard = replace(YARD, borrow=BorrowOptions())
    build = SimulatedBuild(site, options=BuildOptions(most_loads=2, yard=yard))
    assert len(list(build.events())) > 2
    truth = build.truth()
    cut_m3 = sum(area['cut_m3'] for area in truth['borrow']['areas'])
    assert truth['borrow']['swell'] == 1.25
    assert 1.25 * cut_m3 == pytest.approx(
        truth['dumped_m3'] + truth['borrow']['carried_m3'], rel=1e-9)


def test_the_lane_dug_least_is_next_and_cuts_stay_shallow() -> None:
    """All lanes are used before one is dug twice; one lane only, where that is asked for."""
    build, _ = built()
    lanes = [dig['lane'] for dig in build.truth()['borrow']['digs']]
    count = len(build.digger.lanes[build.site.yard.borrow_areas[0].name])
    assert len(set(lanes[:count])) == min(count, len(lanes))
    again, _ = built(one_lane=True)
    assert {dig['lane'] for dig in again.truth()['borrow']['digs']} == {1}
    deep, shallow = (b.truth()['borrow']['areas'][0]['deepest_m'] for b in (again, build))
    assert deep > 1.5 * shallow


def test_the_drum_current_tells_the_mass() -> None:
    """Common practice, no source: about 3.5 A for 8 kg of sand; told only while a load is on."""
    build, events = built(noise_a=0.0)
    seen = {round(event.value, 9) for event in events if event.kind == 'drum_current'}
    masses = [dump['mass_kg'] for dump in build.truth()['dumps']]
    assert seen == {round(3.5 / 8.0 * mass, 9) for mass in masses}
    noisy = [event.value for event in built(noise_a=0.3)[1] if event.kind == 'drum_current']
    assert 0.1 < np.std(noisy) < 0.6


def test_the_drum_current_is_that_of_the_site_file() -> None:
    """The books of such a build weigh its loads by the line that they are told."""
    site = straight()
    site = replace(site, rover=replace(site.rover, drum_current_a=(1.0, 5.0)))
    yard = replace(YARD, borrow=replace(BorrowOptions(), noise_a=0.0))
    build = SimulatedBuild(site, options=BuildOptions(most_loads=2, yard=yard))
    seen = {round(e.value, 9) for e in build.events() if e.kind == 'drum_current'}
    masses = [dump['mass_kg'] for dump in build.truth()['dumps']]
    assert seen == {round(1.0 + 4.0 * mass / site.rover.payload_kg, 9) for mass in masses}


def test_a_partial_load_is_smaller() -> None:
    """Half a drum is half a cut and half a dump."""
    build, _ = built(partial_loads=(3,), partial_fill=0.5)
    masses = [dump['mass_kg'] for dump in build.truth()['dumps']]
    assert masses[2] < 0.65 * np.median(masses)
    digs = build.truth()['borrow']['digs']
    assert digs[2]['bank_m3'] < 0.65 * np.median([dig['bank_m3'] for dig in digs])


def test_one_seed_one_result_and_the_rest_of_the_build_is_untouched() -> None:
    """Digging in lanes draws its own chance: loads fall as they do without it."""
    first, second = built(seed=4), built(seed=4)
    assert repr([e for e in first[1] if e.kind != 'grid']) == repr(
        [e for e in second[1] if e.kind != 'grid'])
    assert first[0].truth() == second[0].truth()
    plain = SimulatedBuild(straight(), seed=4, options=BuildOptions(
        most_loads=6, yard=replace(YARD, borrow=None)))
    kinds = {event.kind for event in plain.events()}
    assert 'drum_current' not in kinds
    assert plain.truth()['borrow'] is None
    ours, theirs = first[0].truth()['dumps'], plain.truth()['dumps']
    assert [dump['volume_m3'] for dump in ours] == [dump['volume_m3'] for dump in theirs]
