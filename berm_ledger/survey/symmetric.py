# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Symmetric matrices of 3 x 3 in plain numbers: multiplied, solved, inverted.

For so few numbers LAPACK and BLAS are not slow, the way there is: seven solutions and six
products for each grid took longer than all sums over cells of which the matrices were made. And
BLAS adds up in an order of each machine's own. Factors L D L^T, which need no choice of pivots
where a matrix is positive definite (Golub and Van Loan, Matrix Computations, 4th edition, 4.2).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def times(matrix: Floats, vector: Floats) -> Floats:
    """
    Return a symmetric matrix (3, 3) times a vector, shape (3,).

    Examples
    --------
    >>> times(np.diag([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 2.0])).tolist()
    [1.0, 2.0, 6.0]

    """
    (xx, xy, xz), (_, yy, yz), (_, _, zz) = matrix.tolist()
    x, y, z = vector.tolist()
    return np.array([
        xx * x + xy * y + xz * z, xy * x + yy * y + yz * z, xz * x + yz * y + zz * z])


def square_by(matrix: Floats, vector: Floats) -> float:
    """
    Return the square of a vector (3,) by the measure of a symmetric matrix (3, 3).

    Examples
    --------
    >>> square_by(np.diag([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 2.0]))
    15.0

    """
    x, y, z = vector.tolist()
    by_x, by_y, by_z = times(matrix, vector).tolist()
    return float(by_x * x + by_y * y + by_z * z)


def solved(matrix: Floats, right: Floats) -> Floats:
    """
    Return what a matrix (3, 3) must be multiplied by to give a right side (3,).

    Raises
    ------
    numpy.linalg.LinAlgError
        When the matrix is not positive definite.

    Examples
    --------
    >>> matrix = np.array([[2.0, 1.0, 0.0], [1.0, 2.0, 0.0], [0.0, 0.0, 4.0]])
    >>> solved(matrix, np.array([3.0, 3.0, 2.0])).tolist()
    [1.0, 1.0, 0.5]

    """
    first, second, third, low_y, low_z, low = _factors(matrix)
    x, y, z = right.tolist()
    y -= low_y * x
    z -= low_z * x + low * y
    z /= third
    y = y / second - low * z
    x = x / first - (low_y * y + low_z * z)
    return np.array([x, y, z])


def inverse(matrix: Floats) -> Floats:
    """
    Return the inverse of a matrix, shape (3, 3), exactly symmetric.

    Raises
    ------
    numpy.linalg.LinAlgError
        When the matrix is not positive definite.

    Examples
    --------
    >>> inverse(np.diag([1.0, 2.0, 4.0])).diagonal().tolist()
    [1.0, 0.5, 0.25]

    """
    first, second, third, low_y, low_z, low = _factors(matrix)
    # From the last row upwards: L^T times the inverse is zero above its diagonal, there 1 / D.
    zz = 1.0 / third
    yz = -low * zz
    xz = -(low_y * yz + low_z * zz)
    yy = 1.0 / second - low * yz
    xy = -(low_y * yy + low_z * yz)
    xx = 1.0 / first - (low_y * xy + low_z * xz)
    return np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])


def _factors(matrix: Floats) -> tuple[float, float, float, float, float, float]:
    """Return the diagonal of D, and what L holds below its own: y by x, z by x, z by y."""
    (xx, xy, xz), (_, yy, yz), (_, _, zz) = matrix.tolist()
    if xx > 0.0:
        low_y, low_z = xy / xx, xz / xx
        second, beside = yy - low_y * xy, yz - low_y * xz
        if second > 0.0:
            low = beside / second
            third = zz - low_z * xz - low * beside
            if third > 0.0:
                return xx, second, third, low_y, low_z, low
    msg = 'matrix is not positive definite'
    raise np.linalg.LinAlgError(msg)
