# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Gates: which inputs are believed at all.

Each check looks at one rule and returns a finding or nothing; the first that objects refuses the
input, and the books do not move.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .grid import ElevationGrid
from ..findings import Finding, Severity
from ..geometry import StampedPose
from ..kernels import compiled

SECOND_NS = 1_000_000_000
# A grid may lag the newest message and the pose may lag the grid by this much [ns].
MOST_LAG_NS = 5 * SECOND_NS
MOST_POSE_AGE_NS = 2 * SECOND_NS
# A stamp this far ahead of everything before [ns] is a wrong clock, until so many messages running
# have agreed on it, over so long [ns]: a few bad stamps must not make all good ones too old.
MOST_LEAP_NS = 60 * SECOND_NS
LEAP_MESSAGES, LEAP_NS = 3, SECOND_NS
# When so many poses running were refused, the rover may stand elsewhere than at the last one used.
LOST_POSES = 3
# Of a frame's name no more than this is repeated [characters].
MOST_QUOTED = 60
# A pose less certain than this is no use [m, rad].
MOST_STD_XY_M = 0.30
MOST_STD_YAW_RAD = math.radians(20.0)
# No rover leaves, digs a load and dumps it in less [ns] (common practice, no source).
LEAST_CYCLE_NS = 5 * SECOND_NS
# A load weighs no more than so many payloads of the site file (common practice, no source).
MOST_PAYLOADS = 5.0
# Heights beyond this are no ground on any map [m].
MOST_HEIGHT_M = 10000.0


class GateState(NamedTuple):
    """
    What the gates compare an input with.

    Parameters
    ----------
    frame : str
        Frame of the site.
    newest_ns : int or None
        Newest stamp of any message used so far [ns].
    last_grid_ns : int or None
        Stamp of the last grid used [ns].
    pose : StampedPose or None
        Last pose used.
    books_ns : int or None
        Newest stamp in the books of an earlier run [ns].
    leap_ns : int or None
        Last stamp that was refused for being far ahead [ns].
    leaps : int
        Messages running that agreed on it.
    leapt_ns : int
        Stamp of the first of them [ns].
    told_ns : int or None
        Stamp of the last pose when a dump was told last, booked or told again [ns].
    lost_ns : int or None
        Stamp of the last pose that was refused since one was used [ns].
    lost : int
        Poses running that were refused.
    is_overdue : bool
        Whether something was refused since the last pose because that was too old for it.

    """

    frame: str
    newest_ns: int | None = None
    last_grid_ns: int | None = None
    pose: StampedPose | None = None
    books_ns: int | None = None
    leap_ns: int | None = None
    leaps: int = 0
    leapt_ns: int = 0
    told_ns: int | None = None
    lost_ns: int | None = None
    lost: int = 0
    is_overdue: bool = False

    @property
    def is_lost(self) -> bool:
        """Tell whether the last pose has grown old, and none that came since was of use."""
        if self.pose is None or self.lost_ns is None or self.lost < LOST_POSES:
            return self.is_overdue
        return self.is_overdue or abs(self.lost_ns - self.pose.stamp_ns) > MOST_POSE_AGE_NS

    def agrees(self, stamp_ns: int) -> bool:
        """Tell whether a stamp lies by the last one that was far ahead."""
        return self.leap_ns is not None and abs(stamp_ns - self.leap_ns) <= MOST_LAG_NS

    def after_refusal(self, finding: Finding) -> GateState:
        """Return the state after a refusal; stamps far ahead are counted, and dumps noted."""
        if finding.code == 'repeated_dump':
            return self.after_dump()
        if finding.code == 'old_pose':
            return self._replace(is_overdue=True)
        if finding.code != 'stamp_ahead':
            return self
        stamp_ns = finding.stamp_ns
        if not self.agrees(stamp_ns):
            return self._replace(leap_ns=stamp_ns, leaps=1, leapt_ns=stamp_ns)
        return self._replace(leap_ns=stamp_ns, leaps=self.leaps + 1)

    def after_pose(self, pose: StampedPose) -> GateState:
        """Return the state after a pose was used."""
        return self._replace(
            newest_ns=self._newest_ns(pose.stamp_ns), pose=pose, leap_ns=None, leaps=0,
            lost_ns=None, lost=0, is_overdue=False)

    def after_lost_pose(self, stamp_ns: int) -> GateState:
        """Return the state after a pose of a stamp was refused."""
        return self._replace(lost_ns=stamp_ns, lost=self.lost + 1)

    def after_grid(self, stamp_ns: int) -> GateState:
        """Return the state after a grid of a stamp was used."""
        return self._replace(
            newest_ns=self._newest_ns(stamp_ns), last_grid_ns=stamp_ns, leap_ns=None, leaps=0)

    def after_dump(self) -> GateState:
        """Return the state after a dump was told; each telling begins its time anew."""
        return self if self.pose is None else self._replace(told_ns=self.pose.stamp_ns)

    def _newest_ns(self, stamp_ns: int) -> int:
        """Return the newest stamp with one more [ns]."""
        return max(self.newest_ns or self.books_ns or 0, stamp_ns)


def refusal(code: str, text: str, stamp_ns: int) -> Finding:
    """Return a finding that refuses an input."""
    return Finding(code, text, Severity.REFUSAL, stamp_ns)


def check_stamp(stamp_ns: int, what: str, last_ns: int | None, state: GateState) -> Finding | None:
    """Check a stamp against zero, the last of its kind and the newest of all."""
    if stamp_ns <= 0:
        return refusal('zero_stamp', f'{what} has no stamp; set header.stamp', stamp_ns)
    if last_ns is not None and stamp_ns < last_ns:
        return refusal('stamp_backwards', (
            f'{what} is {(last_ns - stamp_ns) / 1e9:.3f} s older than the last one; if it did not '
            f'come late, a bag is played again or simulated time was set back: that needs new '
            f'books'), stamp_ns)
    if state.newest_ns is None:
        return _check_against_books(stamp_ns, what, state)
    if stamp_ns < state.newest_ns - MOST_LAG_NS:
        return refusal('stamp_too_old', (
            f'{what} is {(state.newest_ns - stamp_ns) / 1e9:.3f} s older than the newest '
            f'message; look for a slow link or a wrong clock'), stamp_ns)
    agreed = state.leaps >= LEAP_MESSAGES and state.agrees(stamp_ns) and (
        stamp_ns >= state.leapt_ns + LEAP_NS)
    if stamp_ns > state.newest_ns + MOST_LEAP_NS and not agreed:
        return refusal('stamp_ahead', (
            f'{what} is {(stamp_ns - state.newest_ns) / 1e9:.0f} s ahead of everything before; '
            f'check the clock of its sender, unless nothing came for that long'), stamp_ns)
    return None


def _check_against_books(stamp_ns: int, what: str, state: GateState) -> Finding | None:
    """Check the first stamp after a restart: what is in the books must not come in again."""
    if state.books_ns is None or stamp_ns >= state.books_ns - MOST_LAG_NS:
        return None
    return refusal('stamp_too_old', (
        f'{what} is {(state.books_ns - stamp_ns) / 1e9:.3f} s older than the books; if a bag is '
        f'played again, or simulated time was set back, name another books file'), stamp_ns)


def same_frame(frame_id: str, other_id: str) -> bool:
    """Tell whether two names are those of one frame; a leading slash makes no other."""
    return frame_id.lstrip('/') == other_id.lstrip('/')


def check_frame(frame_id: str, what: str, state: GateState, stamp_ns: int) -> Finding | None:
    """Check that an input is given in the frame of the site."""
    if same_frame(frame_id, state.frame):
        return None
    return refusal('wrong_frame', (
        f'{what} is in frame {frame_id[:MOST_QUOTED]!r}, the site is in {state.frame!r}; '
        f'transform it or change the frame of the site file'), stamp_ns)


def is_uncertain(pose: StampedPose) -> bool:
    """Tell whether a pose is too uncertain to be used; one without covariance is believed."""
    return pose.std_xy_m > MOST_STD_XY_M or pose.std_yaw_rad > MOST_STD_YAW_RAD


def check_pose(pose: StampedPose, state: GateState) -> Finding | None:
    """Return why a pose is not used, or None."""
    last_ns = state.pose.stamp_ns if state.pose else None
    finding = check_stamp(pose.stamp_ns, 'the pose', last_ns, state)
    finding = finding or check_frame(pose.frame_id, 'the pose', state, pose.stamp_ns)
    if finding:
        return finding
    if is_uncertain(pose):
        return refusal('uncertain_pose', (
            f'the pose is uncertain by {pose.std_xy_m:.2f} m and '
            f'{math.degrees(pose.std_yaw_rad):.0f} degrees; wait for the localisation'),
            pose.stamp_ns)
    return None


def check_grid(
    grid: ElevationGrid, state: GateState, *, largest_cell_m: float,
    near_m: NDArray[np.float32] | None = None,
) -> Finding | None:
    """
    Return why a grid is not used, or None.

    Parameters
    ----------
    grid : ElevationGrid
        The grid.
    state : GateState
        What was used before.
    largest_cell_m : float
        Coarsest cell that still shows a berm of this site [m].
    near_m : array, optional
        The part of its heights that will be used, all by default [m]; what lies elsewhere is not
        looked at.

    Returns
    -------
    Finding or None
        The refusal.

    """
    stamp_ns = grid.stamp_ns
    finding = check_stamp(stamp_ns, 'the grid', state.last_grid_ns, state)
    if finding is None and stamp_ns == state.last_grid_ns:
        finding = refusal('repeated_grid', (
            'a grid of this stamp was used already; give each its own'), stamp_ns)
    finding = finding or check_frame(grid.frame_id, 'the grid', state, stamp_ns)
    finding = finding or _check_pose_of_grid(stamp_ns, state)
    if finding:
        return finding
    if grid.axes.cell_m > largest_cell_m:
        return refusal('coarse_grid', (
            f'cells of {grid.axes.cell_m:.3f} m are too coarse for this site; '
            f'at most {largest_cell_m:.3f} m'), stamp_ns)
    near_m = grid.height_m if near_m is None else near_m
    highest_m = _greatest_m(near_m)
    if math.isnan(highest_m) and not np.isfinite(grid.height_m).any():
        return refusal('all_unknown', 'the grid has no known cell; check the sensor', stamp_ns)
    if highest_m > MOST_HEIGHT_M:
        return refusal('absurd_height', (
            f'the grid has heights beyond {MOST_HEIGHT_M:g} m; check its units'), stamp_ns)
    return None


def _greatest_m(height_m: NDArray[np.float32]) -> float:
    """Return the greatest size of a finite height [m], NaN where there is none."""
    if compiled.sampling is not None and min(height_m.shape) >= 2:
        return float(compiled.sampling.greatest(height_m))
    size = max(float(np.fmax.reduce(height_m, axis=None)),
               -float(np.fmin.reduce(height_m, axis=None)))
    if math.isinf(size):
        known = np.abs(height_m[np.isfinite(height_m)])
        return float(known.max()) if len(known) else math.nan
    return size


def _check_pose_of_grid(stamp_ns: int, state: GateState) -> Finding | None:
    """Check that it is known where the rover stood when the grid was made."""
    if state.pose is None:
        return refusal(
            'no_pose', 'a grid came before any usable pose; see that poses come in', stamp_ns)
    return _check_age(state.pose, stamp_ns, 'the grid')


def _check_age(pose: StampedPose, stamp_ns: int, than: str) -> Finding | None:
    """Check that a pose is not much older than what it is used for."""
    age_ns = stamp_ns - pose.stamp_ns
    if age_ns <= MOST_POSE_AGE_NS:
        return None
    return refusal('old_pose', (
        f'the last pose is {age_ns / 1e9:.3f} s older than {than}; check that poses keep coming'),
        stamp_ns)


def told_again(stamp_ns: int, told_ns: int | None) -> bool:
    """Tell whether a dump is told again, by the stamps of the pose now and when told last [ns]."""
    return told_ns is not None and stamp_ns < told_ns + LEAST_CYCLE_NS


def check_dump(mass_kg: float, state: GateState) -> Finding | None:
    """Return why an announced dump is not booked, or None; NaN is a load not weighed."""
    stamp_ns = state.newest_ns or 0
    if mass_kg < 0.0 or math.isinf(mass_kg):
        return refusal('bad_mass', (
            f'a dump cannot weigh {mass_kg:g} kg; publish its mass, or NaN when it was not '
            f'weighed'),
            stamp_ns)
    if state.pose is None:
        return refusal('no_pose', (
            'a dump was announced before any usable pose; see that poses come in'), stamp_ns)
    if state.told_ns is not None and state.pose.stamp_ns <= state.told_ns:
        return refusal('repeated_dump', (
            'a dump was announced twice: no pose has come since the last one; announce each '
            'load once, and see that poses keep coming'), stamp_ns)
    if told_again(state.pose.stamp_ns, state.told_ns):
        return refusal('repeated_dump', (
            f'a dump was announced again within {LEAST_CYCLE_NS / 1e9:g} s, sooner than a load '
            f'can be fetched; announce each load once'), stamp_ns)
    if state.is_lost:
        return refusal('no_pose', (
            'a dump was announced while no pose could be used; look why poses are refused'),
            stamp_ns)
    return None


def doubtful_mass(mass_kg: float, payload_kg: float) -> str:
    """
    Return why the mass of a dump that is booked cannot be that of a load; empty where it can.

    Examples
    --------
    >>> doubtful_mass(0.0, 6.0)
    'a dump of 0 kg is booked as not weighed; publish the mass of the load, or NaN'
    >>> doubtful_mass(5.4, 6.0), doubtful_mass(math.nan, 6.0)
    ('', '')

    """
    if mass_kg == 0.0:
        return 'a dump of 0 kg is booked as not weighed; publish the mass of the load, or NaN'
    if mass_kg > MOST_PAYLOADS * payload_kg:
        return (f'a dump of {mass_kg:g} kg is booked as not weighed: a load is {payload_kg:g} kg '
                f'by the site file; publish kilograms, or correct rover.payload_kg')
    return ''


def check_drum_current(current_a: float, state: GateState) -> Finding | None:
    """Return why a drum current is not used, or None; its time is that of the last pose."""
    stamp_ns = state.newest_ns or 0
    if not math.isfinite(current_a) or current_a < 0.0:
        return refusal('bad_current', (
            f'a drum current cannot be {current_a:g} A; publish amperes, 0 or more, and nothing '
            f'while it is not measured'), stamp_ns)
    if state.pose is None:
        return refusal('no_pose', (
            'a drum current came before any usable pose; see that poses come in'), stamp_ns)
    return _check_age(
        state.pose, stamp_ns, 'the newest message, so it is not known whether a load is carried')
