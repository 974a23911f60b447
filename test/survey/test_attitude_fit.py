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


TOP_XY = np.array([0.4, 0.1])


def fit_of(left, slope):
    return Fit(np.zeros(3), np.eye(3), left, slope, np.zeros(3))


def test_a_tilt_that_shows_as_it_should_is_found() -> None:
    """Without noise: a plane."""
    points = np.random.default_rng(0).uniform(-1.0, 1.0, (600, 2))
    found = fitted(points, fit_of(points @ np.array([0.01, -0.02]), np.zeros((2, 600))), 10.0,
                   of_yaw=False, many=2000)
    assert found is not None
    npt.assert_allclose(found.found[:2], [0.01, -0.02], atol=1e-9)


def hill(steep_x: float, steep_y: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return points about a top, their offsets from it and slopes of z = (a x2 + b y2) / 2."""
    own = np.stack(np.meshgrid(*[np.linspace(-1.0, 1.0, 25)] * 2), axis=-1).reshape(-1, 2)
    return own + TOP_XY, own, np.ascontiguousarray((own * [steep_x, steep_y]).T)


def test_a_yaw_is_what_no_shift_shows() -> None:
    """
    By closed form: turned by a small c, a hill shows c (a - b) x y more about its top.

    About any other place the same turn also shifts it; its shift, fitted before, has taken that.
    """
    points, own, slope = hill(1.0, 0.4)
    fit = fit_of(0.01 * (1.0 - 0.4) * own[:, 0] * own[:, 1], slope)
    # Seen from further to one side: the middle of the points lies elsewhere.
    beside = np.concatenate([points, [[3.0, 2.0]]])
    fit = fit_of(np.append(fit.left_m, 0.0),
                 np.ascontiguousarray(np.column_stack([slope, [1e-9, 0.0]])))
    found = fitted(beside, fit, 10.0, of_yaw=True, many=2000)
    assert found is not None
    npt.assert_allclose(found.about_xy, TOP_XY, atol=0.01)
    assert found.found[0] == pytest.approx(0.01, rel=0.01)


def test_a_round_hill_tells_no_yaw() -> None:
    """It looks the same however it is turned: a shift explains what another place shows."""
    points, _, slope = hill(1.0, 1.0)
    found = fitted(points + np.array([0.5, 0.0]), fit_of(np.zeros(len(points)), slope), 10.0,
                   of_yaw=True, many=2000)
    assert found is not None
    assert found.covariance[0, 0] > 0.1**2


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
