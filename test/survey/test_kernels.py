# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The compiled loops give what numpy gives, bit for bit, and refuse what does not fit."""

from berm_ledger.geometry import GridAxes, Lattice, Polygon, Pose2
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.attitude import Attitude
from berm_ledger.survey.gates import _greatest_m
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.registration import Shift
from berm_ledger.survey.resample import at_cells, bilinear, under_footprint, without_spikes
from berm_ledger.survey.sampling import under_rover
from berm_ledger.survey.surface import SiteSurface
from berm_ledger.survey.turns import Turns
from berm_ledger.survey.yaw import Yaw
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
import shapely
from survey_kit import straight

built = pytest.mark.skipif(
    compiled.cells is None, reason='the kernels are not built: pip install -e . with a C compiler')

AREA = survey_area(straight(1.2, turn_deg=10.0))
SECOND_NS = 1_000_000_000
STATE = ('height_m', 'looks', 'trend_m', 'aside_m', 'aside_looks', 'aside_ns', 'seen_ns')


def both(work):
    """Return what a function gives with the kernels and without."""
    with numpy_only():
        plain = work()
    return work(), plain


def rough(rng, shape) -> np.ndarray:
    """Return heights with holes, spikes and steps."""
    out = rng.normal(0.0, 0.02, shape).astype(np.float32)
    out[rng.random(shape) < 0.1] = np.nan
    out[rng.random(shape) < 0.05] += np.float32(0.2)
    return out


@built
@given(st.integers(0, 2**32 - 1), st.integers(2, 40), st.integers(2, 40), st.sampled_from('CFP'))
def test_spikes_are_the_same(seed: int, rows: int, cols: int, order: str) -> None:
    rng = np.random.default_rng(seed)
    heights = rough(rng, (rows + 3, cols + 3))
    heights = heights[1:rows + 1, 2:cols + 2] if order == 'P' else heights.copy(order)
    (clean, found), (other, count) = both(lambda: without_spikes(heights))
    assert found == count
    npt.assert_array_equal(clean, other)


@st.composite
def turned_grids(draw) -> ElevationGrid:
    """Grids along the axes in all eight ways, stored in either order."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    shape = draw(st.integers(2, 30)), draw(st.integers(2, 30))
    along, across = draw(st.sampled_from((1.0, -1.0))), draw(st.sampled_from((1.0, -1.0)))
    # As wide as those of the lattice, where one cell follows the other, or wider.
    cell_m = draw(st.sampled_from((0.02, 0.03)))
    steps = [(0.0, cell_m * along), (cell_m * across, 0.0)]
    axes = GridAxes((draw(st.floats(-0.5, 0.5)), draw(st.floats(-0.5, 0.5))),
                    *(steps if draw(st.booleans()) else steps[::-1]))
    return ElevationGrid(0, 'map', axes, rough(rng, shape).copy(draw(st.sampled_from('CF'))))


@built
@given(turned_grids(), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
def test_sampling_is_the_same(grid: ElevationGrid, dx: float, dy: float, dz: float) -> None:
    lattice = Lattice(-0.3, -0.4, 0.02, 25, 31)
    # Row and column on the lattice, first cell, how many.
    runs = np.array([[0, 0, 0, 31], [3, 5, 31, 1], [3, 9, 32, 20], [24, 0, 52, 31]], np.int32)
    sampled, plain = both(lambda: at_cells(grid, lattice, runs, dx, dy, dz))
    npt.assert_array_equal(sampled, plain)
    points = lattice.centres_xy().reshape(-1, 2)
    npt.assert_array_equal(*both(lambda: bilinear(grid, points, (dx, dy))))
    # Both ways of sampling agree, too.
    cells = np.concatenate([row * 31 + col + np.arange(count) for row, col, _, count in runs])
    by_points = bilinear(grid, points[cells], (dx, dy)) - np.float32(dz)
    seen = np.isfinite(by_points) & np.isfinite(sampled)
    npt.assert_allclose(sampled[seen], by_points[seen], atol=1e-5)


@built
@given(st.integers(0, 2**32 - 1), st.floats(-0.1, 0.05), st.sampled_from((0.02, 0.0198, 0.0203)),
       st.integers(225, 260), st.sampled_from('CF'))
def test_long_rows_are_sampled_the_same(
        seed: int, x0_m: float, cell_m: float, cols: int, order: str) -> None:
    """Where one cell follows the other but for a few, which lie beside or are skipped."""
    rng = np.random.default_rng(seed)
    lattice = Lattice(0.0, 0.0, 0.02, 3, 240)
    runs = np.array([[0, 0, 0, 240], [1, 7, 240, 100], [2, 120, 340, 120]], np.int32)
    axes = GridAxes((x0_m, -0.015), (0.0, cell_m), (cell_m, 0.0))
    heights = np.arange(6.0 * cols).reshape(6, cols) + rng.normal(size=(6, cols))
    grid = ElevationGrid(0, 'map', axes, heights.astype(np.float32).copy(order))
    ours, plain = both(lambda: at_cells(grid, lattice, runs, 0.003, 0.0, 0.1))
    assert np.isfinite(plain).sum() > 300
    npt.assert_array_equal(ours, plain)


@built
@given(st.integers(0, 2**32 - 1), st.integers(1, 3000))
def test_fusion_is_the_same(seed: int, cells: int) -> None:
    rng = np.random.default_rng(seed)
    noise_m = 0.004
    looks = [(rng.normal(0.0, noise_m, cells)
              + np.where(rng.random(cells) < 0.02, 0.1, 0.0) * (n > 5)
              + np.where(np.arange(cells) < cells // 3, 0.002 * n, 0.0)).astype(np.float32)
             for n in range(12)]
    for look in looks:
        look[rng.random(cells) < 0.1] = np.nan

    def fused() -> list[np.ndarray]:
        surface = SiteSurface(cells)
        out = []
        for n, look in enumerate(looks):
            told = surface.fuse(look, (n + 1) * SECOND_NS, noise_m)
            out += [told.seen, told.adopted, told.moved]
        return out + [getattr(surface, name) for name in STATE]

    for ours, plain in zip(*both(fused)):
        npt.assert_array_equal(ours, plain)


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.05, 0.2)), st.floats(-4.0, 4.0))
def test_what_lies_under_a_rover_is_the_same(seed: int, pad_m: float, yaw_rad: float) -> None:
    rng = np.random.default_rng(seed)
    corners = Polygon([[-0.35, -0.3], [0.45, -0.3], [0.2, 0.0], [0.45, 0.3], [-0.35, 0.3]])
    pose = Pose2(*rng.uniform(-1.0, 1.0, 2), yaw_rad)
    points = pose.xy + rng.uniform(-0.8, 0.8, (500, 2))
    # Corners and points on edges and on the axes, too.
    points[:5] = pose.apply(corners.corners_xy)
    points[5] = pose.apply([[0.0, -0.3]])[0]
    points[6] = pose.xy
    ours, plain = both(lambda: under_footprint(points, corners, pose, pad_m))
    npt.assert_array_equal(ours, plain)
    assert plain[6]
    assert not plain.all()
    # By another library, but for the border.
    local = pose.inverse().apply(points)
    away = np.array([shapely.Point(p).distance(shapely.Polygon(corners.corners_xy))
                     for p in local])
    clear = np.abs(away - pad_m) > 1e-9
    if pad_m == 0.0:
        clear &= corners.distance_m(local) > 1e-9
    npt.assert_array_equal(plain[clear], away[clear] <= pad_m)


@built
@given(st.floats(-2.5, 2.5), st.floats(-2.5, 2.5), st.floats(-4.0, 4.0),
       st.sampled_from((0.0, 0.1, 0.3)), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
def test_cells_under_a_rover_are_the_same(
        x_m: float, y_m: float, yaw_rad: float, pad_m: float, dx_m: float, dy_m: float) -> None:
    pose, shift = Pose2(x_m, y_m, yaw_rad), Shift(dx_m, dy_m)
    ours, plain = both(lambda: under_rover(AREA, shift, pose, pad_m))
    assert ours.dtype == plain.dtype
    npt.assert_array_equal(ours, plain)
    # All cells, one after the other.
    footprint = AREA.site.rover.footprint
    every = under_footprint(AREA.centres_xy + np.array([dx_m, dy_m]), footprint, pose, pad_m)
    npt.assert_array_equal(plain, np.flatnonzero(every))
    if abs(x_m - 0.6) < 0.5 and abs(y_m) < 0.1:
        assert len(plain)


@built
def test_cells_under_a_rover_are_those_that_a_turned_grid_shows_there() -> None:
    """Turned by 2.3 degrees about a place 2 m off: 80 mm beside where they are."""
    pose, yaw = Pose2(0.3, -0.2, 0.5), Yaw(0.04, (2.3, -0.2))
    shift = Shift(0.01, 0.02, attitude=Attitude(yaw=yaw))
    ours, plain = both(lambda: under_rover(AREA, shift, pose, 0.1))
    npt.assert_array_equal(ours, plain)
    every = under_footprint(yaw.moved_xy(AREA.centres_xy) + np.array([0.01, 0.02]),
                            AREA.site.rover.footprint, pose, 0.1)
    npt.assert_array_equal(plain, np.flatnonzero(every))


@built
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.0, 0.3, 1.0)))
def test_turns_are_the_same(seed: int, shown: float) -> None:
    rng = np.random.default_rng(seed)
    cells = len(AREA)
    looks = (rng.integers(0, 200, (5, cells)) * rng.choice([0.1, 1.0], (5, 1))).astype(np.float32)
    seen = rng.random((5, cells)) < shown
    moved = [rng.choice(cells, count, replace=False) for count in (0, 3, 40, 400, 0)]

    def turned() -> list[np.ndarray]:
        turns, out = Turns(AREA), []
        for look in range(5):
            out += [turns.after_look(seen[look], looks[look], moved[look]), turns.seen]
        return out

    for ours, plain in zip(*both(turned)):
        npt.assert_array_equal(ours, plain)


@built
@given(st.integers(0, 2**32 - 1), st.integers(2, 90), st.integers(2, 90),
       st.sampled_from('CFP'), st.sampled_from((0.1, 1.0)))
def test_the_greatest_is_the_same(
        seed: int, rows: int, cols: int, order: str, unknown: float) -> None:
    rng = np.random.default_rng(seed)
    heights = rough(rng, (rows + 3, cols + 3))
    heights[rng.random(heights.shape) < unknown] = np.nan
    heights[rng.random(heights.shape) < 0.01] = -np.inf
    heights = heights[1:rows + 1, 2:cols + 2] if order == 'P' else heights.copy(order)
    known = np.abs(heights[np.isfinite(heights)])
    ours, plain = both(lambda: _greatest_m(heights))
    npt.assert_equal((ours, plain), (known.max() if len(known) else np.nan,) * 2)


@built
@given(st.integers(0, 2**32 - 1), st.integers(0, 50), st.sampled_from((0.1, 0.5)))
def test_what_stands_high_is_the_same(seed: int, cells: int, most: float) -> None:
    rng = np.random.default_rng(seed)
    values, ground = rough(rng, cells), rough(rng, cells)
    with np.errstate(invalid='ignore'):
        high = bool((values - ground > np.float32(most)).any())
    lowest = float(np.nanmin(ground, initial=np.inf)) if np.isfinite(ground).any() else -np.inf
    # Looked at in two pieces, and beyond what is known.
    half = cells // 3
    pieces = np.array([[0, 0, half], [half, half, cells - half]], dtype=np.int32)
    assert compiled.cells.any_above(values, ground, pieces, lowest, most) is high
    assert compiled.cells.any_above(values, ground, pieces, -np.inf, most) is high
    values[:half] = np.nan
    assert compiled.cells.any_above(values, ground, pieces[1:], lowest, most) is (
        compiled.cells.any_above(values, ground, pieces, lowest, most))


@built
def test_what_does_not_fit_is_refused() -> None:
    heights, out = np.zeros((4, 5), dtype=np.float32), np.zeros(3, dtype=np.float32)
    start, origin, step = np.zeros(2), np.zeros(2), np.ones(2)

    def crossed(rows: int, runs: list[list[int]]) -> None:
        compiled.sampling.crossed(
            heights, rows, 3, start, origin, step, 1.0, np.array(runs, dtype=np.int32), False,
            0.0, out)

    crossed(3, [[0, 0, 0, 3]])
    for runs in ([[0, 1, 0, 3]], [[3, 0, 0, 3]], [[0, 0, 1, 3]], [[-1, 0, 0, 3]]):
        with pytest.raises(ValueError, match='does not fit'):
            crossed(3, runs)
    with pytest.raises(ValueError, match='no such lattice'):
        crossed(-1, [[0, 0, 0, 3]])
    with pytest.raises(TypeError, match="wanted type 'f', got 'd'"):
        compiled.sampling.spikes(heights.astype(float), 0.1)
    with pytest.raises(ValueError, match='two rows'):
        compiled.sampling.spikes(heights[:1], 0.1)
    with pytest.raises(TypeError, match='wanted 2 arguments'):
        compiled.sampling.spikes(heights)
    with pytest.raises(ValueError, match='wanted 3 values, got 2'):
        compiled.cells.any_above(out, out[:2], np.zeros((0, 3), np.int32), 0.0, 0.1)
    with pytest.raises(ValueError, match='cells that there are not'):
        compiled.cells.any_above(out, out, np.array([[1, 1, 3]], np.int32), 0.0, 0.1)
    points, ends, two = np.zeros((3, 2)), np.zeros((4, 2)), np.zeros(2)
    with pytest.raises(ValueError, match='wanted 8 values, got 6'):
        compiled.sampling.under(
            points, two, two, ends, ends[:3], 0.1, np.zeros(3, dtype=bool))
    with pytest.raises(ValueError, match='wanted 8 values, got 6'):
        compiled.sampling.under(points, two, two, ends, ends, 0.1, np.zeros(4, dtype=bool))
    with pytest.raises(ValueError, match='lattice of rows'):
        compiled.sampling.cells_under(
            np.zeros(9, np.int32), np.ones(3), points, two, two, two, ends, ends, 0.1)
    with pytest.raises(ValueError, match='wanted 8 values, got 6'):
        compiled.sampling.cells_under(
            np.zeros((3, 3), np.int32), np.ones(3), points, two, two, two, ends, ends[:3], 0.1)


def test_numpy_alone_can_be_asked_for() -> None:
    before = compiled.cells, compiled.sampling
    with numpy_only():
        assert (compiled.cells, compiled.sampling) == (None, None)
    assert (compiled.cells, compiled.sampling) == before
