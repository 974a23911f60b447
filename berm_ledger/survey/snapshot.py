# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A named layer of the site lattice, as it is kept beside the books."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import GeometryError
from ..geometry import Lattice


@dataclass(frozen=True, eq=False)
class NamedSurface:
    """
    One layer on the site lattice.

    Parameters
    ----------
    name : str
        What it is, e.g. ``datum_m``.
    stamp_ns : int
        Message time it belongs to [ns].
    lattice : Lattice
        Where the cells are, in the site frame.
    values : array
        Shape of the lattice; NaN is unknown.

    Raises
    ------
    GeometryError
        Values of another shape than the lattice.

    """

    name: str
    stamp_ns: int
    lattice: Lattice
    values: NDArray[np.generic]

    def __post_init__(self) -> None:
        """Check the shape."""
        if self.values.shape != self.lattice.shape:
            msg = f'layer {self.name} has shape {self.values.shape}, not {self.lattice.shape}'
            raise GeometryError(msg)
