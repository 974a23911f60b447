# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The median without what numpy's looks at besides: other axes, NaN, kinds of arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[np.floating]) -> float:
    """
    Return the median of values (n,), at least one, none of them NaN; equal to numpy's.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, 2.0])), median(np.array([4.0, 1.0, 2.0, 8.0]))
    (2.0, 3.0)

    """
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    part = np.partition(values, (half - 1, half))
    return float((part[half - 1] + part[half]) / values.dtype.type(2.0))
