# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The real ledger takes real grid maps: turned, rolled, in both storage orders."""

from __future__ import annotations

from importlib.util import find_spec
import json
import os
from pathlib import Path
import subprocess
import sys

from berm_ledger.offline.grid_map_types import GRID_MAP_TYPES
import grid_map_kit
import pytest

pytest.importorskip('rclpy', reason='needs rclpy, from a ROS 2 installation or the extra ros')


@pytest.fixture(scope='module')
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Return an environment in which grid_map_msgs can be imported, built here if need be."""
    if find_spec(grid_map_kit.NAME) is not None:
        here = Path(__file__).resolve()
        return {**os.environ, 'PYTHONPATH': os.pathsep.join(
            [str(here.parents[2]), str(here.parent), *filter(None, sys.path)])}
    try:
        return grid_map_kit.environment_with(grid_map_kit.build(
            tmp_path_factory.mktemp('grid_map') / 'package', GRID_MAP_TYPES))
    except grid_map_kit.CannotBuildError as exc:
        pytest.skip(f'grid_map_msgs cannot be built: {exc}')


def test_a_ridge_of_known_height_is_measured_from_grid_maps(
        environment: dict[str, str], ros_domain_id: int, tmp_path: Path) -> None:
    end = subprocess.run(
        [sys.executable, grid_map_kit.__file__, str(tmp_path)], text=True, capture_output=True,
        env={**environment, 'ROS_DOMAIN_ID': str(ros_domain_id)}, check=False)
    assert end.returncode == 0, end.stderr
    measured = json.loads(end.stdout.splitlines()[-1])
    assert measured['refused'] == {}
    assert measured['coverage'] == [1.0, 1.0]
    # The ridge was made with this crest on the centreline, halves of one metre; a buffer or yaw
    # undone wrongly would put it somewhere else.
    means = [grid_map_kit.RIDGE_M + grid_map_kit.RISE * along for along in (0.25, 0.75)]
    assert measured['heights_m'] == pytest.approx(means, abs=0.003)
    assert measured['offsets_m'] == pytest.approx([0.0, 0.0], abs=0.005)
