# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Roofs, heights and volumes of segments with the compiled loops and by numpy: the same bits."""

from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.blur import usual_blur
from berm_ledger.survey.crest import Crest, crest_of_sections
from berm_ledger.survey.datum import Datum, plane_datum, Source
from berm_ledger.survey.readings import crest_figures
from berm_ledger.survey.roof import _votes, DETAILS, roof_templates
from berm_ledger.survey.sections import sections_of_berm
from berm_ledger.survey.standing import spread_along
from berm_ledger.survey.surface import SiteSurface
from berm_ledger.survey.turns import Turns
from berm_ledger.survey.volumes import positive_part, VolumeSums
from hypothesis import example, given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from scipy import ndimage, stats
from survey_kit import straight

built = pytest.mark.skipif(
    compiled.readings is None,
    reason='the kernels are not built: pip install -e . with a C compiler')

SITE = straight(0.8, segment_m=0.4, turn_deg=11.0)
AREA = survey_area(SITE)
SECTIONS = sections_of_berm(AREA, 0)
DESIGN = np.maximum(0.0, 0.2 - 0.6 * np.abs(AREA.corridor.offset_m))
SUMS = VolumeSums(AREA, DESIGN)
BLUR = usual_blur(0.015, 0.02)
ROOFS = {detail: roof_templates(0.015, 0.02, detail, BLUR) for detail in DETAILS}


def both(work):
    """Return what a function gives with the kernels and without."""
    with numpy_only():
        plain = work()
    return work(), plain


# ---- roofs -----------------------------------------------------------------------------------

@given(st.integers(0, 2**32 - 1), st.integers(1, 40), st.integers(0, 13))
def test_votes_are_a_running_mean(seed: int, count: int, voters: int) -> None:
    best = np.random.default_rng(seed).random((count, 3)).astype(np.float32)
    mean = ndimage.uniform_filter1d(
        best.astype(float), 2 * voters + 1, axis=0, mode='nearest')
    npt.assert_allclose(_votes(best, voters), mean, rtol=1e-12)


@pytest.mark.parametrize('detail', DETAILS)
def test_sections_out_of_reach_have_no_say(detail) -> None:
    rng, roofs = np.random.default_rng(5), ROOFS[detail]
    count = len(SECTIONS.station_m)
    profile = np.maximum(0.0, 0.2 - 0.6 * np.abs(SECTIONS.offset_m)) + rng.normal(
        0.0, 0.004, (count, len(SECTIONS.offset_m)))
    profile = profile.astype(np.float32)
    noise = np.full(count, 0.003)
    whole = crest_of_sections(profile, noise, SECTIONS, SECTIONS.own, roofs)
    own = slice(20, 30)
    near = slice(own.start - detail.reach, own.stop + detail.reach)
    part = crest_of_sections(profile[near], noise[near], SECTIONS, SECTIONS.own[near], roofs)
    for name in ('height_m', 'offset_m', 'spread'):
        npt.assert_array_equal(getattr(part, name)[detail.reach:-detail.reach],
                               getattr(whole, name)[own])


# ---- volumes ---------------------------------------------------------------------------------

def surface_of(rng, unknown: float) -> SiteSurface:
    """Return a surface about the design, in parts unknown, of many looks or few."""
    surface, count = SiteSurface(len(AREA)), len(AREA)
    surface.height_m[:] = DESIGN + rng.uniform(-0.02, 0.02) + rng.normal(0.0, 0.004, count)
    surface.looks[:] = rng.choice([0.1, 1.0, 3.0, 126.5, 127.0, 128.0, 1e4], count)
    hidden = rng.random(count) < unknown
    surface.height_m[hidden], surface.looks[hidden] = np.nan, 0.0
    surface.height_m[rng.random(count) < 0.01] = np.inf
    return surface


def datum_of(rng, *, given_plane: bool) -> Datum:
    """Return a given datum, or one that was surveyed, well or badly."""
    datum = plane_datum(AREA, 0)
    if given_plane:
        return datum
    level = rng.normal(0.0, 0.02, len(AREA)).astype(np.float32)
    looks = rng.uniform(0.1, 90.0, len(AREA)).astype(np.float32)
    return Datum(0, level, np.full(len(AREA), np.uint8(Source.SURVEYED)), looks)


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.3, 0.6, 1.0)), st.booleans(),
       st.sampled_from((1e-9, 0.0007, 0.02)))
@example(276, 0.0, True, 0.0007)
def test_what_lies_on_segments_is_the_same(
        seed: int, unknown: float, given_plane: bool, noise_m: float) -> None:
    rng = np.random.default_rng(seed)
    surface, datum = surface_of(rng, unknown), datum_of(rng, given_plane=given_plane)
    all_given = np.full(len(AREA.segments), given_plane)
    rows = np.array([1, 0])[:rng.integers(3)]
    ours, plain = both(lambda: SUMS.of_rows(rows, surface, datum, noise_m, all_given))
    npt.assert_array_equal(ours, plain)
    assert len(plain) == len(rows)
    assert {type(value) for stock in ours + plain for value in stock} <= {float}
    for row, stock in zip(rows, plain):
        assert np.isinf(stock.inverse) == (unknown == 1.0)
        assert np.isnan(stock.placed_m3) == (unknown > 0.5)
        if unknown == 0.0:
            # As the formulas say, written out for the whole of a segment.
            cells, shares = SUMS.cells(row), AREA.shares[int(row)].data
            height = (surface.height_m - datum.level_m)[cells].astype(float)
            worth = np.minimum(surface.looks[cells], 127.0)
            npt.assert_allclose(stock.inverse, (1.0 / worth).mean(), rtol=1e-6)
            inside, known = shares * (DESIGN[cells] > 0.0), np.isfinite(height)
            # In double precision, as the sum of what is next to nothing asks for.
            spread = noise_m * np.sqrt((1.0 / worth + 1.0 / datum.looks[cells]).astype(float))
            short = positive_part((DESIGN[cells] - height)[known], spread[known])
            missing = inside[known] @ short * inside.sum() / inside[known].sum()
            npt.assert_allclose(stock.missing_m3, missing * AREA.lattice.cell_area_m2, rtol=1e-5)


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.4, 0.95, 1.0)), st.booleans(),
       st.integers(0, 12))
def test_noise_along_rows_is_the_same(
        seed: int, unknown: float, surveyed: bool, most: int) -> None:
    rng = np.random.default_rng(seed)
    surface = surface_of(rng, unknown)
    datum = datum_of(rng, given_plane=False) if surveyed else None
    many = rng.integers(0, 2**most, 5)
    cells = rng.integers(0, len(AREA), many.sum()).astype(np.int32)
    ends, rows = np.append(0, np.cumsum(many)), np.array([4, 0, 1, 2])
    ours, plain = both(lambda: spread_along(surface, datum, 0.0031, cells, ends, rows))
    npt.assert_array_equal(ours, plain)
    assert len(plain) == len(rows)
    assert np.isinf(plain).all() == (not np.isfinite(surface.height_m[cells[
        np.isin(np.repeat(np.arange(5), many), rows)]]).any())


@given(st.floats(-0.1, 0.1), st.floats(1e-4, 0.02))
def test_noise_adds_to_a_positive_part_what_the_normal_integral_says(
        gap_m: float, spread_m: float) -> None:
    # By scipy's normal distribution, whose expectation above zero is s phi(g/s) + g Phi(g/s).
    ratio = gap_m / spread_m
    expected = spread_m * stats.norm.pdf(ratio) + gap_m * stats.norm.cdf(ratio)
    plain = max(0.0, gap_m)
    found = positive_part(np.array([gap_m]), np.array([spread_m]))[0]
    npt.assert_allclose(found, plain - (expected - plain), atol=1e-9 * spread_m)


# ---- turns -----------------------------------------------------------------------------------

@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.5, 1.0)))
def test_turns_are_the_same(seed: int, shown: float) -> None:

    def told() -> list[np.ndarray]:
        rng, turns, out = np.random.default_rng(seed), Turns(AREA), []
        for _ in range(8):
            settled = rng.choice([1.0, 7.0, 15.0, 60.0, 1e4])
            looks = rng.choice([0.1, 1.0, settled, settled], len(AREA)).astype(np.float32)
            looks[:] = settled if rng.random() < 0.3 else looks
            moved = np.flatnonzero(rng.random(len(AREA)) < rng.choice([0.0, 0.002, 0.01]))
            seen = rng.random(len(AREA)) < shown
            out += [turns.after_look(seen, looks, moved), turns.seen, turns._waiting.copy(),
                    turns.due(), turns._due.copy()]
            turns.done(np.array([rng.integers(len(AREA.segments))]))
        return out

    for ours, plain in zip(*both(told)):
        npt.assert_array_equal(ours, plain)


# ---- crest -----------------------------------------------------------------------------------

@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.3, 0.9, 1.0)))
def test_what_a_crest_comes_to_is_the_same(seed: int, unknown: float) -> None:
    rng, count = np.random.default_rng(seed), len(SECTIONS.row)
    height, offset, spread, target = rng.normal(0.2, 0.02, (4, count))
    height[rng.random(count) < unknown] = np.nan
    height[rng.random(count) < 0.02] = np.inf
    offset[~np.isfinite(height)] = np.nan
    crest, rows = Crest(height, offset, spread), np.array([1, 0])
    ours, plain = both(lambda: crest_figures(crest, SECTIONS, target, 0.02, rows))
    assert ours == plain
    for row, found in zip(rows, plain):
        own = SECTIONS.row == row
        seen = own & np.isfinite(height)
        assert (found.seen, found.sections) == (seen.sum(), own.sum())
        assert found.within == (np.abs(height - target)[seen] <= 0.02).sum()
        if seen.any():
            npt.assert_allclose(found[3:6], [values[seen].mean() for values in (
                height, offset, spread)])
            assert found[6:] == (height[seen].min(), height[seen].max())


# ---- layers ----------------------------------------------------------------------------------

@built
@pytest.mark.parametrize('values', [
    np.arange(len(AREA), dtype=np.float32), np.arange(len(AREA)) * 0.5, np.arange(len(AREA)),
    np.arange(len(AREA)) % 3 == 1, np.arange(2 * len(AREA)).astype(np.uint8)[::2]])
def test_layers_are_the_same(values: np.ndarray) -> None:
    ours, plain = both(lambda: AREA.on_lattice(values, 0))
    npt.assert_array_equal(ours, plain)
    assert ours.dtype == values.dtype
    npt.assert_array_equal(ours.ravel()[AREA.corridor.flat_index], values)
    assert np.count_nonzero(ours) == np.count_nonzero(values)


# ---- what is refused -------------------------------------------------------------------------

@built
def test_what_does_not_fit_a_segment_is_refused() -> None:
    cells, single, ends = np.arange(4, dtype=np.int32), np.ones(6, np.float32), np.array([0, 2, 4])
    two, rows = np.ones(2), np.array([1])

    def volumes(**changes) -> list:
        given = {'height': single, 'level': single, 'looks': single, 'ground': single,
                 'most': 127.0, 'noise': 0.004, 'cells': cells, 'design': np.ones(4),
                 'share': np.ones(4), 'ends': ends, 'inside': 2.0 * two, 'outside': 0.0 * two,
                 'given': np.zeros(2, dtype=bool), 'cubics': np.zeros((3, 4)), 'sigmas': 6.0,
                 'least': 0.5, 'area': 0.5, 'rows': rows, **changes}
        return compiled.readings.volumes(*given.values())

    def spread(**changes) -> None:
        given = {'height': single, 'looks': single, 'ground': None, 'most': 127.0, 'noise': 0.004,
                 'cells': cells, 'ends': ends, 'rows': rows, 'out': np.zeros(1), **changes}
        compiled.readings.spread(*given.values())

    def along(**changes) -> None:
        four = np.ones(4)
        given = {'height': four, 'offset': four, 'spread': four, 'target': four, 'within': 0.02,
                 'ends': ends, 'rows': rows, **changes}
        compiled.readings.along(*given.values())

    # Nothing above the level: all of the design is missing, of both of the cells.
    assert volumes() == [(1.0, 0.0, 1.0, 0.0, 0.0)]
    spread()
    along()
    for work in (volumes, spread, along):
        for changes, says in (
                ({'rows': rows + 1}, 'a row that'), ({'rows': rows - 2}, 'a row that'),
                ({'ends': ends + 1}, 's that there are not'),
                ({'ends': ends[::-1].copy()}, 's that there are not'),
                ({'ends': ends - 3}, 's that there are not')):
            with pytest.raises(ValueError, match=says):
                work(**changes)
    for work in (volumes, spread):
        for changes, says in (
                ({'cells': cells + np.int32(3)}, 'a cell that'), ({'looks': single[:5]}, 'wanted'),
                ({'cells': cells - np.int32(3)}, 'a cell that')):
            with pytest.raises(ValueError, match=says):
                work(**changes)
    for changes, says in (
            ({'cubics': np.zeros((0, 4))}, 'no cubics'), ({'share': np.ones(3)}, 'wanted 4'),
            ({'cubics': np.zeros((3, 3))}, 'wanted 12 values'), ({'outside': two[:1]}, 'wanted 2'),
            ({'given': np.zeros(3, dtype=bool)}, 'wanted 2 values')):
        with pytest.raises(ValueError, match=says):
            volumes(**changes)
    with pytest.raises(ValueError, match='wanted 4 values, got 3'):
        along(target=np.ones(3))


@built
def test_what_does_not_fit_the_turns_is_refused() -> None:
    cells, ends, two = np.arange(4, dtype=np.int32), np.array([0, 2, 4]), np.zeros(2, dtype=bool)

    def turns(**changes) -> None:
        given = {'seen': np.ones(6, dtype=bool), 'looks': np.ones(6, dtype=np.float32),
                 'cells': cells, 'ends': ends, 'moved': np.array([1, 0]),
                 'least': np.ones(2), 'block': np.arange(2), 'look': 3, 'most': 16, 'part': 0.25,
                 'waiting': two.copy(), 'turn': two.copy(), **changes}
        compiled.readings.turns(*given.values())

    turns()
    for changes, says in (
            ({'cells': cells + np.int32(3)}, 'a cell that'), ({'ends': ends + 1}, 'a cell that'),
            ({'cells': cells - np.int32(1)}, 'a cell that'), ({'ends': ends - 1}, 'a cell that'),
            ({'moved': np.array([6])}, 'wanted 2 values'),
            ({'ends': ends[:2]}, 'wanted 3 values'), ({'turn': two[:1]}, 'wanted 2 values'),
            ({'waiting': two[:1]}, 'wanted 2 values')):
        with pytest.raises(ValueError, match=says):
            turns(**changes)


@built
def test_what_does_not_fit_the_lattice_is_refused() -> None:
    values, out = np.arange(6.0), np.zeros((3, 4))
    compiled.readings.laid_out(values, np.array([[0, 1, 0, 3], [2, 0, 3, 3]], np.int32), out)
    assert out.tolist() == [[0, 0, 1, 2], [0, 0, 0, 0], [3, 4, 5, 0]]
    for run in ([3, 0, 0, 1], [-1, 0, 0, 1], [0, -1, 0, 1], [0, 2, 0, 3], [0, 0, -1, 2],
                [0, 0, 4, 3], [0, 0, 0, -1]):
        with pytest.raises(ValueError, match='a run that does not fit'):
            compiled.readings.laid_out(values, np.array([run], np.int32), out)
    runs = np.array([[0, 0, 0, 1]], np.int32)
    for wrong in (values.astype(np.float32), values.reshape(2, 3)):
        with pytest.raises(ValueError, match='wanted values of cells'):
            compiled.readings.laid_out(wrong, runs, out)
