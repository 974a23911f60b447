# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Shortest curves of bounded curvature between two poses.

Dubins curves (L. E. Dubins, 1957, American Journal of Mathematics 79:497-516) only drive
forwards; Reeds-Shepp curves (J. A. Reeds and L. A. Shepp, 1990, Pacific Journal of Mathematics
145:367-393, whose equation numbers are given below) also back up. Inside, lengths are in turning
radii and a curve is a word of pieces: left, straight or right, with a signed length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from ..errors import GeometryError
from ..geometry import Pose2

LEFT, STRAIGHT, RIGHT = 1, 0, -1
PI = math.pi
HALF = 0.5 * math.pi
ZERO = -1e-10

Word = tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Curve:
    """
    A drivable curve.

    Parameters
    ----------
    start : Pose2
        Where it begins.
    radius_m : float
        Turning radius [m].
    word : tuple
        Pieces (steering, length in turning radii); steering 1 left, 0 straight, -1 right;
        negative lengths are driven backwards.

    """

    start: Pose2
    radius_m: float
    word: Word

    @property
    def length_m(self) -> float:
        """Length driven, either way [m]."""
        return self.radius_m * sum(abs(length) for _, length in self.word)

    def sample(self, step_m: float) -> NDArray[np.float64]:
        """Return poses (n, 3) along the curve, both ends included, no farther apart [m]."""
        out = [(self.start.x_m, self.start.y_m, self.start.yaw_rad)]
        for steering, length in self.word:
            x, y, yaw = out[-1]
            count = max(1, math.ceil(abs(length) * self.radius_m / step_m))
            out.extend(_driven(x, y, yaw, steering, length * k / count, self.radius_m)
                       for k in range(1, count + 1))
        return np.array(out)


def dubins(start: Pose2, goal: Pose2, radius_m: float) -> Curve:
    """
    Return the shortest curve that only drives forwards.

    Parameters
    ----------
    start, goal : Pose2
        Poses in one frame.
    radius_m : float
        Turning radius [m].

    Returns
    -------
    Curve
        One of the six Dubins words.

    Raises
    ------
    GeometryError
        Radius not positive.

    Examples
    --------
    >>> round(dubins(Pose2(0, 0), Pose2(0, 2, math.pi), 1.0).length_m, 9)
    3.141592654

    """
    x, y, turn = _normalised(start, goal, radius_m)
    return Curve(start, radius_m, _shortest(_dubins_words(x, y, turn)))


def reeds_shepp(start: Pose2, goal: Pose2, radius_m: float) -> Curve:
    """
    Return the shortest curve that may also back up.

    Parameters
    ----------
    start, goal : Pose2
        Poses in one frame.
    radius_m : float
        Turning radius [m].

    Returns
    -------
    Curve
        One of the 48 Reeds-Shepp words.

    Raises
    ------
    GeometryError
        Radius not positive.

    Examples
    --------
    >>> reeds_shepp(Pose2(0, 0), Pose2(-1, 0), 1.0).length_m
    1.0

    """
    x, y, turn = _normalised(start, goal, radius_m)
    return Curve(start, radius_m, _shortest(_reeds_shepp_words(x, y, turn)))


def _driven(
    x: float, y: float, yaw: float, steering: int, length: float, radius_m: float
) -> tuple[float, float, float]:
    """Return the pose after one piece."""
    if steering == STRAIGHT:
        run = radius_m * length
        return x + run * math.cos(yaw), y + run * math.sin(yaw), yaw
    end = yaw + steering * length
    bend = steering * radius_m
    return (x + bend * (math.sin(end) - math.sin(yaw)),
            y - bend * (math.cos(end) - math.cos(yaw)), end)


def _normalised(start: Pose2, goal: Pose2, radius_m: float) -> tuple[float, float, float]:
    """Return the goal seen from the start, in turning radii."""
    if not (math.isfinite(radius_m) and radius_m > 0.0):
        msg = f'a turning radius of {radius_m} m gives no curve'
        raise GeometryError(msg)
    seen = start.inverse() @ goal
    return seen.x_m / radius_m, seen.y_m / radius_m, seen.yaw_rad


def _shortest(words: Iterator[Word]) -> Word:
    """Return the shortest word, without pieces of no length."""
    best = min(words, key=lambda word: sum(abs(length) for _, length in word))
    return tuple(piece for piece in best if abs(piece[1]) > 1e-12)


def _turn(angle: float) -> float:
    """Return an angle in [0, 2 pi), rounding just below a full turn down to 0."""
    out = angle % (2.0 * PI)
    return 0.0 if out > 2.0 * PI - 1e-9 else out


def _wrapped(angle: float) -> float:
    """Return an angle in (-pi, pi]."""
    out = math.fmod(angle, 2.0 * PI)
    if out <= -PI:
        return out + 2.0 * PI
    return out - 2.0 * PI if out > PI else out


def _dubins_words(x: float, y: float, turn: float) -> Iterator[Word]:
    """Give the Dubins words that reach the goal: CSC by tangents, CCC by the third circle."""
    for first in (LEFT, RIGHT):
        for last in (LEFT, RIGHT):
            # Centre of the last circle seen from the centre of the first.
            dx = x - last * math.sin(turn)
            dy = y + last * math.cos(turn) - first
            gap, angle = math.hypot(dx, dy), math.atan2(dy, dx)
            lean = 0.0
            run = gap
            if first != last:
                if gap < 2.0:
                    continue
                run = math.sqrt(gap * gap - 4.0)
                lean = first * math.atan2(2.0, run)
            # Where both circles are one, the straight has no direction: turn in one go.
            heading = angle + lean if run > 1e-9 or first != last else 0.0
            yield ((first, _turn(first * heading)), (STRAIGHT, run),
                   (last, _turn(last * (turn - heading))))
        dx, dy = x - first * math.sin(turn), y + first * math.cos(turn) - first
        gap = math.hypot(dx, dy)
        if gap <= 4.0:
            angle, bend = math.atan2(dy, dx), math.acos(0.25 * gap)
            for side in (1, -1):
                begin = _turn(first * (angle + HALF * first) + side * bend)
                middle = _turn(PI + 2.0 * side * bend)
                end = _turn(first * turn - begin + middle)
                yield (first, begin), (-first, middle), (first, end)


def _reeds_shepp_words(x: float, y: float, turn: float) -> Iterator[Word]:
    """Give the Reeds-Shepp words: the base words, flipped in time, mirrored and reversed."""
    back_x = x * math.cos(turn) + y * math.sin(turn)
    back_y = x * math.sin(turn) - y * math.cos(turn)
    for reverse, (u, v) in ((False, (x, y)), (True, (back_x, back_y))):
        for time in (1, -1):
            for mirror in (1, -1):
                for word in _base_words(time * u, mirror * v, time * mirror * turn):
                    pieces = tuple((mirror * s, time * length) for s, length in word)
                    yield pieces[::-1] if reverse else pieces


def _base_words(x: float, y: float, turn: float) -> Iterator[Word]:
    """Give the words that start with a forward left turn and reach the goal."""
    same = (x - math.sin(turn), y - 1.0 + math.cos(turn))
    other = (x + math.sin(turn), y - 1.0 - math.cos(turn))
    yield from _same_side(*same, turn)
    yield from _other_side(*other, turn)
    yield from _four_turns(*other, turn)


def _same_side(xi: float, eta: float, turn: float) -> Iterator[Word]:
    """Give words that end on a left turn: equations 8.1, 8.3, 8.4 and 8.9."""
    gap, angle = math.hypot(xi, eta), math.atan2(eta, xi)
    end = _wrapped(turn - angle)
    if angle >= ZERO and end >= ZERO:
        yield (LEFT, angle), (STRAIGHT, gap), (LEFT, end)
    if gap <= 4.0:
        middle = -2.0 * math.asin(0.25 * gap)
        begin = _wrapped(angle + 0.5 * middle + PI)
        if begin >= ZERO:
            yield (LEFT, begin), (RIGHT, middle), (LEFT, _wrapped(turn - begin + middle))
    if gap >= 2.0:
        run = math.sqrt(gap * gap - 4.0)
        begin = _wrapped(angle + math.atan2(run, -2.0))
        end = _wrapped(turn - HALF - begin)
        if begin >= ZERO and 2.0 - run <= -ZERO and end <= -ZERO:
            yield (LEFT, begin), (RIGHT, -HALF), (STRAIGHT, 2.0 - run), (LEFT, end)


def _other_side(xi: float, eta: float, turn: float) -> Iterator[Word]:
    """Give words that end on a right turn with a straight in them: 8.2, 8.10 and 8.11."""
    gap, angle = math.hypot(xi, eta), math.atan2(eta, xi)
    if gap < 2.0:
        return
    run = math.sqrt(gap * gap - 4.0)
    begin = _wrapped(angle + math.atan2(2.0, run))
    end = _wrapped(begin - turn)
    if begin >= ZERO and end >= ZERO:
        yield (LEFT, begin), (STRAIGHT, run), (RIGHT, end)
    begin = math.atan2(xi, -eta)
    end = _wrapped(begin + HALF - turn)
    if begin >= ZERO and end <= -ZERO:
        yield (LEFT, begin), (RIGHT, -HALF), (STRAIGHT, 2.0 - gap), (RIGHT, end)
    straight = 4.0 - run
    if straight <= -ZERO:
        begin = _wrapped(math.atan2((4.0 - straight) * xi - 2.0 * eta,
                                    -2.0 * xi + (straight - 4.0) * eta))
        end = _wrapped(begin - turn)
        if begin >= ZERO and end >= ZERO:
            yield ((LEFT, begin), (RIGHT, -HALF), (STRAIGHT, straight), (LEFT, -HALF),
                   (RIGHT, end))


def _four_turns(xi: float, eta: float, turn: float) -> Iterator[Word]:
    """Give words of four turns: equations 8.7 and 8.8."""
    gap2 = xi * xi + eta * eta
    rho = 0.25 * (2.0 + math.sqrt(gap2))
    if rho <= 1.0:
        bend = math.acos(rho)
        begin, end = _outer_turns(bend, -bend, xi, eta, turn)
        if begin >= ZERO and end <= -ZERO:
            yield (LEFT, begin), (RIGHT, bend), (LEFT, -bend), (RIGHT, end)
    rho = (20.0 - gap2) / 16.0
    if 0.0 <= rho <= 1.0:
        bend = -math.acos(rho)
        begin, end = _outer_turns(bend, bend, xi, eta, turn)
        if begin >= ZERO and end >= ZERO:
            yield (LEFT, begin), (RIGHT, bend), (LEFT, bend), (RIGHT, end)


def _outer_turns(
    u: float, v: float, xi: float, eta: float, turn: float
) -> tuple[float, float]:
    """Return first and last turn around two given middle ones."""
    delta = _wrapped(u - v)
    a = math.sin(u) - math.sin(delta)
    b = math.cos(u) - math.cos(delta) - 1.0
    begin = math.atan2(eta * a - xi * b, xi * a + eta * b)
    if 2.0 * (math.cos(delta) - math.cos(v) - math.cos(u)) + 3.0 < 0.0:
        begin = _wrapped(begin + PI)
    return begin, _wrapped(begin - u + v - turn)
