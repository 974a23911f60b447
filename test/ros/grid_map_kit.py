# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Build the package grid_map_msgs from its field list, and drive the real ledger with its messages.

Run as a program, with the built package in its environment, it is the rover and the ledger in one
process: a ridge of known height is sent as grid maps, turned and with a rolled buffer, and what
the ledger measures is printed as JSON.
"""

from __future__ import annotations

from collections.abc import Mapping
import json
import math
import os
from pathlib import Path
import shutil
import subprocess
import sys
from typing import Any

NAME = 'grid_map_msgs'
NEEDED = ('rosidl_default_generators', 'ament_cmake', 'std_msgs', 'geometry_msgs')
PACKAGE_XML = f"""<?xml version="1.0"?>
<package format="3">
  <name>{NAME}</name>
  <version>0.0.0</version>
  <description>Made for a test from the field list</description>
  <maintainer email="berm_ledger@example.com">The berm_ledger authors</maintainer>
  <license>Apache-2.0</license>
  <buildtool_depend>ament_cmake</buildtool_depend>
  <buildtool_depend>rosidl_default_generators</buildtool_depend>
  <depend>std_msgs</depend>
  <depend>geometry_msgs</depend>
  <member_of_group>rosidl_interface_packages</member_of_group>
</package>
"""
# The wheels name the folder of the Python that they were built with; it is not on other machines.
CMAKE_LISTS = f"""cmake_minimum_required(VERSION 3.21)
project({NAME})
find_package(ament_cmake REQUIRED)
find_package(rosidl_default_generators REQUIRED)
find_package(std_msgs REQUIRED)
find_package(geometry_msgs REQUIRED)
get_property(targets DIRECTORY PROPERTY IMPORTED_TARGETS)
foreach(target IN LISTS targets)
  get_target_property(folders ${{target}} INTERFACE_INCLUDE_DIRECTORIES)
  if(folders)
    list(FILTER folders EXCLUDE REGEX "^/opt/python/")
    set_target_properties(${{target}} PROPERTIES INTERFACE_INCLUDE_DIRECTORIES "${{folders}}")
  endif()
endforeach()
rosidl_generate_interfaces(${{PROJECT_NAME}} msg/GridMapInfo.msg msg/GridMap.msg
  DEPENDENCIES std_msgs geometry_msgs)
ament_package()
"""
SITE_CELL = 'cell_m: 0.03\n'
# A ridge over the line (2, 2) to (3, 2) that rises along it, seen from beside its middle: turned
# or mirrored in any way it is another one.
RIDGE_M, RISE, SLOPE = 0.12, 0.06, math.tan(math.radians(33.0))
GRID_CENTRE_XY = (2.6, 1.9)
LOOKS = 8


class CannotBuildError(Exception):
    """Why the package cannot be built here."""


def prefixes() -> list[str]:
    """Return the folders in which ROS packages are installed."""
    given = os.environ.get('AMENT_PREFIX_PATH', '').split(os.pathsep)
    return [folder for folder in (*given, sys.prefix) if folder]


def missing() -> str:
    """Say what is missing to build a message package; empty when nothing is."""
    for tool in ('cmake', 'c++', 'cc'):
        if shutil.which(tool) is None:
            return f'the program {tool}'
    for name in NEEDED:
        if not any((Path(p) / 'share' / name / 'cmake').is_dir() for p in prefixes()):
            return f'the package {name}, from a ROS 2 installation or the extra test'
    return ''


def build(folder: Path, fields: Mapping[str, str]) -> Path:
    """
    Build and install the package.

    Parameters
    ----------
    folder : Path
        Empty folder for all of it.
    fields : mapping
        Field list by full message name.

    Returns
    -------
    Path
        Where it is installed.

    Raises
    ------
    CannotBuildError
        Something is missing or CMake gave up; says what.

    """
    lacking = missing()
    if lacking:
        raise CannotBuildError(f'not here: {lacking}')
    (folder / 'msg').mkdir(parents=True)
    (folder / 'package.xml').write_text(PACKAGE_XML)
    (folder / 'CMakeLists.txt').write_text(CMAKE_LISTS)
    for name, text in fields.items():
        (folder / 'msg' / f'{name.rpartition("/")[2]}.msg').write_text(text.lstrip())
    installed = folder / 'install'
    environment = {
        **os.environ, 'AMENT_PREFIX_PATH': os.pathsep.join(prefixes()),
        'PATH': os.pathsep.join([str(Path(sys.executable).parent), os.environ.get('PATH', '')])}
    for command in (
            ['cmake', '-S', '.', '-B', 'build', f'-DCMAKE_INSTALL_PREFIX={installed}',
             f'-DCMAKE_PREFIX_PATH={";".join(prefixes())}', '-DBUILD_TESTING=OFF',
             f'-DPython3_EXECUTABLE={sys.executable}'],
            ['cmake', '--build', 'build', '--parallel', '2', '--target', 'install']):
        end = subprocess.run(
            command, cwd=folder, env=environment, text=True, capture_output=True, check=False)
        if end.returncode:
            text = ' '.join((end.stderr or end.stdout).split())
            raise CannotBuildError(f'{" ".join(command[:3])} ended with {end.returncode}: {text}')
    return installed


def environment_with(installed: Path) -> dict[str, str]:
    """Return the environment of a process that knows the package."""
    python = next(installed.rglob('grid_map_msgs/__init__.py')).parents[1]
    here = Path(__file__).resolve()
    return {
        **os.environ,
        'AMENT_PREFIX_PATH': os.pathsep.join([str(installed), *prefixes()]),
        'LD_LIBRARY_PATH': os.pathsep.join(
            [str(installed / 'lib'), os.environ.get('LD_LIBRARY_PATH', '')]).rstrip(os.pathsep),
        'PYTHONPATH': os.pathsep.join(
            [str(python), str(here.parents[2]), str(here.parent), *filter(None, sys.path)])}


# ---- rover and ledger ------------------------------------------------------------------------

def ridge_grid(stamp_s: float, yaw_rad: float) -> Any:
    """Return a look at the ridge, on cells turned by a yaw."""
    from berm_ledger.geometry import GridAxes
    from berm_ledger.survey import ElevationGrid
    import numpy as np
    cell, rows, cols = 0.03, 110, 90
    cos, sin = cell * math.cos(yaw_rad), cell * math.sin(yaw_rad)
    towards = np.array([[-cos, -sin], [sin, -cos]])
    first = np.array(GRID_CENTRE_XY) - 0.5 * np.array([rows - 1, cols - 1]) @ towards
    axes = GridAxes(tuple(first), tuple(towards[0]), tuple(towards[1]))
    xy = axes.world_from_index(np.moveaxis(np.indices((rows, cols)), 0, -1).reshape(-1, 2))
    nearest = np.clip(xy[:, 0], 2.0, 3.0)
    away = np.hypot(xy[:, 0] - nearest, xy[:, 1] - 2.0)
    crest = RIDGE_M + RISE * (nearest - 2.0)
    heights = np.maximum(0.0, crest - SLOPE * away).reshape(rows, cols).astype(np.float32)
    heights[0, 0] = np.nan
    return ElevationGrid(int(stamp_s * 1e9), 'map', axes, heights)


def drive(folder: Path) -> dict[str, Any]:
    """Send looks at the ridge to a ledger and return what it measured."""
    from berm_ledger.ros.ledger import LedgerNode
    from berm_ledger.ros.messages import fill_grid_map, fill_pose
    from berm_ledger.ros.wire import message_class, sensor_qos, wire_types
    from geometry_msgs.msg import PoseStamped
    from ledger_kit import a_pose, SITE_TEXT
    import rclpy
    from rclpy.parameter import Parameter
    from ros_kit import World
    (folder / 'site.yaml').write_text(SITE_TEXT + SITE_CELL)
    kind, types = message_class('grid_map_msgs/msg/GridMap'), wire_types()
    context = rclpy.Context()
    rclpy.init(args=[], context=context)
    with World(context) as world:
        values = {'site_file': str(folder / 'site.yaml'), 'books_file': str(folder / 'b.sqlite'),
                  'elevation_type': 'grid_map', 'layer': 'ground'}
        ledger = world.add(LedgerNode(context=context, parameter_overrides=[
            Parameter(name, value=value) for name, value in values.items()]))
        assert ledger.start_by_itself()
        rover = world.node('rover')
        grids = rover.create_publisher(kind, 'elevation', sensor_qos(5))
        poses = rover.create_publisher(PoseStamped, 'pose', 10)
        world.until(lambda: grids.get_subscription_count() and poses.get_subscription_count())
        for look in range(LOOKS):
            pose, grid = PoseStamped(), kind()
            fill_pose(pose, a_pose(10.0 + look))
            # Turned, its buffer rolled by another amount each time, in both storage orders.
            fill_grid_map(grid, ridge_grid(10.1 + look, 0.4 + 0.2 * look), 'ground', types,
                          start=(13 * look % 110, 7 * look % 90), column_major=look % 2 == 0)
            poses.publish(pose)
            world.until(lambda look=look: ledger.pipeline.stamp_ns >= (10 + look) * 10**9)
            grids.publish(grid)
            world.until(lambda look=look: ledger.pipeline.stamp_ns > (10.05 + look) * 1e9)
        rows = ledger.pipeline.books.rows
        return {'heights_m': [row.height_m for row in rows],
                'coverage': [row.coverage for row in rows],
                'offsets_m': [row.line_offset_m for row in rows],
                'refused': dict(ledger._health.refusals)}


if __name__ == '__main__':
    print(json.dumps(drive(Path(sys.argv[1]))))  # noqa: T201
