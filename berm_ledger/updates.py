# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the pipeline hands out: what one input led to, and how the inputs fare."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from .books.entries import Entry
from .findings import Finding
from .survey.registration import Shift
from .survey.snapshot import NamedSurface


@dataclass(frozen=True)
class Update:
    """
    What one input led to.

    Parameters
    ----------
    entries : tuple of Entry
        New entries in the order of booking.
    findings : tuple of Finding
        Problems with the input.
    surfaces : tuple of NamedSurface
        Layers that are worth keeping now; mostly none.

    """

    entries: tuple[Entry, ...] = ()
    findings: tuple[Finding, ...] = ()
    surfaces: tuple[NamedSurface, ...] = ()


@dataclass(frozen=True)
class Health:
    """
    How the inputs fare.

    Parameters
    ----------
    pose_ns, grid_ns, dump_ns : int or None
        Stamps of the last inputs used [ns].
    shift : Shift
        Where the last grid lay.
    noise_m : float
        Noise of one look at one cell [m].
    judged_within_m : float
        Up to which distance from the robot looks tell what came or went [m]; may be infinite.
    counters : mapping
        Inputs used, refused or masked, by code.

    """

    pose_ns: int | None
    grid_ns: int | None
    dump_ns: int | None
    shift: Shift
    noise_m: float
    judged_within_m: float
    counters: Mapping[str, int]
