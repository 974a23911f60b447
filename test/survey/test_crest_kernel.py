# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The crest with the compiled loops and by numpy: the same to the bit."""

from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.crest import crest_of_sections
from berm_ledger.survey.crest_lines import CrestLines
from berm_ledger.survey.roof import DETAILS, roof_templates
from berm_ledger.survey.sections import sections_of_berm
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, straight

built = pytest.mark.skipif(
    compiled.crest is None, reason='the kernels are not built: pip install -e . with a C compiler')

CELL_M = 0.015
FIGURES = ('height_m', 'offset_m', 'spread')
SITES = {'straight': straight(1.2, turn_deg=17.0), 'arc': arc(1.0, sweep_deg=92.0)}
AREAS = {name: survey_area(site) for name, site in SITES.items()}
SECTIONS = {name: sections_of_berm(area, 0) for name, area in AREAS.items()}


def assert_same(crest, other) -> None:
    for name in FIGURES:
        npt.assert_array_equal(getattr(crest, name), getattr(other, name))


@built
@pytest.mark.parametrize('name', SITES)
@pytest.mark.parametrize('noise_m', [0.0004, 0.003, 0.02])
def test_crest_lines_are_the_same(name: str, noise_m: float) -> None:
    area, rng = AREAS[name], np.random.default_rng(3)
    offset = np.abs(area.corridor.offset_m)
    height = np.maximum(0.0, 0.2 - 0.6 * offset) + rng.normal(0.0, noise_m, len(area))
    height[rng.random(len(area)) < 0.03] = np.nan
    height[(area.corridor.segment_index == 0) & (offset < 0.3)] = np.nan
    level = rng.normal(0.0, 0.01, len(area)).astype(np.float32)
    spread = np.full(len(area), noise_m, dtype=np.float32)

    def found() -> list:
        lines = CrestLines(area, [SECTIONS[name]])
        out, height_m = [], height.astype(np.float32)
        for _ in range(2):
            given = 0, height_m, spread.__getitem__, level
            out.append((lines.crest(*given), lines.own_error_m(*given)))
            # Then anew with a few segments only.
            lines.touch_rows(np.array([0, 2]))
            height_m = height_m + np.float32(0.001)
        return out

    for (crest, error), (plain, plain_error) in zip(found(), plainly(found)):
        assert np.isfinite(crest.height_m).any()
        assert np.isnan(crest.height_m).any()
        assert_same(crest, plain)
        npt.assert_array_equal(error, plain_error)


def plainly(work):
    """Return what a function gives without the kernels."""
    with numpy_only():
        return work()


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from(DETAILS), st.integers(1, 40),
       st.sampled_from((0.0, 0.1, 0.5, 0.95)))
def test_tops_are_the_same(seed: int, detail, count: int, unknown: float) -> None:
    rng, sections = np.random.default_rng(seed), SECTIONS['straight']
    shape = count, len(sections.offset_m)
    profile = np.maximum(0.0, 0.2 - 0.6 * np.abs(sections.offset_m)) + rng.normal(0.0, 0.01, shape)
    # Equal heights in a row, too, and whole sections unseen.
    profile[rng.random(shape) < 0.2] = 0.2
    profile[rng.random(shape) < unknown] = np.nan
    profile[rng.random(count) < 0.1] = np.nan
    profile = profile.astype(np.float32)
    roofs = roof_templates(CELL_M, 0.02, detail)
    noise = np.full(count, 0.003)
    assert_same(crest_of_sections(profile, noise, sections, roofs),
                plainly(lambda: crest_of_sections(profile, noise, sections, roofs)))


@built
def test_what_does_not_fit_the_crest_is_refused() -> None:
    height, sides = np.zeros(6, dtype=np.float32), np.zeros((5, 4), dtype=np.int32)
    corners = np.zeros((3, 5, 4), dtype=np.int32)
    weights, out = np.zeros((3, 5, 4), dtype=np.float32), np.zeros((2, 5), dtype=np.float32)
    cells, wanted = np.arange(5, dtype=np.int32), np.array([0, 2])

    def sharpened(**changes) -> None:
        given = {'height': height, 'level': None, 'cells': cells, 'sides': sides, 'blur': 0.1,
                 'area': 0.1, 'out': height.copy(), **changes}
        compiled.crest.sharpened(*given.values())

    def profiles(**changes) -> None:
        given = {'height': height, 'corners': corners, 'weights': weights, 'wanted': wanted,
                 'out': out, **changes}
        compiled.crest.profiles(*given.values())

    sharpened()
    profiles()
    for work, changes, says in (
            (sharpened, {'cells': cells + np.int32(2)}, 'a cell that'),
            (sharpened, {'cells': cells - np.int32(1)}, 'a cell that'),
            (sharpened, {'sides': sides + np.int32(6)}, 'a neighbour that'),
            (sharpened, {'sides': sides - np.int32(1)}, 'a neighbour that'),
            (sharpened, {'sides': sides[:4]}, 'wanted 20 values, got 16'),
            (sharpened, {'level': height[:5]}, 'wanted 6 values, got 5'),
            (sharpened, {'out': height[:5]}, 'wanted 6 values, got 5'),
            (profiles, {'wanted': np.array([0, 3])}, 'a section that'),
            (profiles, {'wanted': np.array([0, -1])}, 'a section that'),
            (profiles, {'corners': corners + np.int32(6)}, 'a corner that'),
            (profiles, {'corners': corners - np.int32(1)}, 'a corner that'),
            (profiles, {'corners': corners[..., :3].copy()}, 'four corners'),
            (profiles, {'weights': weights[:2]}, 'wanted 60 values, got 40'),
            (profiles, {'out': out[:1]}, 'wanted 10')):
        with pytest.raises(ValueError, match=says):
            work(**changes)
    profile, first = np.zeros((2, 9), dtype=np.float32), np.zeros(2, dtype=np.intp)
    part, seen = np.zeros((2, 9)), np.zeros(2, dtype=bool)
    compiled.crest.tops(profile, 1, 2, 0.1, 4, 0.5, first, part, seen)
    for pooled, rough, window in ((1, 2, 5), (-1, 2, 4), (3, 2, 4), (1, 10, 4), (1, 2, 0)):
        with pytest.raises(ValueError, match='does not fit'):
            compiled.crest.tops(profile, pooled, rough, 0.1, window, 0.5, first, part, seen)
    with pytest.raises(ValueError, match='does not fit'):
        compiled.crest.tops(profile[0], 0, 2, 0.1, 4, 0.5, first, part, seen)
