# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Plane geometry: poses, polylines, polygons, lattices. Knows nothing of berms."""

from .lattice import GridAxes, Lattice
from .polygon import Polygon
from .polyline import Polyline
from .poses import Pose2, StampedPose, yaw_from_quat_xyzw
from .track import PoseTrack

__all__ = [
    'GridAxes',
    'Lattice',
    'Polygon',
    'Polyline',
    'Pose2',
    'PoseTrack',
    'StampedPose',
    'yaw_from_quat_xyzw',
]
