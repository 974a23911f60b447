# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Builds on ground so soft that wheels leave ruts in the borrow area, against what was dug."""

from __future__ import annotations

from berm_ledger.geometry import Pose2
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import BorrowOptions, BuildOptions, SimulatedBuild, YardOptions
from berm_ledger.simulation.digging import Digger
from berm_ledger.simulation.soil import Patch
from borrow_kit import a_site
from disturbance_kit import feed
import pytest

SITE = a_site()
LOADS = 12


def booked(rut_m: float) -> tuple[Pipeline, list[str], float]:
    """Return the books of a build, the kinds of its entries, and what was dug in truth [m3]."""
    build = SimulatedBuild(SITE, seed=2, options=BuildOptions(most_loads=LOADS, yard=YardOptions(
        grid_period_s=3.0, rut_m=rut_m, borrow=BorrowOptions())))
    pipeline = Pipeline(SITE)
    kinds = [entry.kind for event in build.events() for entry in feed(pipeline, event).entries]
    digs = build.truth()['borrow']['digs']
    assert build.truth()['borrow']['areas'][0]['cut_m3'] == pytest.approx(
        sum(dig['bank_m3'] for dig in digs), rel=0.02)
    return pipeline, kinds, sum(dig['bank_m3'] for dig in digs)


@pytest.mark.parametrize('rut_m', [0.010, 0.020])
def test_ruts_are_neither_cut_nor_an_imbalance_nor_close_lanes(rut_m: float) -> None:
    """All that fell was told as cut, and an imbalance soon."""
    pipeline, kinds, dug_m3 = booked(rut_m)
    cut_m3, error_m3 = pipeline.borrow.cut_m3
    assert not {'imbalance', 'void'} & {*kinds}
    assert abs(cut_m3 - dug_m3) < 1.96 * error_m3
    assert cut_m3 == pytest.approx(dug_m3, rel=0.12)
    assert error_m3 < 0.25 * dug_m3
    for balance in pipeline.borrow.balances:
        assert abs(balance.unexplained_m3) < 1.96 * balance.unexplained_se_m3


def test_a_third_of_the_soil_carried_elsewhere_is_found_among_ruts(
        monkeypatch: pytest.MonkeyPatch) -> None:
    """With each load half as much again goes off the yard, on ground that sinks by 10 mm."""
    take = Digger.take

    def taken(digger: Digger, lane, fill: float = 1.0) -> None:
        take(digger, lane, fill)
        dig = digger._drum.digs[-1]
        middle = lane.start @ Pose2(lane.length_m / 2.0, 0.0)
        digger._yard.soil.skim(
            Patch(middle.x_m, middle.y_m, middle.yaw_rad, lane.length_m, lane.width_m),
            0.5 * dig['bank_m3'])
        dig['bank_m3'] *= 1.5

    monkeypatch.setattr(Digger, 'take', taken)
    pipeline, kinds, dug_m3 = booked(0.010)
    assert kinds.count('imbalance') == 1
    last = pipeline.borrow.last_balance
    assert last is not None
    assert last.unexplained_m3 == pytest.approx(dug_m3 / 3.0 * last.swell, rel=0.35)
