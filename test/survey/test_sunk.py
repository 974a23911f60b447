# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ground that has sunk under wheels, in the volumes of the soil beside and on it."""

import math

from berm_ledger.survey.area import survey_area
from berm_ledger.survey.datum import plane_datum
from berm_ledger.survey.designed import designed_over
from berm_ledger.survey.sections import sections_of_berm
from berm_ledger.survey.sunk import SunkGround
from berm_ledger.survey.surface import SiteSurface
from berm_ledger.survey.trodden import MOST_M
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import straight

SITE = straight(1.2)
AREA = survey_area(SITE)
DATUM = plane_datum(AREA, 0)
DESIGNED = designed_over(AREA, (sections_of_berm(AREA, 0),), DATUM)
X, Y = AREA.centres_xy.T
HALF_M = 0.2 / math.tan(math.radians(33.0))
# A rut along the berm, from 0.05 m past the toe on, 0.10 m wide.
RUT = (np.abs(Y) > HALF_M + 0.05) & (np.abs(Y) < HALF_M + 0.15) & (X > 0.1) & (X < 1.1) & (Y < 0)


def stocks(sunk, height_m):
    """Return what lies on the segments of a surface of given heights (n,) [m]."""
    surface, cells = SiteSurface(len(AREA)), np.arange(len(AREA))
    surface.put(cells, height_m, 16.0)
    return DESIGNED.sums.of_rows(
        np.arange(3), surface, sunk.under(DATUM, DESIGNED.height_m, surface.height_m, 0.0),
        0.0, np.ones(3, dtype=bool))


def pressed(sunk, before_m, after_m, where):
    """Drive over some cells, which stood at one height and then stand at another (n,) [m]."""
    cells = np.flatnonzero(where)
    sunk.driven_over(cells, before_m[cells].astype(np.float32), 0.0)
    assert sunk.open_cells.tolist() == cells.tolist()
    sunk.settle(cells, after_m[cells].astype(np.float32), 0.0)
    assert not len(sunk.open_cells)


def test_a_rut_beside_the_berm_is_no_lack_of_soil() -> None:
    """The berm as designed, a rut of 12 mm beside it: what was placed is what stands there."""
    sunk, before_m = SunkGround(len(AREA)), DESIGNED.height_m
    whole = stocks(sunk, before_m)
    after_m = before_m - 0.012 * RUT
    rut_m3 = 0.012 * 0.10 * 1.0  # Depth, width, length.
    lost = stocks(sunk, after_m)
    assert sum(s.placed_m3 for s in whole) - sum(s.placed_m3 for s in lost) == pytest.approx(
        rut_m3, rel=0.1)
    pressed(sunk, before_m, after_m, RUT)
    for now, then in zip(stocks(sunk, after_m), whole):
        assert now.placed_m3 == pytest.approx(then.placed_m3, abs=1e-8)
        assert now.spilled_m3 == pytest.approx(then.spilled_m3, abs=1e-8)
        assert (now.missing_m3, now.over_m3) == (then.missing_m3, then.over_m3)


def test_soil_that_fills_a_rut_counts_from_its_bottom() -> None:
    """20 mm of soil over all of it, after the rut was made; 3 mm lay there before."""
    sunk, thin_m = SunkGround(len(AREA)), DESIGNED.height_m + 0.003 * RUT
    pressed(sunk, thin_m, thin_m - 0.012 * RUT, RUT)
    spilled = [stock.spilled_m3 for stock in stocks(sunk, thin_m + 0.008 * RUT)]
    assert sum(spilled) == pytest.approx(0.023 * 0.10 * 1.0, rel=0.1)


def test_placed_less_over_and_spilled_and_what_is_missing_is_the_design() -> None:
    """Cell by cell, whatever stands where; ruts within the footprint do not count."""
    sunk, rng = SunkGround(len(AREA)), np.random.default_rng(3)
    before_m = DESIGNED.height_m + 0.01 * rng.standard_normal(len(AREA))
    after_m = before_m - 0.006 - 0.001 * rng.standard_normal(len(AREA))
    plain = stocks(sunk, after_m)
    pressed(sunk, before_m, after_m, Y < 0.1)
    for stock, was, design_m3 in zip(
            stocks(sunk, after_m), plain, DESIGNED.sums.design_m3()):
        assert stock.placed_m3 - stock.over_m3 - stock.spilled_m3 + stock.missing_m3 == (
            pytest.approx(design_m3, abs=1e-9))
        assert (stock.missing_m3, stock.over_m3) == (was.missing_m3, was.over_m3)
        assert stock.spilled_m3 > was.spilled_m3


def test_errors_of_many_passes_do_not_add_up() -> None:
    """A hundred passes over firm ground, 1 mm of noise each: one error, not ten times it."""
    sunk, rng = SunkGround(len(AREA)), np.random.default_rng(5)
    ground_m = np.zeros(len(AREA))
    for _ in range(100):
        before_m, after_m = 0.001 * rng.standard_normal((2, len(AREA)))
        pressed(sunk, before_m, after_m, RUT)
    assert np.std(sunk.depth_m[RUT]) == pytest.approx(math.hypot(0.001, 0.001), rel=0.15)
    assert abs(sum(s.placed_m3 for s in stocks(sunk, ground_m))) < 1e-5


@pytest.mark.parametrize('change_m', [0.015, -MOST_M - 0.005])
def test_soil_that_came_or_went_is_no_rut(change_m: float) -> None:
    """A load that reached there after the pass, a pit: the ground is where it was."""
    sunk, before_m = SunkGround(len(AREA)), np.zeros(len(AREA))
    pressed(sunk, before_m, before_m + change_m * RUT, RUT)
    assert not sunk.depth_m.any()
    spilled = [stock.spilled_m3 for stock in stocks(sunk, before_m + change_m * RUT)]
    assert sum(spilled) == pytest.approx(change_m * 0.10 * 1.0, rel=0.1)


def test_ground_that_nobody_has_seen_before_or_since_is_not_known_to_sink() -> None:
    """Before the pass: nothing is made of it. After it: looks may still come."""
    sunk, cells = SunkGround(len(AREA)), np.flatnonzero(RUT)
    unknown_m = np.full(len(cells), np.nan, dtype=np.float32)
    sunk.driven_over(cells, unknown_m, 0.0)
    assert not len(sunk.open_cells)
    sunk.driven_over(cells, np.zeros(len(cells), dtype=np.float32), 0.0)
    sunk.settle(cells, unknown_m, 0.0)
    assert sunk.open_cells.tolist() == cells.tolist()
    sunk.settle(cells, np.full(len(cells), -0.01, dtype=np.float32), 0.0)
    npt.assert_allclose(sunk.depth_m[cells], 0.01)
    assert not sunk.depth_m[~RUT].any()


def test_a_frame_that_is_found_to_lie_lower_raises_what_stood() -> None:
    """All heights grow by 4 mm in the midst of it: the rut is as deep as it is."""
    sunk, cells = SunkGround(len(AREA)), np.flatnonzero(RUT)
    sunk.driven_over(cells, np.zeros(len(cells), dtype=np.float32), 0.0)
    sunk.raise_by(np.full(len(AREA), 0.004, dtype=np.float32))
    sunk.settle(cells, np.full(len(cells), 0.004 - 0.010, dtype=np.float32), 0.0)
    npt.assert_allclose(sunk.depth_m[cells], 0.010, atol=1e-7)
