# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Roof templates: closed forms of what sampling does, and heights free of bias."""

import math

from berm_ledger.survey.blur import Alike, blur_at, usual_blur
from berm_ledger.survey.roof import (
    blur_variance_m2,
    Detail,
    detail_for,
    DETAILS,
    PLACES_CELLS,
    roof_templates,
    smoothed_abs,
)
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from scipy import integrate

CELL_M = 0.015
TAN = math.tan(math.radians(33.0))
PLAIN = Detail(math.inf, 0.075, 0, 1, 0.0)


def templates_of(grid_cell_m, detail, blur=None):
    return roof_templates(CELL_M, grid_cell_m, detail, blur or usual_blur(CELL_M, grid_cell_m))


@given(st.floats(-5.0, 5.0), st.floats(0.3, 3.0))
def test_smoothed_absolute_value_is_the_integral_it_says(u, width) -> None:
    # Triangular kernel of half width a, integrated by quadrature (scipy.integrate.quad).
    def under(v):
        return abs(u - v) * (1.0 - abs(v) / width) / width

    points = sorted({-width, 0.0, width, min(width, max(-width, u))})
    exact = sum(integrate.quad(under, a, b)[0] for a, b in zip(points, points[1:]))
    npt.assert_allclose(smoothed_abs(np.array([u]), width), exact, atol=1e-9)


def test_blur_is_the_variance_of_two_triangles() -> None:
    # Of one triangle: integral of v^2 (1 - |v| / c) / c = c^2 / 6.
    assert blur_variance_m2(0.015, 0.02) == pytest.approx((0.015**2 + 0.02**2) / 6.0)


def test_a_coarse_grid_allows_less_detail() -> None:
    windows = [detail_for(0.0, cell_m).window_m for cell_m in (0.015, 0.03, 0.05, 0.10)]
    assert windows == sorted(windows)
    assert detail_for(0.0, 0.10) is DETAILS[-1]
    assert templates_of(0.10, DETAILS[-1]).window * CELL_M >= 0.13


def test_less_noise_means_more_detail() -> None:
    assert detail_for(0.0, CELL_M) is DETAILS[0]
    assert detail_for(math.inf, CELL_M) is DETAILS[-1]
    limits = [detail.most_noise_m for detail in DETAILS]
    assert limits == sorted(limits)
    for key in ('window_m', 'pooled', 'voters'):
        values = [getattr(detail, key) for detail in DETAILS]
        assert values == sorted(values)
    for detail in DETAILS[:-1]:
        assert detail_for(detail.most_noise_m, CELL_M) is detail
        assert detail_for(math.nextafter(detail.most_noise_m, 1.0), CELL_M) is not detail


def fit(templates, profiles):
    return templates.fit(profiles, np.full(len(profiles), 0.001))


def sampled(shape_of, templates):
    """Return a shape, function of the distance [cells], as bilinear sampling shows it."""
    window = templates.window
    u = np.arange(-window, window + 1, dtype=float)
    # Two triangular kernels one after the other, by brute force.
    kernel = np.linspace(-1.0, 1.0, 81)
    weight = 1.0 - np.abs(kernel)
    weight /= weight.sum()
    total = np.zeros(len(u))
    for a, wa in zip(kernel, weight):
        for b, wb in zip(kernel, weight):
            total += wa * wb * shape_of(u + a + b)
    return total


@pytest.mark.parametrize('place', [0.0, 0.5, -1.25])
@pytest.mark.parametrize('slopes', [(TAN, TAN), (TAN, 0.5 * TAN), (0.46, 0.84)])
def test_a_sharp_ridge_keeps_its_height(place, slopes) -> None:
    templates = templates_of(CELL_M, PLAIN)

    def ridge(u):
        return 0.2 - CELL_M * np.where(u > place, slopes[0], slopes[1]) * np.abs(u - place)

    profile = sampled(ridge, templates)
    assert profile.max() < 0.2 - 0.0025  # the peak itself is rounded off
    height, where, _ = fit(templates, np.tile(profile, (5, 1)))
    npt.assert_allclose(height, 0.2, atol=0.0006)
    npt.assert_allclose(where, place, atol=0.26)


@pytest.mark.parametrize('forward', [True, False])
@pytest.mark.parametrize('place', [0.0, 0.5, -1.25])
@pytest.mark.parametrize(('own', 'other'), [(0, 0), (0, 4), (2, 0), (3, 6), (4, 4)])
def test_a_ridge_seen_at_known_places_keeps_its_height(own, other, place, forward) -> None:
    # Heights of a grid, interpolated (numpy.interp) at a lattice and there at the samples.
    templates = templates_of(CELL_M, PLAIN, blur_at(Alike(0, forward, own), other, 4, 1.0))
    sign = 1.0 if forward else -1.0
    samples = own / 8 + np.arange(-9.0, 10.0)
    top = samples[9] + sign * place
    lattice = np.arange(-15.0, 16.0)
    grid = lattice - other / 8
    heights = 0.2 - CELL_M * TAN * np.abs(grid - top)
    shown = np.interp(samples, lattice, np.interp(lattice, grid, heights))[::int(sign)]
    middle = len(shown) // 2
    profile = shown[middle - templates.window:middle + templates.window + 1]
    height, where, _ = fit(templates, np.tile(profile, (5, 1)))
    npt.assert_allclose(height, 0.2, atol=1e-6)
    npt.assert_allclose(where, place, atol=1e-9)


@pytest.mark.parametrize('top_m', [0.06, 0.10])
def test_a_flat_top_keeps_its_height(top_m) -> None:
    templates = templates_of(CELL_M, PLAIN)
    profile = sampled(
        lambda u: 0.2 - TAN * CELL_M * np.maximum(0.0, np.abs(u) - top_m / CELL_M / 2), templates)
    height, _, _ = fit(templates, np.tile(profile, (5, 1)))
    npt.assert_allclose(height, 0.2, atol=0.0008)


@settings(max_examples=15)
@given(st.floats(-1.0, 1.0), st.integers(0, 100))
def test_raising_a_profile_raises_the_crest_by_as_much(change_m, seed) -> None:
    templates = templates_of(0.02, DETAILS[0])
    profile = np.random.default_rng(seed).normal(0.0, 0.02, (4, 2 * templates.window + 1))
    low, high = fit(templates, profile), fit(templates, profile + change_m)
    npt.assert_allclose(high[0] - low[0], change_m, atol=1e-9)


def test_the_weights_of_the_crest_tell_its_spread() -> None:
    templates = templates_of(CELL_M, PLAIN)
    # Weights of every shape add up to one: a level surface is no higher than it is.
    npt.assert_allclose(templates.crest.sum(axis=2), 1.0, atol=1e-9)
    profile = sampled(lambda u: 0.2 - TAN * CELL_M * np.abs(u), templates)
    _, place, spread = fit(templates, np.tile(profile, (3, 1)))
    index = int(np.argmin(np.abs(PLACES_CELLS - place[0])))
    weights = templates.crest[index]
    assert (np.abs(np.sqrt((weights**2).sum(axis=1)) - spread[0]) < 1e-12).any()
    assert 0.3 < spread[0] < 1.0


def test_a_mirrored_profile_has_its_crest_mirrored() -> None:
    templates = templates_of(CELL_M, PLAIN)
    profile = sampled(lambda u: 0.2 - TAN * CELL_M * np.abs(u - 1.0), templates)
    left = fit(templates, np.tile(profile, (3, 1)))
    right = fit(templates, np.tile(profile[::-1], (3, 1)))
    npt.assert_allclose(left[0], right[0], atol=1e-6)
    npt.assert_allclose(left[1], -right[1])
