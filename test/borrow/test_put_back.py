# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is dumped from within a pit that reaches up to the berm, and what falls back into a pit."""

from __future__ import annotations

from collections.abc import Iterator

from berm_ledger.borrow.put_back import is_put_back
from berm_ledger.design import Site
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import (
    BorrowOptions,
    BuildOptions,
    SensorOptions,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
from borrow_kit import a_site
from disturbance_kit import feed
import numpy as np
import pytest

YARD = YardOptions(
    pose_rate_hz=1.0, grid_period_s=3.0, dig_s=6.0, sensor=SensorOptions(size_m=4.4, cell_m=0.035),
    weighed=False, borrow=BorrowOptions())
SITE = a_site()
# Up to 0.25 m from the toe: base_link stands 0.75 m behind where a load falls.
BESIDE = a_site(((-0.8, -1.0), (0.95, -1.0), (0.95, 1.0), (-0.8, 1.0)))


class FallsBack(SimulatedBuild):
    """Every second load falls out of the drum where it was dug."""

    def _cycle(self, berm: int, station_m: float, offset_m: float) -> Iterator[SimEvent]:
        """Dig, then dump there or haul."""
        if self.loads % 2 == 0:
            yield from super()._cycle(berm, station_m, offset_m)
            return
        yield from self._dig()
        yield from self.yard.dump()
        yield from self.yard.look_round(2)
        self.loads += 1


def kept(site: Site, build: SimulatedBuild) -> Pipeline:
    """Return the books of a build."""
    pipeline = Pipeline(site)
    for event in build.events():
        feed(pipeline, event)
    return pipeline


@pytest.mark.parametrize(('berm', 'x_m', 'put_back'), [
    (None, -2.0, True), (None, -1.47, True), ('east', -2.0, False), (None, -1.45, False)])
def test_only_what_falls_into_an_area_and_on_no_berm_is_put_back(
    berm: str | None, x_m: float, put_back: bool,
) -> None:
    """The area lies at x from -3 to -1.56; soil slides into it from 0.10 m off."""
    assert is_put_back(SITE, berm, x_m, 0.0) is put_back


def test_loads_dumped_on_a_berm_from_within_the_area_are_booked() -> None:
    """The robot stands in the pit as it dumps: each load is cut and timed all the same."""
    build = SimulatedBuild(BESIDE, seed=5, options=BuildOptions(
        most_loads=4, final_looks=2, yard=YARD))
    pipeline = kept(BESIDE, build)
    dumps = pipeline.books.dumps
    base_xy = np.array([[d.x_m - 0.75 * np.cos(d.yaw_rad), d.y_m - 0.75 * np.sin(d.yaw_rad)]
                        for d in dumps])
    assert BESIDE.yard.borrow_areas[0].polygon.contains(base_xy).all()
    account = pipeline.borrow
    assert [load.dump_seq for load in account.loads] == [dump.seq for dump in dumps]
    assert all(load.times.cycle_s > 20.0 for load in account.loads[1:])
    cut_m3, cut_se_m3 = account.cut_m3
    true_m3 = sum(area['cut_m3'] for area in build.truth()['borrow']['areas'])
    assert abs(cut_m3 - true_m3) < 2.0 * cut_se_m3


def test_what_falls_back_into_the_pit_is_not_spilled() -> None:
    """Four of eight loads: the cut lacks them, and the balance closes without them."""
    pipeline = kept(SITE, FallsBack(SITE, seed=5, options=BuildOptions(
        most_loads=8, final_looks=2, yard=YARD)))
    assert len(pipeline.books.dumps) == 8
    account = pipeline.borrow
    assert len(account.loads) == 4
    for balance in account.balances:
        assert abs(balance.spilled_m3) < 0.2 * SITE.load_volume_m3
        assert abs(balance.unexplained_m3) < 2.0 * balance.unexplained_se_m3
    assert not account.unbalanced
