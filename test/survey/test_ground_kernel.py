# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is known of the ground that grids are laid onto: compiled against not, bit for bit."""

from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.compared import ComparedGround
from berm_ledger.survey.surface import SiteSurface
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import straight

built = pytest.mark.skipif(
    compiled.ground is None,
    reason='the kernels are not built: pip install -e . with a C compiler')

AREA = survey_area(straight(1.2))


def both(work):
    """Return what a function gives with the kernels and without."""
    with numpy_only():
        plain = work()
    return work(), plain


@built
@given(st.integers(0, 2**32 - 1))
def test_pairs_are_the_same(seed: int) -> None:
    rng = np.random.default_rng(seed)
    ground, cells = ComparedGround(AREA), len(AREA)
    surface = SiteSurface(cells)
    # Some are known by more looks than they are worth.
    looks = rng.integers(0, 9, cells) * rng.choice([1, 40], cells)
    surface.put(np.arange(cells), rng.normal(size=cells), looks)
    measured = rng.normal(size=cells).astype(np.float32)
    measured[rng.random(cells) < 0.2] = np.nan
    worked = rng.random(cells) < 0.2
    ours, plain = both(lambda: ground.pairs(measured, surface, worked))
    assert len(plain[0]) > 50
    for one, other in zip(ours, plain):
        npt.assert_array_equal(one, other)
    assert plain[2].max() == SiteSurface.most_independent_looks


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.5, 1.0)), st.sampled_from((0.0, 0.02)))
def test_the_ground_compared_is_the_same(seed: int, worked: float, noise_m: float) -> None:
    rng = np.random.default_rng(seed)
    ground, cells = ComparedGround(AREA), len(AREA)
    surface = SiteSurface(cells)
    surface.put(np.arange(cells), rng.normal(0.0, 0.03, cells), rng.integers(0, 300, cells))
    surface.height_m[rng.random(cells) < 0.02] = np.nan
    surface.aside_looks[rng.random(cells) < 0.1] = 1
    mask = rng.random(cells) < worked
    ours, plain = both(lambda: ground.known(surface, mask, noise_m, rises=False))
    assert (len(plain[1]) > 0) == (worked < 1.0)
    for one, other in zip(ours, plain):
        assert one.shape == other.shape
        assert one.dtype == other.dtype
        npt.assert_array_equal(one, other)
        npt.assert_array_equal(np.signbit(one), np.signbit(other))


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.02, 1.0)))
def test_slopes_of_the_ground_are_the_same(seed: int, unknown: float) -> None:
    rng = np.random.default_rng(seed)
    ground, cells = ComparedGround(AREA), len(AREA)
    surface = SiteSurface(cells)
    surface.height_m[:] = rng.normal(0.0, 0.03, cells)
    # Zeros of either sign, too.
    surface.height_m[rng.random(cells) < 0.5] *= 0.0
    surface.height_m[rng.random(cells) < unknown] = np.nan
    ours, plain = both(lambda: ground.slopes(surface))
    npt.assert_array_equal(ours, plain)
    npt.assert_array_equal(np.signbit(ours), np.signbit(plain))
    if unknown == 0.0:
        # A plane has the same slope wherever there are cells all around.
        surface.height_m[:] = AREA.centres_xy @ [0.3, -0.2]
        east, north = ground.slopes(surface)
        assert (east != 0.0).mean() > 0.5
        npt.assert_allclose(east[east != 0.0], 0.3, atol=1e-5)
        npt.assert_allclose(north[east != 0.0], -0.2, atol=1e-5)


@built
def test_what_does_not_fit_the_ground_is_refused() -> None:
    ground, single, rows = compiled.ground, np.zeros(5), np.zeros((5, 2))
    four, mask, cells = np.zeros(4, dtype=np.float32), np.zeros(4, dtype=bool), np.zeros(5, int)
    worth = np.zeros(5, dtype=np.float32)
    given_in = (four, four, four, mask, cells, cells, 1.0, 9.0, single, single.copy(), worth)
    assert ground.pairs(*given_in) == 0
    for place, wrong in ((4, cells + 4), (4, cells - 1), (5, cells + 4)):
        with pytest.raises(ValueError, match='a cell that there is not'):
            ground.pairs(*given_in[:place], wrong, *given_in[place + 1:])
    with pytest.raises(ValueError, match='wanted 5 values, got 4'):
        ground.pairs(*given_in[:10], worth[:4])
    byte, out = np.zeros(4, dtype=np.uint8), (np.zeros((5, 2)), np.zeros(5), np.zeros(10))
    slope = np.zeros((2, 5))
    for wrong in (cells + 4, cells - 1):
        with pytest.raises(ValueError, match='a cell that there is not'):
            ground.known(four, mask, byte, four, wrong, rows, slope, 0.0, 1.0, 9.0, 0.1, *out)
    assert ground.known(four, mask, byte, four, cells, rows, slope, 0.0, 1.0, 9.0, 0.1, *out) == 5
    for place, wrong in enumerate((np.zeros((4, 2)), np.zeros(4), np.zeros(8))):
        short = [*out[:place], wrong, *out[place + 1:]]
        with pytest.raises(ValueError, match=f'wanted {out[place].size} values'):
            ground.known(four, mask, byte, four, cells, rows, slope, 0.0, 1.0, 9.0, 0.1, *short)
    six = np.full((6, 5), 4, dtype=np.int32)
    ground.slopes(four, six, six - 5, 0.1, slope)
    npt.assert_array_equal(slope, 0.0)
    with pytest.raises(ValueError, match='wanted 30 values, got 24'):
        ground.slopes(four, six, six[:, :4].copy(), 0.1, np.zeros((2, 5)))
    with pytest.raises(TypeError, match="wanted type 'i', got 'l'"):
        ground.slopes(four, six.astype(np.int64), six, 0.1, np.zeros((2, 5)))
