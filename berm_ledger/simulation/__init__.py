# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A simulated yard of our own: soil, rover, sensor, intruder; one seed, one result."""

from .approach import stops_along
from .ground import natural_ground, Relief
from .noise import (
    DRIFTING,
    FIELD,
    Localisation,
    MapError,
    Noise,
    NOISE_PRESETS,
    QUIET,
)
from .options import BorrowOptions, BuildOptions, Intrusion, YardOptions
from .scenario import SimulatedBuild
from .sensor import SensorOptions
from .soil import Patch, Soil
from .things import crossing, OwnBody, ParkedRobot, Person
from .yard import SimEvent, Yard

__all__ = [
    'DRIFTING',
    'FIELD',
    'NOISE_PRESETS',
    'QUIET',
    'BorrowOptions',
    'BuildOptions',
    'Intrusion',
    'Localisation',
    'MapError',
    'Noise',
    'OwnBody',
    'ParkedRobot',
    'Patch',
    'Person',
    'Relief',
    'SensorOptions',
    'SimEvent',
    'SimulatedBuild',
    'Soil',
    'Yard',
    'YardOptions',
    'crossing',
    'natural_ground',
    'stops_along',
]
