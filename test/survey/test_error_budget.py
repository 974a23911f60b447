# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The error budget of volumes agrees with published worked examples and with simulation."""

import math

from berm_ledger.survey.error_budget import between_points, effective_sample_size, volume_error
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest

# USGS, whiskeytown-dem-differencing, VolumetricUncertaintyCalculations.ipynb (equations of
# Anderson 2019): cell 0.25 m, 682640 cells, random terms at 1.96 standard errors. The notebook
# rounds the root of pi/5 in equation 16 to 0.79.
USGS = {'cell_m': 0.25, 'count': 682640, 'own_m': 0.11584754, 'sill_m2': 0.0071469,
        'range_m': 2.3546, 'systematic_m': 0.104254974}
USGS_ROUNDING = 0.79 / math.sqrt(math.pi / 5.0)


def usgs_error():
    return volume_error(
        USGS['cell_m'], np.full(USGS['count'], USGS['own_m'] * 1.96),
        correlated_m=1.96 * math.sqrt(USGS['sill_m2']), range_m=USGS['range_m'],
        systematic_m=USGS['systematic_m'])


def test_published_worked_example() -> None:
    error = usgs_error()
    assert error.independent_m3 == pytest.approx(11.725159819775277, rel=1e-9)
    assert error.correlated_m3 * USGS_ROUNDING == pytest.approx(63.66416245931655, rel=1e-9)
    assert error.systematic_m3 == pytest.approx(4448.03846571, rel=1e-9)
    # Without the rounding the total moves by a few millionths.
    assert error.total_m3 == pytest.approx(4448.509502899844, rel=1e-5)


@pytest.mark.parametrize(('area_m2', 'range_m', 'expected'), [
    # xdem 0.2.3 (Rolstad et al. 2009, spherical model).
    (100.0, 2.0, 39.78873577297383),
    (1.0, 2.0, 1.3842844391529054),
    # Both branches meet where the radius equals the range.
    (math.pi, 1.0, 5.0),
    (1e-12, 1.0, 1.0),
])
def test_effective_sample_size(area_m2: float, range_m: float, expected: float) -> None:
    assert effective_sample_size(area_m2, range_m) == pytest.approx(expected, rel=1e-6)


def test_without_correlation_samples_are_independent() -> None:
    assert effective_sample_size(1.0, 0.0) == math.inf
    assert volume_error(0.02, [0.004] * 9, correlated_m=0.002).correlated_m3 == 0.0


def test_no_cells_have_no_error() -> None:
    error = volume_error(0.02, [], correlated_m=0.002, range_m=0.3, systematic_m=0.001)
    assert (error.independent_m3, error.correlated_m3, error.total_m3) == (0.0, 0.0, 0.0)


def test_unknown_error_of_a_cell_is_unknown_error_of_the_volume() -> None:
    assert math.isnan(volume_error(0.02, [0.004, math.nan]).total_m3)


def test_independent_part_is_what_simulation_gives() -> None:
    rng = np.random.default_rng(3)
    own = rng.uniform(0.002, 0.006, 50)
    volumes = (rng.normal(size=(20000, 50)) * own).sum(axis=1) * 0.02 ** 2
    assert volume_error(0.02, own).total_m3 == pytest.approx(volumes.std(), rel=0.02)


def test_correlated_part_is_what_simulation_gives() -> None:
    # A field with a spherical variogram on a disk, from the Cholesky factor of its covariance.
    cell_m, radius_m, range_m, sd_m = 0.05, 0.4, 0.6, 0.003
    x, y = np.meshgrid(np.arange(-10, 11) * cell_m, np.arange(-10, 11) * cell_m)
    inside = np.hypot(x, y) <= radius_m
    points = np.stack([x[inside], y[inside]], axis=-1)
    area_m2 = len(points) * cell_m**2
    lag = np.linalg.norm(points[:, None] - points[None], axis=-1) / range_m
    covariance = np.where(lag < 1.0, 1.0 - 1.5 * lag + 0.5 * lag ** 3, 0.0)
    # The variance of the sum follows from the covariance without drawing fields.
    exact_m3 = cell_m ** 2 * sd_m * math.sqrt(covariance.sum())
    error = volume_error(
        cell_m, np.zeros(len(points)), correlated_m=sd_m, range_m=range_m)
    # The formula measures lags from the middle of the disk: known to be on the safe side.
    assert error.total_m3 == pytest.approx(exact_m3, rel=0.25)
    assert error.total_m3 >= exact_m3
    assert error.total_m3 * between_points(area_m2, range_m) == pytest.approx(exact_m3, rel=0.02)


def test_the_ratio_to_pairs_of_points_is_that_of_their_distances() -> None:
    """
    While none are further apart than the range, two mean powers of their distance tell all.

    Mean distance 128 / (45 pi) radii (Solomon 1978, Geometric Probability), mean cube
    2048 / (525 pi); both from memory.
    """
    for ratio in (0.1, 0.3, 0.5):
        first, third = 128.0 / (45.0 * math.pi) * ratio, 2048.0 / (525.0 * math.pi) * ratio**3
        worth = effective_sample_size(math.pi * ratio**2, 1.0)
        assert between_points(math.pi * ratio**2, 1.0)**2 == pytest.approx(
            (1.0 - 1.5 * first + 0.5 * third) * worth, rel=2e-3)
    assert between_points(1.0, 0.0) == 1.0
    assert between_points(1e6, 1.0) == pytest.approx(1.0, abs=0.003)


@given(st.floats(1e-6, 1e6), st.floats(0.01, 1e3))
def test_samples_grow_with_the_area_and_are_at_least_one(area_m2: float, range_m: float) -> None:
    worth = effective_sample_size(area_m2, range_m)
    assert worth >= 1.0
    assert effective_sample_size(area_m2 * 1.01, range_m) >= worth
