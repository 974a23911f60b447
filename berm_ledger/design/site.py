# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What a site file says, as frozen values: metres, radians, kilograms, one frame.

Every coordinate is in the site frame (``Site.frame``), except footprint and drop point of the
rover, which are in base_link (REP 103: x forward, y left).
"""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..geometry import Polygon, Polyline, Pose2


@dataclass(frozen=True)
class Plane:
    """
    A plane z = a x + b y + c [m], given as the natural ground.

    Parameters
    ----------
    a, b : float
        Slopes along x and y [m/m].
    c : float
        Height at the origin [m].

    """

    a: float
    b: float
    c: float

    def height_m(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Return the heights [m] at points (..., 2) [m]."""
        points = np.asarray(points_xy, dtype=float)
        out: NDArray[np.float64] = self.a * points[..., 0] + self.b * points[..., 1] + self.c
        return out


@dataclass(frozen=True, eq=False)
class Berm:
    """
    One berm as designed.

    Parameters
    ----------
    name : str
        Name, unique in the site.
    centreline : Polyline
        Plan-view line of the crest [m].
    crest_height_m : float or None
        Height of the crest above the datum [m]; None when a level is given.
    crest_level_m : float or None
        Absolute level of a level crest [m]; None when a height is given.
    crest_width_m : float
        Width of the flat top [m].
    side_slope_rad : float
        Slope of both sides from the horizontal [rad].
    segment_length_m : float
        Longest segment [m]; the line is cut into equal parts.
    height_tolerance_m : float
        Allowed difference of the crest from the design, either way [m].
    line_tolerance_m : float
        Allowed distance of the crest line from the centreline [m].

    """

    name: str
    centreline: Polyline
    crest_height_m: float | None
    crest_level_m: float | None
    crest_width_m: float
    side_slope_rad: float
    segment_length_m: float
    height_tolerance_m: float
    line_tolerance_m: float

    @property
    def side_slope(self) -> float:
        """Tangent of the side slope [m/m]."""
        return math.tan(self.side_slope_rad)


@dataclass(frozen=True)
class Material:
    """
    Soil.

    Parameters
    ----------
    loose_density_kg_m3 : float
        Density as dumped [kg/m3].
    repose_rad : float
        Angle of repose [rad].
    swell : float
        Loose volume for one volume in the ground; 1.11 is that of sand (US Navy training manual,
        soil conversion factors, Table 10-1).

    """

    loose_density_kg_m3: float
    repose_rad: float
    swell: float = 1.11


@dataclass(frozen=True, eq=False)
class Rover:
    """
    What the books need to know of the machine.

    Parameters
    ----------
    footprint : Polygon
        Outline in base_link [m].
    drop_point_xy : tuple of float
        Where a load lands, in base_link [m].
    drum_width_m : float
        Width over which a load lands, across the robot's heading [m].
    payload_kg : float
        Mass of a full load [kg].
    turning_radius_m : float
        Smallest turning radius [m].
    run_up_m : float
        Length of the straight run-up before a dump [m].
    clearance_m : float
        Ground that rises more than this is an obstacle to the wheels [m].
    drum_current_a : tuple of float or None
        Drum current with an empty drum and with a full one [A]; None where it is not known.

    """

    footprint: Polygon
    drop_point_xy: tuple[float, float]
    drum_width_m: float
    payload_kg: float
    turning_radius_m: float
    run_up_m: float
    clearance_m: float
    drum_current_a: tuple[float, float] | None = None

    @property
    def half_width_m(self) -> float:
        """How far the footprint reaches to either side of base_link [m]."""
        return float(np.abs(self.footprint.corners_xy[:, 1]).max())

    @property
    def ahead_m(self) -> float:
        """How far ahead of the front of the footprint a load lands [m]; negative behind it."""
        return self.drop_point_xy[0] - float(self.footprint.corners_xy[:, 0].max())


@dataclass(frozen=True, eq=False)
class NamedArea:
    """A keep-out: its ``name`` and ``polygon`` [m]."""

    name: str
    polygon: Polygon


@dataclass(frozen=True, eq=False)
class BorrowArea:
    """A borrow area: ``name``, ``polygon`` [m] and ``max_cut_m`` [m] (None: no limit)."""

    name: str
    polygon: Polygon
    max_cut_m: float | None


@dataclass(frozen=True, eq=False)
class Yard:
    """Where the robot may work: ``boundary``, ``keep_outs`` and ``borrow_areas``."""

    boundary: Polygon
    keep_outs: tuple[NamedArea, ...] = ()
    borrow_areas: tuple[BorrowArea, ...] = ()


@dataclass(frozen=True, eq=False)
class Site:
    """
    A whole site.

    Parameters
    ----------
    frame : str
        Frame of every coordinate; grids and poses must be in it.
    berms : tuple of Berm
        In the order of the file.
    datum_plane : Plane or None
        Given natural ground; None means that it is surveyed.
    material : Material
        Soil.
    rover : Rover
        Machine.
    yard : Yard
        Ground.
    hold_on_disturbance : bool
        Whether a disturbance puts the target on hold.
    cell_m : float
        Cell of the site lattice [m].
    site_from_map : Pose2 or None
        Origin and heading of the frame in the coordinates of the file, where those are others;
        every coordinate here is in the frame.
    work_order : str
        ``lifts``: the lowest segment next wherever the order of work leaves that free;
        ``segments``: one segment after the other.

    """

    frame: str
    berms: tuple[Berm, ...]
    datum_plane: Plane | None
    material: Material
    rover: Rover
    yard: Yard
    hold_on_disturbance: bool = True
    cell_m: float = 0.015
    site_from_map: Pose2 | None = None
    work_order: str = 'lifts'

    @property
    def in_lifts(self) -> bool:
        """Whether the berms are raised in lifts."""
        return self.work_order == 'lifts'

    @property
    def load_volume_m3(self) -> float:
        """Loose volume of a full load [m3]: payload over loose density."""
        return self.rover.payload_kg / self.material.loose_density_kg_m3
