# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What a coherent change is: soil lost, soil slid, soil added, or nothing that soil does.

Volumes are sums of the differences between the mean of the looks since the change began and the
accepted surface, over the cells that fell and a fringe around them; every cell of the fringe
counts with its sign, so that noise sums to nothing. Soil settles, which is no loss: by a share of
its height that is told by what stands around a spot, as no spot smaller than a load settles alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .changes import (
    Cells,
    Change,
    clusters,
    Evidence,
    Floats,
    grown,
    LEAST_AREA_M2,
    stands_like_a_thing,
)
from ..survey.middle import median
from ..survey.noise import GridNoise

# Looks since the change began, and for added soil also the time [ns], before it is judged.
LOSS_LOOKS = 4
FILL_LOOKS = 6
FILL_NS = 4_000_000_000
# Losses that are plain sooner: looks, volume [m3], and how many of its standard errors that is.
PLAIN_LOSSES = ((2, 0.0020, 10.0), (3, 0.0010, 8.0))
# Of a sensor that shows so much of the ground wrong, other cells in every look, two looks are by
# chance wrong at the same cells: so many more are asked for.
MOST_WRONG_SHARE = 0.001
WRONG_LOOKS = 2
# A slide smaller than this [m3] wants more looks: noise close by may look like its soil.
SLUMP_LOOKS = 6
PLAIN_SLUMP_M3 = 0.0003
# Smallest change that counts [m, m3].
LEAST_CHANGE_M = 0.006
LEAST_VOLUME_M3 = 0.00008
LEAST_RISE_M = 0.004
VOLUME_SIGMAS = 3.0
# Soil that came without a dump is sought in every look at every place: by chance alone three come.
FILL_SIGMAS = 4.0
# A spot that settling would explain, were it not for what stands around it, must be more [m3].
LEAST_SPOT_M3 = 0.00011
SPOT_SIGMAS = 4.5
# Noise over a fringe can hide what a spot plainly shows; its own cells must then have lost so much
# more than soil settles, of the error of their own sum. Untouched ones came to 4.5 at most.
SUNK_SIGMAS = 5.5
# Where next to nothing stands nobody can have taken much, and no settling adds to the bound.
GROUND_SIGMAS = 5.0
SLIDE_SIGMAS = 4.0
# Fresh soil settles by up to this share of its height, and by so much more in one place than
# around it; but not in a spot smaller than a load [m2]. Lower than this nothing tells of it [m].
SETTLING_SHARE = 0.04
UNEVEN_SHARE = 0.01
LARGEST_SPOT_M2 = 0.05
LEAST_STANDING_M = 0.02
# A loss of which this part lies close by again has slid, not gone; with less than the smaller
# part it has gone; between the two more looks must tell.
SLID_SHARE = 0.6
GONE_SHARE = 0.25
UNDECIDED_LOOKS = 8
SLIDE_REACH_M = 0.30


def assessed_losses(evidence: Evidence, core: NDArray[np.intp]) -> list[Change]:
    """
    Say what has become of a group of cells that lost height, piece by piece.

    Parameters
    ----------
    evidence : Evidence
        The looks since it began.
    core : array
        Cells of the group, shape (k,).

    Returns
    -------
    list of Change
        One for every coherent piece that has fallen by more than noise and settling explain.

    """
    rise = evidence.difference_m
    smooth = np.nan_to_num(evidence.canvas.box_mean(
        np.where(evidence.judged, rise - evidence.fill_m, np.nan)))
    inside = np.zeros(len(rise), dtype=bool)
    inside[core] = True
    share = settled_share(evidence, rise, core)
    most = LARGEST_SPOT_M2 / evidence.area_m2
    spots = _fallen(evidence, smooth, min(SETTLING_SHARE, share + UNEVEN_SHARE))
    pieces = [spot for spot in spots if inside[spot].any() and len(spot) <= most]
    # What is as wide as a load may have settled all by itself.
    inside[np.concatenate([core[:0], *pieces])] = False
    wide = _fallen(evidence, smooth, SETTLING_SHARE)
    pieces += [piece for piece in wide if inside[piece].any()]
    every = np.zeros(len(rise), dtype=bool)
    every[np.concatenate([core[:0], *spots])] = True
    out = []
    for piece in pieces:
        change = _loss(evidence, piece, rise, share, every)
        if change is None:
            continue
        if median(evidence.standing_m[piece]) < LEAST_STANDING_M:
            sure = is_plain(change, GROUND_SIGMAS)
        else:
            sure = is_plain(change) or is_sunk(evidence, piece, rise, share)
        if sure:
            out.append(change)
    return out


def is_plain(change: Change, sigmas: float = SPOT_SIGMAS) -> bool:
    """Tell whether a loss is so great that neither settling nor noise explains it."""
    return change.kind == 'removed_fill' or change.lost_m3 >= max(
        LEAST_SPOT_M3, sigmas * change.volume_se_m3)


def is_sunk(evidence: Evidence, core: NDArray[np.intp], rise_m: Floats, share: float) -> bool:
    """Tell whether a piece's own cells fell by far more than noise and settling explain."""
    left = rise_m[core] + (share + UNEVEN_SHARE) * evidence.standing_m[core]
    inside = np.zeros(len(rise_m), dtype=bool)
    inside[core] = True
    sunk = -float(left.sum()) * evidence.area_m2
    return bool(depth_m(left) >= LEAST_CHANGE_M
                and sunk >= SUNK_SIGMAS * evidence.volume_se_m3(inside))


def _fallen(evidence: Evidence, smooth_m: Floats, share: float) -> list[NDArray[np.intp]]:
    """Return coherent pieces that fell by more than settling by a share explains."""
    return clusters(evidence.canvas, evidence.judged & (
        -smooth_m > share * evidence.standing_m + evidence.detection_m))


def grown_apart(evidence: Evidence, core: NDArray[np.intp], every: Cells) -> Cells:
    """Return a piece and its fringe without what lies closer to other pieces, shape (n,)."""
    own = np.zeros(len(every), dtype=bool)
    own[core] = True
    others = every & ~own
    if not others.any():
        return grown(evidence, core, evidence.fringe)
    for _ in range(evidence.fringe):
        others = evidence.canvas.near(others, 1) & ~own
        own = evidence.canvas.near(own, 1) & evidence.judged & ~others
    return own


def settled_share(evidence: Evidence, rise_m: Floats, core: NDArray[np.intp]) -> float:
    """
    Return by what share of its height the soil around a group has settled since.

    Parameters
    ----------
    evidence : Evidence
        The looks since.
    rise_m : array
        What was lost (negative) or gained, shape (n,) [m].
    core : array
        Cells of the group, shape (k,).

    Returns
    -------
    float
        At most what soil may settle; all of that where too little stands around to tell.

    """
    around = evidence.judged & (evidence.looks > 0.0) & (evidence.standing_m > LEAST_STANDING_M)
    around &= ~grown(evidence, core, evidence.fringe)
    if np.count_nonzero(around) < LEAST_AREA_M2 / evidence.area_m2:
        return SETTLING_SHARE
    fall = np.median(-rise_m[around] / evidence.standing_m[around])
    return float(np.clip(fall, 0.0, SETTLING_SHARE))


def _loss(
    evidence: Evidence, core: NDArray[np.intp], rise: Floats, share: float, every: Cells,
) -> Change | None:
    """Say what a piece that has fallen is; None where it is too little."""
    around = grown_apart(evidence, core, every)
    risen = gains_near(evidence, rise, around, median(evidence.accepted_m[core]))
    # Where soil without a dump lay, only what is now below the accepted surface is lost.
    own = np.where(evidence.fill_m > 0.0, np.minimum(rise, 0.0), rise)
    lost = -float(own[around & ~risen].sum()) * evidence.area_m2
    gained = max(0.0, float(rise[risen].sum()) * evidence.area_m2)
    error = evidence.volume_se_m3(around)
    looks = median(evidence.looks[core])
    most = float(evidence.looks[core].max())
    depth = depth_m(own[core] + share * evidence.standing_m[core])
    small = lost < max(LEAST_VOLUME_M3, VOLUME_SIGMAS * error) or depth < LEAST_CHANGE_M
    had_fill = bool(np.mean(evidence.fill_m[core] > 0.0) > 0.5)
    if small and not had_fill and is_sunk(evidence, core, own, share):
        # A fringe may add to what a spot has lost, not take from it.
        lost, small = max(lost, -float(own[core].sum()) * evidence.area_m2), False
    if small:
        if not had_fill:
            return None
        kind = 'removed_fill'
    elif gained >= SLID_SHARE * lost:
        kind = 'slump'
        around = around | risen
    elif gained >= GONE_SHARE * lost and looks < UNDECIDED_LOOKS:
        kind = 'undecided'
    else:
        kind, gained = 'disturbed', 0.0
    return _change(evidence, kind, around, lost, gained, error, own, min(looks + 1.0, most))


def depth_m(rise_m: Floats) -> float:
    """
    Return the depth of a loss, its deep parts counting for more [m].

    Examples
    --------
    >>> round(depth_m(np.array([-0.004, -0.012, 0.001])), 4)
    0.01

    """
    fall = np.maximum(-rise_m, 0.0)
    return float((fall * fall).sum() / max(float(fall.sum()), 1e-12))


def gains_near(
    evidence: Evidence, rise_m: Floats, around: Cells, level_m: float
) -> Cells:
    """Return what has risen by soil within the reach of a slide from a level, shape (n,)."""
    smooth: Floats = np.nan_to_num(
        evidence.canvas.box_mean(np.where(evidence.judged, rise_m, np.nan)))
    risen = evidence.judged & (smooth > np.maximum(evidence.detection_m, LEAST_RISE_M))
    risen &= evidence.fill_m <= 0.0
    reach = evidence.canvas.near(around, round(SLIDE_REACH_M / evidence.canvas.lattice.cell_m))
    out = np.zeros(len(risen), dtype=bool)
    for group in clusters(evidence.canvas, risen):
        # Soil slides downhill, if at all.
        if not reach[group].any() or stands_like_a_thing(evidence, group) or (
                median(evidence.accepted_m[group]) > level_m + LEAST_RISE_M):
            continue
        around = grown(evidence, group, evidence.fringe)
        volume = float(rise_m[around].sum()) * evidence.area_m2
        if volume > SLIDE_SIGMAS * evidence.volume_se_m3(around):
            out |= around
    # Where a gain and a loss touch, each cell belongs to the side that it is on.
    return out & (smooth > 0.0)


def assessed_gain(evidence: Evidence, core: NDArray[np.intp]) -> Change | None:
    """Say whether a group of cells that gained height is soil that came without a dump."""
    looks = median(evidence.looks[core])
    rise = evidence.difference_m - evidence.fill_m
    around = grown(evidence, core, evidence.fringe)
    gained = float(rise[around].sum()) * evidence.area_m2
    error = evidence.volume_se_m3(around)
    if gained < max(LEAST_VOLUME_M3, FILL_SIGMAS * error) or (
            median(rise[core]) < LEAST_CHANGE_M):
        return None
    if stands_like_a_thing(evidence, core):
        return None
    return _change(evidence, 'unbooked_fill', around, 0.0, gained, error, rise, looks)


def lasts(first_seen_ns: int, stamp_ns: int) -> bool:
    """Tell whether added soil has lain there for so long that it may be booked."""
    return stamp_ns - first_seen_ns >= FILL_NS


def looks_more(noise: GridNoise) -> int:
    """Return how many more looks than else must show a change, as some show wrong cells."""
    return WRONG_LOOKS if noise.wrong_share > MOST_WRONG_SHARE else 0


def is_proven(change: Change, stamp_ns: int, noise: GridNoise) -> bool:
    """
    Tell whether a change has been seen often enough to be booked: the greater, the sooner.

    Parameters
    ----------
    change : Change
        What the looks since it began say.
    stamp_ns : int
        Time of the newest look [ns].
    noise : GridNoise
        Noise of one look.

    Returns
    -------
    bool
        Whether it may be booked.

    """
    seen = change.seen - looks_more(noise)
    if change.kind == 'unbooked_fill':
        return seen >= FILL_LOOKS and lasts(change.first_seen_ns, stamp_ns)
    if change.kind == 'undecided':
        return False
    if change.kind == 'slump' and change.volume_m3 < PLAIN_SLUMP_M3:
        return seen >= SLUMP_LOOKS
    if change.kind == 'disturbed':
        worth = change.volume_m3 / max(change.volume_se_m3, 1e-12)
        for looks, least_m3, sigmas in PLAIN_LOSSES:
            if seen >= looks and change.volume_m3 >= least_m3 and worth >= sigmas:
                return True
    return seen >= LOSS_LOOKS


def _change(
    evidence: Evidence, kind: str, around: Cells, lost: float, gained: float, error: float,
    rise_m: Floats, looks: float,
) -> Change:
    """Put a change together; its place and time are those of the evidence."""
    cells = np.flatnonzero(around)
    height = evidence.accepted_m[cells] + evidence.difference_m[cells]
    return Change(kind, cells, lost, gained, 0, 0, error,
                  height, np.maximum(evidence.looks[cells], 1.0), rise_m[cells], looks)
