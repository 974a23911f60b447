# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What goes into targeting and comes out of it, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from ..errors import GeometryError
from ..geometry import Lattice, Pose2


@dataclass(frozen=True, eq=False)
class Ground:
    """
    What was measured of the ground, for driving.

    Parameters
    ----------
    lattice : Lattice
        Where the cells are, in the site frame.
    blocked : array of bool
        Shape of the lattice: built soil or a keep-out; the wheels must not go there.
    unknown : array of bool or None
        Shape of the lattice: never seen, hence not free; None when all of it was seen.

    Ground outside the lattice and inside the yard's boundary is free: the site declares it.

    Raises
    ------
    GeometryError
        An array of another shape than the lattice.

    """

    lattice: Lattice
    blocked: NDArray[np.bool_]
    unknown: NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        """Check the shapes."""
        for name, array in (('blocked', self.blocked), ('unknown', self.unknown)):
            if array is not None and array.shape != self.lattice.shape:
                msg = f'{name} cells have shape {array.shape}, not {self.lattice.shape}'
                raise GeometryError(msg)

    @property
    def no_drive(self) -> NDArray[np.bool_]:
        """Cells that are blocked or unknown."""
        return self.blocked if self.unknown is None else self.blocked | self.unknown


@dataclass(frozen=True)
class Target:
    """
    Where the next load goes and how to get there.

    Parameters
    ----------
    berm : str
        Name of the berm.
    berm_index : int
        Its place in the site, from 0.
    segment : int
        Number of the segment along the berm, from 1.
    pose : Pose2
        base_link at the moment of the dump, in the site frame.
    run_up_start : Pose2
        base_link where the straight run-up starts, same heading.
    drop_xy : tuple of float
        Where the load is to land, in the site frame [m].
    station_m, drop_offset_m : float
        The same as station and offset from the centreline, left positive [m].
    loads_remaining : int
        Whole loads still called for on the segment, this one included.
    crest_offset_m : float
        Offset of the standing crest from the centreline [m]; NaN where none stands.
    crest_turn_rad : float
        Direction of the standing crest less that of the centreline [rad].
    reason : str
        Why this one, in plain words.
    unserved : tuple of str
        Segments that no order of work serves together with the others, each with what blocks it.

    """

    berm: str
    berm_index: int
    segment: int
    pose: Pose2
    run_up_start: Pose2
    drop_xy: tuple[float, float]
    station_m: float
    drop_offset_m: float
    loads_remaining: int
    crest_offset_m: float = math.nan
    crest_turn_rad: float = 0.0
    reason: str = ''
    unserved: tuple[str, ...] = ()


@dataclass(frozen=True)
class NoTarget:
    """
    Why there is no target.

    Parameters
    ----------
    code : str
        One of ``hold``, ``stale``, ``planning``, ``done``, ``blocked``, ``look``.
    reason : str
        In plain words: which segment, blocked by what, what to do.
    berm, segment : str, int or None
        The segment it is about.
    look_pose : Pose2 or None
        base_link pose from which the robot should look, with code ``look``.

    """

    code: str
    reason: str
    berm: str | None = None
    segment: int | None = None
    look_pose: Pose2 | None = None
