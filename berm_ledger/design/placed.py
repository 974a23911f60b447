# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A site surveyed in other coordinates, put into the frame of the grids and poses.

The whole site is turned once, when its file is read; from there on there is one frame only. So
clouds, grids and targets need no second transform, and large grid coordinates never meet the
single precision of a point cloud.
"""

from __future__ import annotations

from dataclasses import replace
import math

from .site import Plane, Site
from ..geometry import Polygon, Polyline, Pose2


def site_in_map(site: Site, site_from_map: Pose2) -> Site:
    """
    Return a site in the frame of the map.

    Parameters
    ----------
    site : Site
        All coordinates as surveyed.
    site_from_map : Pose2
        Origin and heading of the map's axes in those coordinates.

    Returns
    -------
    Site
        The same site, every plan-view coordinate in the map; heights stay as they are, and what
        is in base_link too.

    """
    map_from_site = site_from_map.inverse()

    def polygon(given: Polygon) -> Polygon:
        return Polygon(map_from_site.apply(given.corners_xy))

    yard = site.yard
    return replace(
        site,
        berms=tuple(replace(berm, centreline=Polyline(
            map_from_site.apply(berm.centreline.points_xy), berm.centreline.closed))
            for berm in site.berms),
        datum_plane=None if site.datum_plane is None else plane_in_map(
            site.datum_plane, site_from_map),
        yard=replace(
            yard, boundary=polygon(yard.boundary),
            keep_outs=tuple(replace(area, polygon=polygon(area.polygon))
                            for area in yard.keep_outs),
            borrow_areas=tuple(replace(area, polygon=polygon(area.polygon))
                               for area in yard.borrow_areas)),
        site_from_map=site_from_map)


def plane_in_map(plane: Plane, site_from_map: Pose2) -> Plane:
    """
    Return a plane as a function of map coordinates.

    Parameters
    ----------
    plane : Plane
        z over the coordinates as surveyed.
    site_from_map : Pose2
        Origin and heading of the map's axes in them.

    Returns
    -------
    Plane
        The same plane.

    Examples
    --------
    >>> plane_in_map(Plane(0.5, 0.0, 1.0), Pose2(2.0, 3.0))
    Plane(a=0.5, b=0.0, c=2.0)

    """
    cos, sin = math.cos(site_from_map.yaw_rad), math.sin(site_from_map.yaw_rad)
    return Plane(
        cos * plane.a + sin * plane.b, cos * plane.b - sin * plane.a,
        float(plane.height_m(site_from_map.xy)))
