# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A named layer fits its lattice."""

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Lattice
from berm_ledger.survey.snapshot import NamedSurface
import numpy as np
import pytest


def test_values_of_another_shape_are_refused() -> None:
    lattice = Lattice(0.0, 0.0, 0.1, 2, 3)
    assert NamedSurface('datum_m', 1, lattice, np.full((2, 3), np.nan)).values.shape == (2, 3)
    with pytest.raises(GeometryError, match=r'datum_m has shape \(3, 2\), not \(2, 3\)'):
        NamedSurface('datum_m', 1, lattice, np.zeros((3, 2)))
