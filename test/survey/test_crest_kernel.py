# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The crest with the compiled loops and by numpy: the same to the bit."""

from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.blur import PlaceOfGrids, usual_blur
from berm_ledger.survey.crest import Crest
from berm_ledger.survey.crest_fit import Blurred, fit_crest
from berm_ledger.survey.crest_lines import CrestLines
from berm_ledger.survey.roof import DETAILS, roof_templates
from berm_ledger.survey.sections import Sections, sections_of_berm
from berm_ledger.survey.visible_top import visible_top_m
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, noise_of, straight

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
        lines = CrestLines(area, [SECTIONS[name]], PlaceOfGrids(area.lattice))
        out, height_m = [], height.astype(np.float32)
        for _ in range(2):
            noise_along = noise_of(height_m, spread)
            crest = lines.crest(0, height_m, noise_along, level)
            out.append((crest, lines.own_error_m(0, crest, noise_along)))
            # Then anew with a few segments only.
            lines.touch_rows(np.array([0, 2]))
            height_m = height_m + np.float32(0.001)
        return out

    for (crest, error), (plain, plain_error) in zip(found(), plainly(found)):
        assert np.isfinite(crest.height_m).any()
        assert np.isnan(crest.height_m).any()
        assert_same(crest, plain)
        npt.assert_array_equal(error, plain_error)


@built
@pytest.mark.parametrize('cell_m', [0.36, 0.38, 2.0])
def test_cells_too_wide_for_a_roof_within_a_section_give_a_crest_all_the_same(cell_m) -> None:
    """Grids of 0.2 m that know every other cell count as such; the loops refused the window."""
    area = AREAS['straight']
    height_m = np.maximum(0.0, 0.2 - 0.6 * np.abs(area.corridor.offset_m)).astype(np.float32)
    spread = np.full(len(area), 0.003, dtype=np.float32)

    def found() -> Crest:
        lines = CrestLines(area, [SECTIONS['straight']], PlaceOfGrids(area.lattice))
        lines.use_cell(cell_m)
        return lines.crest(0, height_m, noise_of(height_m, spread))

    crest = found()
    assert np.isfinite(crest.height_m).all()
    assert_same(crest, plainly(found))


def plainly(work):
    """Return what a function gives without the kernels."""
    with numpy_only():
        return work()


def profiles_of(rng, count: int, unknown: float, noise_m: float) -> np.ndarray:
    """Return rough profiles with gaps: level ones, some with heights alike, some unseen."""
    offset = SECTIONS['straight'].offset_m
    slope = rng.uniform(0.0, 0.8, (count, 1))
    profile = np.maximum(0.0, 0.2 - slope * np.abs(offset - rng.uniform(-0.1, 0.1, (count, 1))))
    profile += rng.normal(0.0, noise_m, profile.shape)
    profile[rng.random(profile.shape) < 0.2 * rng.random()] = 0.2
    profile[rng.random(profile.shape) < unknown] = np.nan
    profile[rng.random(count) < 0.1] = 0.125
    profile[rng.random(count) < 0.1 * rng.integers(2)] = np.nan
    return profile.astype(np.float32)


def laid_out(
        profile: np.ndarray, rows: int, own: np.ndarray, *, closed: bool
) -> tuple[Sections, Blurred]:
    """Return a berm of so many rows, and a surface that gives such profiles (s, c) on it."""
    count, samples = profile.shape
    # Each sample has a pair of cells for itself, both as high.
    pairs = 2 * np.arange(profile.size, dtype=np.int32).reshape(count, samples)
    weights = np.zeros((count, samples, 4), dtype=np.float32)
    weights[..., 0] = 1.0
    row = np.sort(np.arange(count) % rows)
    height = np.repeat(profile.ravel(), 2)
    runs = np.array([[0, len(height), 0, 0, 0, 0]], dtype=np.int32)
    sections = Sections(
        0, closed, row, CELL_M * np.arange(count), np.full(count, CELL_M),
        SECTIONS['straight'].offset_m, np.stack([pairs, pairs], axis=-1), weights, own)
    return sections, Blurred(height, None, np.empty_like(height), runs, 1e-5, CELL_M**2)


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from(DETAILS), st.integers(2, 40),
       st.sampled_from((0.0, 0.0, 0.1, 0.5, 0.95)), st.sampled_from((0.0, 0.0005, 0.01)),
       st.booleans())
def test_fits_are_the_same(
        seed: int, detail, count: int, unknown: float, noise_m: float, closed: bool) -> None:
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(1, min(count, 4) + 1))
    profile = profiles_of(rng, count, unknown, noise_m)
    # A few samples or all of them, to either side of the line.
    middle, most = profile.shape[1] // 2, int(rng.choice([3, profile.shape[1] // 2]))
    reach = rng.integers(0, most + 1, (count, 2))
    own = (middle + reach * [-1, 1]).astype(np.int32)
    sections, surface = laid_out(profile, rows, own, closed=closed)
    roofs = roof_templates(CELL_M, 0.02, detail, usual_blur(CELL_M, 0.02))
    wanted = range(int(rng.integers(rows)), rows)
    noise = rng.uniform(0.0, 2.0 * noise_m, len(wanted))

    def fitted() -> Crest:
        kept = Crest(*(np.full(count, -1.0) for _ in range(3)))
        fit_crest(kept, wanted, surface, noise, sections, roofs)
        return kept

    crest = fitted()
    assert_same(crest, plainly(fitted))
    own = sections.row >= wanted.start
    assert (crest.height_m[~own] == -1.0).all()
    assert (crest.height_m[own] != -1.0).all()
    assert (np.isfinite(crest.height_m[own]) <= np.isfinite(crest.spread[own])).all()
    if not unknown:
        assert crest.seen[own].any() or count < 20


@built
@given(st.integers(0, 2**32 - 1), st.integers(1, 40), st.integers(0, 12),
       st.sampled_from((0.0, 0.1, 0.5, 0.95)))
def test_tops_of_what_is_seen_are_the_same(
        seed: int, count: int, beside: int, unknown: float) -> None:
    rng = np.random.default_rng(seed)
    profile = profiles_of(rng, count, unknown, 0.003)
    middle = profile.shape[1] // 2
    own = (middle + rng.integers(0, middle + 1, (count, 2)) * [-1, 1]).astype(np.int32)
    sections, surface = laid_out(profile, 1, own, closed=False)
    first = int(rng.integers(count))
    part = slice(first, int(rng.integers(first + 1, count + 1)))

    def found() -> np.ndarray:
        return visible_top_m(surface.height_m, sections, part, beside)

    npt.assert_array_equal(found(), plainly(found))
    if not unknown:
        assert np.isfinite(found()).any() or part.stop - part.start < 20


@built
def test_what_does_not_fit_the_crest_is_refused() -> None:
    single, two = np.float32, np.zeros(2)
    runs = np.array([[1, 4, 1, -1, 0, 0]], np.int32)

    def tops(**changes) -> None:
        given = {
            'height': np.zeros(6, single), 'level': None, 'room': np.zeros(6, single),
            'runs': runs, 'blur': 0.1, 'area': 0.1, 'pairs': np.zeros((3, 9, 2), np.int32),
            'weights': np.zeros((3, 9, 4), single), 'own': np.full((3, 2), 8, np.int32),
            'low': 2, 'pooled': 1, 'rough': 2, 'band': 0.1, 'window': 4, 'least': 0.5,
            'first': np.zeros(2, dtype=np.intp), 'part': np.zeros((2, 9)),
            'seen': np.zeros(2, dtype=bool), 'mean': two.copy(),
            'left': np.zeros((2, 9), single), **changes}
        compiled.crest.tops(*given.values())

    def run(**changes) -> np.ndarray:
        out = runs.copy()
        for name, value in changes.items():
            out[0, ('first', 'count', 'right', 'left', 'up', 'down').index(name)] = value
        return out

    tops()
    tops(window=1, part=np.zeros((2, 3)), left=np.zeros((2, 3), single))
    for changes, says in (
            ({'runs': run(first=3)}, 'a cell that'), ({'runs': run(first=-1)}, 'a cell that'),
            ({'runs': run(count=0)}, 'a run that'), ({'runs': run(right=2)}, 'a neighbour that'),
            ({'runs': run(left=-2)}, 'a neighbour that'), ({'runs': runs[:, :5].copy()}, 'wanted'),
            ({'runs': run(up=2)}, 'a neighbour that'), ({'runs': run(down=-2)}, 'a neighbour'),
            ({'level': np.zeros(5, single)}, 'wanted 6 values, got 5'),
            ({'room': np.zeros(5, single)}, 'wanted 6 values, got 5'),
            ({'pairs': np.full((3, 9, 2), 5, np.int32)}, 'a pair that'),
            ({'pairs': np.full((3, 9, 2), -1, np.int32)}, 'a pair that'),
            ({'pairs': np.zeros((3, 9, 3), np.int32)}, 'two pairs'), ({'low': 3}, 'two pairs'),
            ({'own': np.full((3, 2), 9, np.int32)}, 'a sample that'),
            ({'own': np.full((3, 2), -1, np.int32)}, 'a sample that'),
            ({'own': np.zeros((2, 2), np.int32)}, 'wanted 6 values, got 4'),
            ({'low': -1}, 'two pairs'), ({'weights': np.zeros((2, 9, 4), single)}, 'wanted 108'),
            ({'pooled': -1}, 'does not fit'), ({'rough': 10}, 'does not fit'),
            ({'window': 5}, 'does not fit'), ({'window': 0}, 'does not fit'),
            ({'part': np.zeros((2, 8))}, 'wanted 18'), ({'mean': two[:1]}, 'wanted 2 values'),
            ({'left': np.zeros((1, 9), single)}, 'wanted 18')):
        with pytest.raises(ValueError, match=says):
            tops(**changes)


@built
def test_what_does_not_fit_what_is_seen_is_refused() -> None:
    def visible(**changes) -> None:
        given = {
            'height': np.zeros(6, np.float32), 'pairs': np.zeros((3, 9, 2), np.int32),
            'weights': np.zeros((3, 9, 4), np.float32), 'own': np.full((3, 2), 8, np.int32),
            'low': 1, 'beside': 40, 'band': 0.1, 'top': np.zeros(2, dtype=np.intp),
            'around': np.zeros((2, 3)), **changes}
        compiled.crest.visible(*given.values())

    visible()
    for changes, says in (
            ({'pairs': np.full((3, 9, 2), 5, np.int32)}, 'a pair that'),
            ({'pairs': np.full((3, 9, 2), -1, np.int32)}, 'a pair that'),
            ({'pairs': np.zeros((3, 9, 3), np.int32)}, 'two pairs'), ({'low': 2}, 'two pairs'),
            ({'pairs': np.zeros((3, 2, 2), np.int32)}, 'two pairs'), ({'low': -1}, 'two pairs'),
            ({'low': 4}, 'two pairs'), ({'beside': -1}, 'two pairs'),
            ({'own': np.full((3, 2), 9, np.int32)}, 'a sample that'),
            ({'own': np.full((3, 2), -1, np.int32)}, 'a sample that'),
            ({'own': np.zeros((2, 2), np.int32)}, 'wanted 6 values, got 4'),
            ({'weights': np.zeros((2, 9, 4), np.float32)}, 'wanted 108'),
            ({'around': np.zeros((2, 2))}, 'wanted 6 values, got 4')):
        with pytest.raises(ValueError, match=says):
            visible(**changes)


@built
def test_what_does_not_fit_a_roof_is_refused() -> None:
    three, seen = np.zeros(3), np.ones(3, dtype=bool)

    def choose(**changes) -> None:
        given = {
            'along': np.zeros((3, 3 * 8), np.float32), 'part': np.zeros((3, 5)), 'level': three,
            'first': np.zeros(3, dtype=np.intp), 'seen': seen, 'weights': np.zeros((4, 2, 5)),
            'spreads': np.zeros((4, 2)), 'places': np.zeros(4), 'offsets': np.arange(6.0),
            'voters': 1, 'penalty': 1.0, 'least': 1e-6, 'noise': np.zeros(1), 'pooled': 0.9,
            'root': 1.0, 'ends': np.array([0, 1, 3]), 'row': 1, 'beside': 1,
            'height': three.copy(), 'offset': three.copy(), 'spread': three.copy(), **changes}
        compiled.crest.choose(*given.values())

    choose()
    for changes, says in (
            ({'along': np.zeros((2, 24), np.float32)}, 'wanted 72 values, got 48'),
            ({'weights': np.zeros((4, 10))}, 'weights of places'), ({'voters': -1}, 'some voters'),
            ({'weights': np.zeros((0, 2, 5))}, 'weights of places'),
            ({'part': np.zeros((3, 4))}, 'wanted 15 values'), ({'row': 2}, 'rows that'),
            ({'spreads': np.zeros((3, 2))}, 'wanted 8 values'), ({'row': -1}, 'rows that'),
            ({'noise': np.zeros(3)}, 'rows that'), ({'places': np.zeros(3)}, 'wanted 4 values'),
            ({'beside': 2}, 'sections that'), ({'beside': -1}, 'sections that'),
            ({'ends': np.array([0, 1, 4])}, 'sections that'),
            ({'ends': np.array([0, -1, 0])}, 'sections that'),
            ({'ends': np.array([0, 2, 1])}, 'sections that'),
            ({'first': np.full(3, 4)}, 'a sample that'), ({'seen': seen[:2]}, 'wanted 3 values'),
            ({'offsets': np.zeros(1)}, 'some voters'), ({'height': np.zeros(2)}, 'wanted 2')):
        with pytest.raises(ValueError, match=says):
            choose(**changes)
