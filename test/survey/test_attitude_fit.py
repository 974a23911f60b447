# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Fits of a tilt and of a yaw: by closed form, and the same with and without compiled loops."""

from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.attitude_fit import fitted
from berm_ledger.survey.shift_fit import Fit
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

built = pytest.mark.skipif(
    compiled.fits is None, reason='the kernels are not built: pip install -e . with a C compiler')


def fit_of(left, slope):
    return Fit(np.zeros(3), np.eye(3), left, slope, np.zeros(3))


def test_a_tilt_and_a_yaw_that_show_as_they_should_are_found() -> None:
    """Without noise: a plane, and a cone turned about a point beside its top."""
    points = np.random.default_rng(0).uniform(-1.0, 1.0, (600, 2))
    found = fitted(points, fit_of(points @ np.array([0.01, -0.02]), np.zeros((2, 600))), 10.0,
                   of_yaw=False, many=2000)
    assert found is not None
    npt.assert_allclose(found.found[:2], [0.01, -0.02], atol=1e-9)
    slope = np.ascontiguousarray((points - [0.4, 0.1]).T)
    x, y = points.T
    turned = fit_of(0.01 * (slope[0] * y - slope[1] * x), slope)
    found = fitted(points, turned, 10.0, of_yaw=True, many=2000)
    assert found is not None
    middle = (points.min(axis=0) + points.max(axis=0)) / 2.0
    npt.assert_allclose(found.about_xy, middle)
    assert found.found[0] == pytest.approx(0.01, abs=0.0005)


def test_level_ground_tells_no_yaw() -> None:
    points = np.random.default_rng(0).uniform(-1.0, 1.0, (600, 2))
    level = fit_of(np.zeros(600), np.zeros((2, 600)))
    assert fitted(points, level, 10.0, of_yaw=True, many=2000) is None


@built
@given(st.integers(0, 2**32 - 1), st.integers(0, 4000), st.sampled_from((0.0, 0.3, 0.97, 1.0)),
       st.booleans(), st.sampled_from((1, 300, 2000)))
def test_fits_are_the_same_by_compiled_loops(
        seed: int, count: int, unknown: float, of_yaw: bool, many: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(-3.0, 3.0, (count, 2))
    left = rng.normal(0.0, 0.004, count) + 0.01 * points[:, 0]
    left[rng.random(count) < unknown] = np.nan
    left[rng.random(count) < 0.01] = np.inf
    slope = np.ascontiguousarray(rng.normal(0.0, 0.2, (2, count)) * (rng.random(count) < 0.5))
    fit = Fit(np.zeros(3), np.eye(3), left, slope, rng.normal(0.0, 0.01, 3))
    ours = fitted(points, fit, 10.0, of_yaw=of_yaw, many=many)
    with numpy_only():
        plain = fitted(points, fit, 10.0, of_yaw=of_yaw, many=many)
    assert (ours is None) == (plain is None)
    if ours is not None and plain is not None:
        for one, other in zip(ours, plain):
            npt.assert_array_equal(one, other)
