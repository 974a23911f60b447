# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The parameters of all nodes: one table, checked before anything applies, parsed once.

Nothing here knows rclpy: ``declare.py`` turns the table into declared parameters.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
import math
from typing import Any, TypeVar

from ..errors import UsageError

Value = bool | int | float | str
KIND_WORDS = {bool: 'true or false', int: 'a whole number', str: 'text',
              float: 'a number with a decimal point'}
# Names that rclpy itself declares or reads; they are no business of ours.
FOREIGN = ('use_sim_time', 'start_type_description_service', 'qos_overrides')


@dataclass(frozen=True)
class ParameterSpec:
    """
    One line of the table.

    Parameters
    ----------
    name : str
        Name as in ROS.
    default : bool, int, float or str
        Default; its type is the type of the parameter.
    nodes : tuple of str
        Names of the nodes that have it.
    description : str
        What it does, for ``ros2 param describe`` and the README.
    unit : str
        Unit, empty where there is none.
    low, high : float or None
        Bounds, both included.
    choices : tuple of str
        The only values allowed; empty where anything is.
    read_only : bool
        Whether it is fixed once the node runs.
    required : bool
        Whether an empty text is refused.

    """

    name: str
    default: Value
    nodes: tuple[str, ...]
    description: str
    unit: str = ''
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    read_only: bool = True
    required: bool = False

    @property
    def rule(self) -> str:
        """Say in words what a value must keep to; empty where its type says it all."""
        if self.choices:
            return 'one of ' + ', '.join(self.choices)
        if self.low is not None and self.high is not None:
            return f'from {self.low:.10g} to {self.high:.10g} {self.unit}'.rstrip()
        return 'a text that is not empty' if self.required else ''


PARAMETERS = (
    ParameterSpec(
        'site_file', '', ('ledger', 'target', 'yard'),
        'Path of the site file (YAML).', required=True),
    ParameterSpec(
        'books_file', '', ('ledger',),
        'Path of the books (SQLite); made when it does not exist, gone on with when it does. '
        'Empty: berm_ledger/NAME/books.sqlite in ROS_HOME (else ~/.ros), NAME being namespace '
        'and name of the site file, wherever that lies: name the books of sites whose files have '
        'the same name.'),
    ParameterSpec(
        'elevation_type', 'point_cloud', ('ledger',),
        'Message type on the topic elevation.', choices=('point_cloud', 'grid_map')),
    ParameterSpec(
        'layer', 'elevation', ('ledger',),
        'Layer of the grid map that holds the heights.', required=True),
    ParameterSpec(
        'pose_type', 'pose_stamped', ('ledger', 'target'),
        'Message type on the topic pose: geometry_msgs/PoseStamped, '
        'geometry_msgs/PoseWithCovarianceStamped or nav_msgs/Odometry.',
        choices=('pose_stamped', 'pose_with_covariance', 'odometry')),
    ParameterSpec(
        'pose_timeout_s', 2.0, ('target',),
        'No target is given when the last pose came longer ago than this.',
        unit='s', low=0.1, high=3600.0, read_only=False),
    ParameterSpec(
        'books_timeout_s', 10.0, ('target',),
        'No target is given when the last segments came longer ago than this, or their stamp and '
        'that of the last pose lie further apart than this.',
        unit='s', low=0.1, high=86400.0, read_only=False),
    ParameterSpec(
        'autostart', True, ('ledger', 'target'),
        'Whether the node configures and activates itself; false leaves it to a lifecycle '
        'manager.'),
    ParameterSpec(
        'seed', 1, ('yard',),
        'Seed of the simulated yard; the same seed gives the same books.',
        low=0, high=2 ** 31 - 1),
    ParameterSpec(
        'answer_timeout_s', 30.0, ('yard',),
        'How long the simulated yard waits for the ledger or the target to answer.',
        unit='s', low=1.0, high=600.0),
)


@dataclass(frozen=True)
class LedgerParameters:
    """Parameters of the node ``ledger``; see ``PARAMETERS``."""

    site_file: str
    books_file: str
    elevation_type: str
    layer: str
    pose_type: str
    autostart: bool


@dataclass(frozen=True)
class TargetParameters:
    """Parameters of the node ``target``; see ``PARAMETERS``."""

    site_file: str
    pose_type: str
    pose_timeout_s: float
    books_timeout_s: float
    autostart: bool


@dataclass(frozen=True)
class YardParameters:
    """Parameters of the node ``yard``; see ``PARAMETERS``."""

    site_file: str
    seed: int
    answer_timeout_s: float


ParametersT = TypeVar('ParametersT', LedgerParameters, TargetParameters, YardParameters)


def specs_of(node: str) -> tuple[ParameterSpec, ...]:
    """Return the lines of the table that a node has."""
    return tuple(spec for spec in PARAMETERS if node in spec.nodes)


def value_fault(spec: ParameterSpec, value: object) -> str | None:
    """
    Say what is wrong with a value, or None when nothing is.

    Parameters
    ----------
    spec : ParameterSpec
        The parameter.
    value : object
        The value asked for.

    Returns
    -------
    str or None
        One plain sentence: name, value, rule.

    Examples
    --------
    >>> spec = next(s for s in PARAMETERS if s.name == 'pose_timeout_s')
    >>> value_fault(spec, -1.0)
    'parameter pose_timeout_s is -1.0; it must be from 0.1 to 3600 s'
    >>> value_fault(spec, 5.0) is None
    True

    """
    kind = type(spec.default)
    if type(value) is not kind:
        return f'parameter {spec.name} is {value!r}; it must be {KIND_WORDS[kind]}'
    wrong = (
        (spec.choices and value not in spec.choices)
        or (spec.required and not str(value).strip())
        or (isinstance(value, float) and not math.isfinite(value))
        or (spec.low is not None and isinstance(value, (int, float)) and value < spec.low)
        or (spec.high is not None and isinstance(value, (int, float)) and value > spec.high))
    if not wrong:
        return None
    advice = f': -p {spec.name}:=VALUE' if spec.required else ''
    return f'parameter {spec.name} is {value!r}; it must be {spec.rule}{advice}'


def parameter_faults(node: str, values: Mapping[str, object]) -> tuple[str, ...]:
    """
    Check values for a node: unknown names and values against the table, all together.

    A name that another node of this package has is passed over, so that one parameter file can
    serve all of them.

    Parameters
    ----------
    node : str
        ``ledger``, ``target`` or ``yard``.
    values : mapping
        Names to values.

    Returns
    -------
    tuple of str
        One plain sentence per fault.

    """
    known = {spec.name: spec for spec in PARAMETERS}
    faults = []
    for name, value in values.items():
        if name.split('.')[0] in FOREIGN:
            continue
        if name not in known:
            names = ', '.join(spec.name for spec in specs_of(node))
            faults.append(f'parameter {name} is not known; {node} has {names}')
        elif node in known[name].nodes:
            fault = value_fault(known[name], value)
            if fault:
                faults.append(fault)
    return tuple(faults)


def parse_parameters(
    node: str, values: Mapping[str, object], into: type[ParametersT]
) -> ParametersT:
    """
    Turn values into the frozen parameters of a node; what is not given has its default.

    Parameters
    ----------
    node : str
        Name of the node in the table.
    values : mapping
        Names to values.
    into : type
        The dataclass of that node.

    Returns
    -------
    LedgerParameters, TargetParameters or YardParameters
        As asked for.

    Raises
    ------
    UsageError
        Unknown names or values that break a rule, all in one line.

    """
    merged: dict[str, Any] = {spec.name: spec.default for spec in specs_of(node)}
    merged.update(values)
    faults = parameter_faults(node, merged)
    if faults:
        raise UsageError('; '.join(faults))
    return into(**{field.name: merged[field.name] for field in fields(into)})
