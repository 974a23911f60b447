# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Small symmetric matrices against numpy's LAPACK and the definition."""

from berm_ledger.survey.symmetric import inverse, solved, square_by, times
from hypothesis import assume, given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest


@st.composite
def matrices(draw) -> np.ndarray:
    """Positive definite ones, along x, y and z of units that are worlds apart."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    half = rng.normal(size=(3, 3)) + draw(st.sampled_from((0.0, 2.0))) * np.eye(3)
    units = 10.0 ** rng.uniform(-4.0, 4.0, 3)
    # Not so nearly singular that no figure of an inverse is worth anything.
    assume(np.linalg.cond(half @ half.T) < 1e10)
    matrix = half @ half.T * np.outer(units, units)
    return (matrix + matrix.T) / 2.0


@given(matrices(), st.integers(0, 2**32 - 1))
def test_they_are_solved_as_lapack_solves_them(matrix: np.ndarray, seed: int) -> None:
    units = np.sqrt(matrix.diagonal())
    wanted = np.random.default_rng(seed).normal(size=3) / units
    # How much a rounding grows, in units in which all are alike.
    close = 1e-14 * np.linalg.cond(matrix / np.outer(units, units))
    found = solved(matrix, matrix @ wanted)
    npt.assert_allclose(found * units, wanted * units, atol=close * 10.0)
    npt.assert_allclose(
        found * units, np.linalg.solve(matrix, matrix @ wanted) * units, atol=close * 10.0)


@given(matrices())
def test_they_are_inverted_as_lapack_inverts_them(matrix: np.ndarray) -> None:
    found, units = inverse(matrix), np.sqrt(matrix.diagonal())
    alike = np.outer(units, units)
    wanted = np.linalg.inv(matrix) * alike
    close = 1e-14 * np.linalg.cond(matrix / alike)
    npt.assert_array_equal(found, found.T)
    npt.assert_allclose(found * alike, wanted, atol=close * np.abs(wanted).max())
    assert np.linalg.eigvalsh(found * alike).min() > 0.0


def test_powers_of_two_come_out_exactly() -> None:
    matrix = np.array([[4.0, 2.0, 0.0], [2.0, 2.0, 0.5], [0.0, 0.5, 0.75]])
    # By hand: pivots 4, 1 and 1/2, determinant 2.
    npt.assert_array_equal(
        inverse(matrix) * 2.0, [[1.25, -1.5, 1.0], [-1.5, 3.0, -2.0], [1.0, -2.0, 4.0]])
    npt.assert_array_equal(solved(matrix, matrix @ [1.0, -2.0, 4.0]), [1.0, -2.0, 4.0])


@pytest.mark.parametrize('matrix', [
    np.zeros((3, 3)), np.diag([1.0, 0.0, 1.0]), np.diag([1.0, 1.0, -1.0]), np.ones((3, 3)),
    np.diag([1.0, np.nan, 1.0]), np.full((3, 3), np.nan)])
def test_others_are_refused(matrix: np.ndarray) -> None:
    for work in (inverse, lambda m: solved(m, np.ones(3))):
        with pytest.raises(np.linalg.LinAlgError, match='not positive definite'):
            work(matrix)


@given(matrices(), st.integers(0, 2**32 - 1))
def test_products_are_those_of_numpy(matrix: np.ndarray, seed: int) -> None:
    units = np.sqrt(matrix.diagonal())
    vector = np.random.default_rng(seed).normal(size=3) / units
    npt.assert_allclose(times(matrix, vector) / units, matrix @ vector / units, atol=1e-14)
    assert square_by(matrix, vector) == pytest.approx(vector @ matrix @ vector, abs=1e-13)
