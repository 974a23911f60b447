# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A surface without its blur, by runs of cells."""

from berm_ledger.survey.area import survey_area
from berm_ledger.survey.crest_fit import Blurred, runs_of, sharpened, with_beside
from berm_ledger.survey.sections import sections_of_berm
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, straight

AREA = survey_area(straight(1.2, turn_deg=17.0))


@given(st.sets(st.integers(0, len(AREA) - 1), max_size=60), st.integers(0, len(AREA) - 1),
       st.integers(0, 300))
def test_runs_are_the_cells_and_their_sides(some: set, first: int, many: int) -> None:
    cells = np.array(sorted(some | set(range(first, min(len(AREA), first + many)))), dtype=np.intp)
    runs, sides = runs_of(cells, AREA.sides_of(cells)), AREA.sides_of(cells)
    listed = [(first + k, *(first + k + away)) for first, count, *away in runs.tolist()
              for k in range(count) for away in (np.array(away),)]
    npt.assert_array_equal(
        np.array(listed, dtype=np.intp).reshape(-1, 5), np.vstack([cells, sides]).T)


@pytest.mark.parametrize('blur_m2', [0.0, 2e-5])
def test_blur_is_taken_out_by_the_curvature(blur_m2: float) -> None:
    rng = np.random.default_rng(2)
    height = rng.normal(0.1, 0.01, len(AREA)).astype(np.float32)
    height[rng.random(len(AREA)) < 0.05] = np.nan
    level = rng.normal(0.0, 0.01, len(AREA)).astype(np.float32)
    cells = np.flatnonzero(rng.random(len(AREA)) < 0.6)
    surface = Blurred(height, level, np.empty_like(height), runs_of(cells, AREA.sides_of(cells)),
                      blur_m2, AREA.lattice.cell_area_m2)
    expected = height - level
    steps = expected[AREA.sides_of(cells)] - expected[cells]
    # An unknown neighbour counts as level with the cell.
    curved = np.nan_to_num(steps).sum(axis=0) / np.float32(AREA.lattice.cell_area_m2)
    expected[cells] -= np.float32(blur_m2) * curved
    npt.assert_allclose(sharpened(surface), expected, atol=1e-7)
    assert np.nanmax(np.abs(blur_m2 * curved)) >= 1e-3 * bool(blur_m2)


def test_of_a_paraboloid_the_blur_takes_its_curvature() -> None:
    """The second derivatives of 0.3 x^2 - 0.1 y^2 add up to 0.4."""
    x, y = AREA.centres_xy.T
    height = (0.3 * x**2 - 0.1 * y**2 + x + 0.5).astype(np.float32)
    cells = np.flatnonzero((AREA.sides_of(np.arange(len(AREA))) != np.arange(len(AREA))).all(0))
    surface = Blurred(height, None, np.empty_like(height), runs_of(cells, AREA.sides_of(cells)),
                      1e-3, AREA.lattice.cell_area_m2)
    npt.assert_allclose((height - sharpened(surface))[cells], 0.4e-3, atol=1e-5)


def test_sections_beside_go_round_a_ring_and_end_at_ends() -> None:
    ring, line = arc(1.0, sweep_deg=360.0), straight(1.2)
    for site, before in ((ring, [-2, -1]), (line, [])):
        sections = sections_of_berm(survey_area(site), 0)
        count = len(sections.station_m)
        expected = [n % count for n in (*before, 0, 1, 2, 3)]
        assert with_beside(sections, 0, 2, 2).tolist() == expected
