# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The table of parameters: every fault is found, said plainly, and found before it applies."""

from dataclasses import fields, FrozenInstanceError
import math

from berm_ledger.errors import UsageError
from berm_ledger.ros.parameters import (
    LedgerParameters,
    parameter_faults,
    PARAMETERS,
    parse_parameters,
    specs_of,
    TargetParameters,
    value_fault,
    YardParameters,
)
import pytest

DATACLASSES = {
    'ledger': LedgerParameters, 'target': TargetParameters, 'yard': YardParameters}


@pytest.mark.parametrize('node', DATACLASSES)
def test_table_and_dataclass_name_the_same_parameters(node):
    names = {spec.name for spec in specs_of(node)}

    assert names == {field.name for field in fields(DATACLASSES[node])}


@pytest.mark.parametrize('spec', PARAMETERS, ids=lambda spec: spec.name)
def test_every_default_keeps_its_own_rule_unless_it_must_be_given(spec):
    assert (value_fault(spec, spec.default) is None) == (
        not spec.required or spec.default != '')
    assert spec.description.endswith('.')
    assert (spec.low is None) == (spec.high is None)


def test_what_is_not_given_has_its_default():
    parsed = parse_parameters('target', {'site_file': 'a.yaml'}, TargetParameters)

    assert parsed == TargetParameters('a.yaml', 'pose_stamped', 2.0, 10.0, True)
    with pytest.raises(FrozenInstanceError):
        parsed.site_file = 'b.yaml'


@pytest.mark.parametrize(('values', 'text'), [
    ({}, "site_file is ''; it must be a text that is not empty: -p site_file:=VALUE"),
    ({'site_file': 7}, 'site_file is 7; it must be text'),
    ({'site_file': ' '}, "site_file is ' '; it must be a text that is not empty"),
    ({'sitefile': 'a.yaml', 'site_file': 'a.yaml'}, 'sitefile is not known; target has site_file'),
    ({'site_file': 'a', 'pose_type': 'pose'}, 'one of pose_stamped, pose_with_covariance'),
    ({'site_file': 'a', 'pose_timeout_s': 0.0}, 'from 0.1 to 3600 s'),
    ({'site_file': 'a', 'pose_timeout_s': 3600.5}, 'from 0.1 to 3600 s'),
    ({'site_file': 'a', 'pose_timeout_s': math.nan}, 'pose_timeout_s is nan'),
    ({'site_file': 'a', 'pose_timeout_s': 5}, 'a number with a decimal point'),
    ({'site_file': 'a', 'autostart': 1}, 'autostart is 1; it must be true or false'),
])
def test_bad_values_are_refused_with_name_value_and_rule(values, text):
    with pytest.raises(UsageError, match=text):
        parse_parameters('target', values, TargetParameters)


def test_bounds_are_told_to_the_last_digit():
    assert [spec.rule for spec in PARAMETERS if spec.name == 'seed'] == ['from 0 to 2147483647']


def test_all_faults_are_reported_together():
    values = {'site_file': '', 'seed': -1, 'nonsense': 1}

    assert len(parameter_faults('yard', values)) == 3


def test_parameters_of_another_node_and_of_rclpy_are_passed_over():
    values = {'site_file': 'a', 'layer': '', 'use_sim_time': True,
              'qos_overrides./pose.subscription.depth': 5}

    assert parameter_faults('target', values) == ()
