# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Declare the parameters of a node from the table, and check every change before it applies."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from rcl_interfaces.msg import (
    FloatingPointRange,
    IntegerRange,
    ParameterDescriptor,
    SetParametersResult,
)

from .parameters import parameter_faults, ParameterSpec, ParametersT, parse_parameters, specs_of


def descriptor_of(spec: ParameterSpec) -> ParameterDescriptor:
    """Return what ROS is told of a parameter: description, unit, bounds, whether it is fixed."""
    out = ParameterDescriptor(
        name=spec.name, read_only=spec.read_only, additional_constraints=spec.rule,
        description=f'{spec.description} [{spec.unit}]' if spec.unit else spec.description)
    if spec.low is not None and spec.high is not None:
        if isinstance(spec.default, float):
            out.floating_point_range = [
                FloatingPointRange(from_value=spec.low, to_value=spec.high)]
        else:
            out.integer_range = [
                IntegerRange(from_value=int(spec.low), to_value=int(spec.high), step=1)]
    return out


def given_values(node: Any) -> dict[str, object]:
    """
    Return what was given to a node on its command line, in parameter files or in code.

    rclpy keeps values of unknown names to itself and says nothing of them; a mistyped name is
    only found by looking at what was given.
    """
    overrides = getattr(node, '_parameter_overrides', {})
    return {name: parameter.value for name, parameter in overrides.items()}


def declare_parameters(node: Any, table_name: str, into: type[ParametersT]) -> ParametersT:
    """
    Check what was given, declare the table, and return the parsed parameters.

    Parameters
    ----------
    node : rclpy.node.Node
        The node.
    table_name : str
        Its name in the table.
    into : type
        The dataclass of that node.

    Returns
    -------
    LedgerParameters, TargetParameters or YardParameters
        Frozen.

    Raises
    ------
    UsageError
        Unknown names or values against the table.

    """
    parsed = parse_parameters(table_name, given_values(node), into)
    for spec in specs_of(table_name):
        node.declare_parameter(spec.name, spec.default, descriptor_of(spec))
    return parsed


def watch_parameters(
    node: Any, table_name: str, into: type[ParametersT], apply: Callable[[ParametersT], None]
) -> None:
    """Have every change checked; a good one is parsed as a whole and handed to ``apply``."""

    def on_change(changes: Sequence[Any]) -> SetParametersResult:
        values = {change.name: change.value for change in changes}
        faults = parameter_faults(table_name, values)
        if faults:
            return SetParametersResult(successful=False, reason='; '.join(faults))
        now = {spec.name: node.get_parameter(spec.name).value for spec in specs_of(table_name)}
        apply(parse_parameters(table_name, {**now, **values}, into))
        return SetParametersResult(successful=True)

    node.add_on_set_parameters_callback(on_change)
