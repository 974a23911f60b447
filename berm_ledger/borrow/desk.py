# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""One borrow area at work: its surface, its lanes, and the present visit of the rover."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .lanes import Lane, lanes_of_area
from .patch import BorrowPatch, Ground
from ..design import Site
from ..geometry import Pose2


class AreaDesk:
    """
    One borrow area: its surface, its lanes and the present visit.

    Parameters
    ----------
    site : Site
        The site.
    patch : BorrowPatch
        Its surface.

    """

    def __init__(self, site: Site, patch: BorrowPatch) -> None:
        """Lay out the lanes; no visit yet."""
        self.patch = patch
        self.lanes: tuple[Lane, ...] = lanes_of_area(site, patch.area)
        self.name = patch.area.name
        self.looked_ns: int | None = None
        #: Surface before the visit; None while there is none.
        self.before: Ground | None = None
        self.voids: set[int] = set()
        self.depths: dict[int, float] = {}

    def holds(self, pose: Pose2, drop_xy: NDArray[np.float64]) -> bool:
        """Tell whether base_link or the drop point is in the area."""
        return bool(self.patch.area.polygon.contains(np.array([pose.xy, drop_xy])).any())

    def visit(self, pose: Pose2, stamp_ns: int) -> None:
        """Note that the drum may have dug here."""
        if self.before is None:
            # What an earlier visit has left there, and nobody has seen yet, is not known.
            self.before = self.patch.ground()
        self.patch.work(pose, stamp_ns)

    def leave(self) -> None:
        """End the visit."""
        self.patch.settle()
        self.before = None
        self.patch.visited[:] = False
