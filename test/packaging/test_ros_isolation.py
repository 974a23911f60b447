# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The fixtures that keep one ROS test from hearing another."""

import os
from typing import Any

import pytest

seen: list[int] = []


@pytest.mark.parametrize('turn', range(3))
def test_each_test_has_a_domain_of_its_own(ros_domain_id: int, turn: int) -> None:
    assert ros_domain_id not in seen
    seen.append(ros_domain_id)
    assert 1 <= ros_domain_id <= 101
    assert os.environ['ROS_DOMAIN_ID'] == str(ros_domain_id)
    assert os.environ['ROS_AUTOMATIC_DISCOVERY_RANGE'] == 'LOCALHOST'


def test_context_is_in_that_domain_and_not_the_default_one(
        ros_context: Any, ros_domain_id: int) -> None:
    import rclpy
    assert ros_context.ok()
    assert ros_context.get_domain_id() == ros_domain_id
    assert not rclpy.ok()
