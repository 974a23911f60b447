# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Roofs, heights and volumes of segments with the compiled loops and by numpy: the same bits."""

from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.crest import crest_of_sections
from berm_ledger.survey.datum import plane_datum, Source
from berm_ledger.survey.readings import _along
from berm_ledger.survey.roof import _votes, DETAILS, roof_templates
from berm_ledger.survey.sections import sections_of_berm
from berm_ledger.survey.standing import spread_at, standing_at
from berm_ledger.survey.surface import SiteSurface
from berm_ledger.survey.turns import Turns
from berm_ledger.survey.volumes import positive_part, VolumeSums
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from scipy import ndimage
from survey_kit import straight, volumes_of

built = pytest.mark.skipif(
    compiled.readings is None,
    reason='the kernels are not built: pip install -e . with a C compiler')

SITE = straight(0.8, segment_m=0.4, turn_deg=11.0)
AREA = survey_area(SITE)
SECTIONS = sections_of_berm(AREA, 0)
DESIGN = np.maximum(0.0, 0.2 - 0.6 * np.abs(AREA.corridor.offset_m))
SUMS = VolumeSums(AREA, DESIGN)
ROOFS = {detail: roof_templates(0.015, 0.02, detail) for detail in DETAILS}


def both(work):
    """Return what a function gives with the kernels and without."""
    with numpy_only():
        plain = work()
    return work(), plain


# ---- roofs -----------------------------------------------------------------------------------

@built
@given(st.integers(0, 2**32 - 1), st.sampled_from(DETAILS), st.integers(0, 70),
       st.sampled_from((0.0, 0.0005, 0.01)))
def test_roofs_are_the_same(seed: int, detail, count: int, noise_m: float) -> None:
    rng, roofs = np.random.default_rng(seed), ROOFS[detail]
    along = np.arange(-roofs.window, roofs.window + 1) + rng.uniform(-4.0, 4.0, (count, 1))
    profile = 0.2 - rng.uniform(0.0, 0.015) * np.abs(along) + rng.normal(0.0, noise_m, along.shape)
    # Level ones, where every roof explains as much, and equal ones.
    profile[rng.random(count) < 0.2] = 0.0
    profile[rng.random(count) < 0.2] = 0.125
    noise = rng.uniform(0.0, 2.0 * noise_m, count)
    for ours, plain in zip(*both(lambda: roofs.fit(profile, noise))):
        npt.assert_array_equal(ours, plain)


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
    whole = crest_of_sections(profile, noise, SECTIONS, roofs)
    own = slice(20, 30)
    near = slice(own.start - detail.reach, own.stop + detail.reach)
    part = crest_of_sections(profile[near], noise[near], SECTIONS, roofs)
    for name in ('height_m', 'offset_m', 'spread'):
        npt.assert_array_equal(getattr(part, name)[detail.reach:-detail.reach],
                               getattr(whole, name)[own])


# ---- heights and volumes ---------------------------------------------------------------------

@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.2, 0.7, 1.0)), st.booleans(),
       st.integers(0, 1))
def test_heights_above_the_datum_are_the_same(
        seed: int, unknown: float, given_plane: bool, row: int) -> None:
    rng, surface = np.random.default_rng(seed), SiteSurface(len(AREA))
    surface.height_m[:] = rng.normal(0.1, 0.1, len(AREA))
    surface.looks[:] = rng.choice([0.1, 1.0, 3.0, 126.5, 127.0, 128.0, 1e4], len(AREA))
    hidden = rng.random(len(AREA)) < unknown
    surface.height_m[hidden], surface.looks[hidden] = np.nan, 0.0
    datum = plane_datum(AREA, 0)
    if not given_plane:
        level = rng.normal(0.0, 0.02, len(AREA)).astype(np.float32)
        looks = rng.uniform(0.1, 90.0, len(AREA)).astype(np.float32)
        datum = type(datum)(0, level, np.full(len(AREA), np.uint8(Source.SURVEYED)), looks)
    ours, plain = both(lambda: standing_at(
        surface, datum, 0.004, SUMS.cells(row), given=given_plane))
    assert len(plain.height_m) == len(SUMS.cells(row))
    for name in ('height_m', 'spread_m', 'inverse'):
        npt.assert_array_equal(getattr(ours, name), getattr(plain, name))
    assert np.isinf(plain.inverse) == (unknown == 1.0)
    for base in (datum, None):
        npt.assert_array_equal(
            *both(lambda base=base: spread_at(surface, base, 0.0031, SUMS.cells(row))))


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.3, 0.6, 1.0)),
       st.sampled_from((0.0, 0.0007, 0.02)), st.floats(-0.05, 0.05))
def test_volumes_are_the_same(
        seed: int, unknown: float, spread_m: float, raised_m: float) -> None:
    rng = np.random.default_rng(seed)
    height = DESIGN + raised_m + rng.normal(0.0, 0.002, len(AREA))
    height[rng.random(len(AREA)) < unknown] = np.nan
    height[rng.random(len(AREA)) < 0.01] = np.inf
    spread = np.full(len(AREA), spread_m) * rng.uniform(0.5, 2.0, len(AREA))
    ours, plain = both(lambda: volumes_of(SUMS, height, spread))
    for name in ('placed_m3', 'missing_m3', 'over_m3', 'spilled_m3'):
        npt.assert_array_equal(getattr(ours, name), getattr(plain, name))
    assert np.isnan(plain.placed_m3).all() == (unknown > 0.5)
    if unknown == 0.0 and spread_m:
        # As the formula says, written out for the whole of a segment.
        cells, shares = SUMS.cells(1), AREA.shares[1]
        inside = np.where(DESIGN[cells] > 0.0, shares.data, 0.0)
        known = np.isfinite(height[cells])
        short = positive_part((DESIGN - height)[cells][known], spread[cells][known])
        missing = inside[known] @ short * inside.sum() / inside[known].sum()
        npt.assert_allclose(plain.missing_m3[1], missing * AREA.lattice.cell_area_m2)


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
            out += [turns.after_look(seen, looks, moved), turns.seen, turns._waiting.copy()]
            turns.done(np.array([rng.integers(len(AREA.segments))]))
        return out

    for ours, plain in zip(*both(told)):
        npt.assert_array_equal(ours, plain)


# ---- crest -----------------------------------------------------------------------------------

@built
@given(st.integers(0, 2**32 - 1), st.integers(1, 60), st.sampled_from((0.0, 0.3, 0.9, 1.0)))
def test_what_a_crest_comes_to_is_the_same(seed: int, count: int, unknown: float) -> None:
    rng = np.random.default_rng(seed)
    height, offset, spread, target = rng.normal(0.2, 0.02, (4, count))
    height[rng.random(count) < unknown] = np.nan
    height[rng.random(count) < 0.02] = np.inf
    seen = np.isfinite(height)
    offset[~seen] = np.nan
    ours, plain = both(lambda: _along(height, offset, spread, target, 0.02))
    assert ours == plain
    assert plain[0] == seen.sum()
    if seen.any():
        npt.assert_allclose(plain[2:5], [values[seen].mean() for values in (
            height, offset, spread)])
        assert plain[5:] == (height[seen].min(), height[seen].max())


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
def test_what_does_not_fit_a_roof_is_refused() -> None:
    part, along = np.zeros((3, 5)), np.zeros((3, 3 * 8), dtype=np.float32)
    three, spreads = np.zeros(3), np.zeros((4, 2))
    out = {'place': np.zeros(3, dtype=np.intp), 'height': np.zeros(3), 'spread': np.zeros(3)}

    def choose(**changes) -> None:
        given = {'along': along, 'part': part, 'level': three, 'noise': three,
                 'weights': np.zeros((4, 2, 5)), 'spreads': spreads, 'voters': 1, 'penalty': 1.0,
                 'least': 1e-6, **out, **changes}
        compiled.readings.choose(*given.values())

    choose()
    for changes, says in (
            ({'along': along[:2]}, 'wanted 72 values, got 48'),
            ({'weights': np.zeros((4, 10))}, 'weights of places'), ({'voters': -1}, 'some voters'),
            ({'weights': np.zeros((0, 2, 5))}, 'weights of places'),
            ({'part': part[:, :4].copy()}, 'wanted 15 values'),
            ({'spreads': spreads[:3]}, 'wanted 8 values'), ({'noise': three[:2]}, 'wanted 3'),
            ({'place': out['place'][:1]}, 'wanted 3 values')):
        with pytest.raises(ValueError, match=says):
            choose(**changes)
    left = np.zeros((3, 5), dtype=np.float32)
    with pytest.raises(ValueError, match='wanted 3 values'):
        compiled.readings.centred(part, three[:2], left)
    with pytest.raises(TypeError, match="wanted type 'f'"):
        compiled.readings.centred(part, three, part.copy())


@built
def test_what_does_not_fit_a_segment_is_refused() -> None:
    cells, single = np.arange(4), np.ones(6, dtype=np.float32)
    above, spread, inverse = np.zeros(4), np.zeros(4), np.zeros(4, dtype=np.float32)
    given = [single, single, single, single, 127.0, 0.004, cells, above, spread, inverse]
    assert compiled.readings.standing(*given) == 4
    for place, wrong in ((6, cells + 3), (6, cells - 1)):
        with pytest.raises(ValueError, match='a cell that'):
            compiled.readings.standing(*given[:place], wrong, *given[place + 1:])
    with pytest.raises(ValueError, match='wanted 6 values, got 5'):
        compiled.readings.standing(single, single[:5], *given[2:])
    for wrong in (cells + 3, cells - 1):
        with pytest.raises(ValueError, match='a cell that'):
            compiled.readings.spread(single, None, 127.0, 0.004, wrong, inverse)
    four, sums = np.ones(4), np.zeros(5)
    given = [four] * 5 + [6.0, above, cells.copy(), spread, np.zeros(4), sums]
    assert compiled.readings.gaps(*given) == 4
    assert sums.tolist() == [4.0, 4.0, 0.0, 4.0, 4.0]
    with pytest.raises(ValueError, match='wanted 5 values, got 4'):
        compiled.readings.gaps(*given[:10], sums[:4])
    with pytest.raises(ValueError, match='wanted 4 values, got 3'):
        compiled.readings.product(four, four[:3])
    with pytest.raises(ValueError, match='wanted 4 values, got 3'):
        compiled.readings.along(four, four, four[:3], four, 0.02)


@built
def test_what_does_not_fit_the_turns_is_refused() -> None:
    cells, ends, two = np.arange(4, dtype=np.int32), np.array([0, 2, 4]), np.zeros(2, dtype=bool)

    def turns(**changes) -> None:
        given = {'seen': np.ones(6, dtype=bool), 'looks': np.ones(6, dtype=np.float32),
                 'cells': cells, 'ends': ends, 'moved': np.array([1, 0]),
                 'least': np.ones(2), 'block': np.arange(2), 'look': 3, 'most': 16, 'part': 0.25,
                 'shown': two.copy(), 'waiting': two.copy(), 'turn': two.copy(), **changes}
        compiled.readings.turns(*given.values())

    turns()
    for changes, says in (
            ({'cells': cells + np.int32(3)}, 'a cell that'), ({'ends': ends + 1}, 'a cell that'),
            ({'cells': cells - np.int32(1)}, 'a cell that'), ({'ends': ends - 1}, 'a cell that'),
            ({'moved': np.array([6])}, 'wanted 2 values'),
            ({'ends': ends[:2]}, 'wanted 3 values'), ({'turn': two[:1]}, 'wanted 2 values')):
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
