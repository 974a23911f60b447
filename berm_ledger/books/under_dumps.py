# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Soil that went while a dump nearby was still to be measured.

Nothing is judged around an open dump, and what it leaves there is accepted: a loss would be taken
for a smaller rise. So what has fallen is looked for before that, and stays as it was accepted; the
looks that follow tell what became of it. A load may set soil beside it sliding, which is its own
doing; but then it rises by all of itself, and that tells the two apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
import math

import numpy as np
from numpy.typing import NDArray

from .accepted import AcceptedSurface
from .accounts import Books, DumpRecord
from .changes import Cells, Change, clusters, Evidence, FRINGE
from .charts import Canvas
from .mean_looks import middle_m, times_seen
from .patches import HURRIED_LOOKS, OpenPatch, Rise
from .verdicts import assessed_losses, is_plain, LEAST_RISE_M
from .yield_model import estimate_yield, WINDOW_LOADS, YieldEstimate
from ..design import Site
from ..survey.middle import median_ns
from ..survey.noise import GridNoise
from ..survey.robust import Floats

# A rise is soil of the load where it is so many times beyond detection in some cells.
PLAIN_RISES = 2.0
# What has fallen this many cells from what has risen touches it.
BESIDE = 2
# Of losses that touch a heap that is not yet measured, so many are slides for one that is none
# (a guess: loads often set soil sliding, and hardly anybody digs beside a machine that dumps).
SLIDES_PER_LOSS = 3.0
# What slides is a small part of the load that set it off, also farther from it (a guess: loads of
# 30 litre on a berm 0.45 m high moved up to a thirtieth of theirs).
SLIDE_SHARE = 0.035


@dataclass(frozen=True, eq=False)
class Loss:
    """
    What has fallen around a dump.

    Parameters
    ----------
    change : Change
        The loss as far as it lies around the dump, its cells among all n.
    beside_heap : bool
        Whether it touches what has risen.
    seen_before : bool
        Whether looks before the dumps had begun to show it.

    """

    change: Change
    beside_heap: bool
    seen_before: bool = False


@dataclass(frozen=True, eq=False)
class Surroundings:
    """
    What is to be known of all n surveyed cells to judge what has fallen.

    Parameters
    ----------
    canvas : Canvas
        The cells on their lattice.
    accepted : AcceptedSurface
        What was accepted of them before the dumps.
    ground_m : array
        Natural ground, shape (n,) [m].
    watched : array
        Where anything may be judged, shape (n,).
    noise : GridNoise
        Noise of one look.
    planar_m : float
        Error of the planar shift of the looks [m].
    falling : array
        Where looks before the dumps had shown a loss already, shape (n,).

    """

    canvas: Canvas
    accepted: AcceptedSurface
    ground_m: NDArray[np.floating]
    watched: Cells
    noise: GridNoise
    planar_m: float
    falling: Cells


def losses_beside(patch: OpenPatch, around: Surroundings) -> list[Loss]:
    """
    Return the coherent losses around dumps that can be measured.

    Parameters
    ----------
    patch : OpenPatch
        The dumps and the looks since.
    around : Surroundings
        The cells and what was accepted of them.

    Returns
    -------
    list of Loss
        The losses, plain ones only.

    """
    # It may have gone after some of the looks: those that tell most are taken.
    whole = len(patch.told_m)
    index, accepted = _accepted(patch, around)
    told = [_losses_in(patch, count, around, index, accepted)
            for count in sorted({whole, whole // 2, HURRIED_LOOKS}, reverse=True)]
    return max(told, key=lambda found: sum(
        loss.change.volume_m3 / loss.change.volume_se_m3 for loss in found))


def _losses_in(
    patch: OpenPatch, count: int, around: Surroundings, index: NDArray[np.intp],
    accepted: Evidence,
) -> list[Loss]:
    """Return the losses that so many last looks tell of against what is accepted around."""
    evidence = _with_looks(accepted, patch, count, index)
    smooth = np.nan_to_num(evidence.canvas.box_mean(
        np.where(evidence.judged, evidence.difference_m, np.nan)))
    heap = _risen(evidence, smooth)
    # What has risen would be taken for soil that slid there.
    rim = evidence.canvas.near(heap, FRINGE) & (smooth > 0.0)
    rest = replace(evidence, judged=evidence.judged & ~rim)
    beside = evidence.canvas.near(heap, BESIDE)
    core = np.flatnonzero(rest.judged & (-smooth > evidence.detection_m))
    out = []
    for change in assessed_losses(rest, core) if len(core) else []:
        if change.kind == 'disturbed' and is_plain(change):
            own = np.intersect1d(change.cells, core)
            before = np.mean(around.falling[index[own]]) >= 0.5
            window_ns = median_ns(around.accepted.same.at(index[change.cells]))
            out.append(Loss(change.placed(index, patch.stamps_ns[-count:][0], window_ns),
                            bool(beside[own].any()), bool(before)))
    return out


def _accepted(
    patch: OpenPatch, around: Surroundings
) -> tuple[NDArray[np.intp], Evidence]:
    """Return the cells around a patch and what is accepted there, as evidence without a look."""
    index, canvas = around.canvas.around(patch.cells, FRINGE)
    accepted_m, worth, fill_m = (
        values[index].astype(float) for values in (
            around.accepted.height_m, around.accepted.looks, around.accepted.fill_m))
    unseen_m, looks = np.full(len(index), np.nan), np.zeros(len(index))
    shared_m: Floats = around.planar_m * np.hypot(*canvas.slopes(accepted_m))
    standing_m = np.fmax(accepted_m - around.ground_m[index], 0.0)
    return index, Evidence(
        canvas, accepted_m, worth, fill_m, unseen_m, looks, unseen_m,
        np.isfinite(accepted_m) & around.watched[index], around.noise, shared_m, standing_m)


def _with_looks(
    accepted: Evidence, patch: OpenPatch, count: int, index: NDArray[np.intp]
) -> Evidence:
    """Return evidence with so many last looks of a patch."""
    last_m = patch.told_m[-count:]
    at = np.searchsorted(index, patch.cells)
    mean_m, looks = accepted.mean_m.copy(), accepted.looks.copy()
    mean_m[at], looks[at] = middle_m(last_m), times_seen(last_m)
    return replace(accepted, mean_m=mean_m, looks=looks, newest_m=mean_m,
                   judged=accepted.judged & (looks >= patch.least_looks))


def _risen(evidence: Evidence, smooth_m: Floats) -> Cells:
    """Return the cells of coherent rises."""
    out = np.zeros(len(smooth_m), dtype=bool)
    least = np.maximum(evidence.detection_m, LEAST_RISE_M)
    for group in clusters(evidence.canvas, evidence.judged & (smooth_m > least),
                          smooth_m > PLAIN_RISES * least):
        out[group] = True
    return out


def not_slid(
    losses: Sequence[Loss], shortages_m3: Sequence[tuple[float, float]], load_m3: float
) -> list[Loss]:
    """
    Return the losses that the loads themselves have not caused.

    Parameters
    ----------
    losses : sequence of Loss
        What has fallen around them.
    shortages_m3 : sequence of tuple
        How much less than usual each has risen, and its standard error [m3]; NaN is not known.
    load_m3 : float
        How much the greatest of the loads was to add [m3].

    Returns
    -------
    list of Loss
        Those seen before; those off the heap that are more than ``SLIDE_SHARE`` of a load; and all
        where the loads fall short by them more likely than by chance.

    """
    lost_m3 = sum(loss.change.volume_m3 for loss in losses)
    short_m3 = sum(shortage_m3 for shortage_m3, _ in shortages_m3)
    square = sum(error_m3**2 for _, error_m3 in shortages_m3)
    # The logarithm of the likelihood ratio of two normal means, short by nothing and by all.
    taken = lost_m3 * (short_m3 - 0.5 * lost_m3) > math.log(SLIDES_PER_LOSS) * square
    return [loss for loss in losses if taken or loss.seen_before or not (
        loss.beside_heap or loss.change.volume_m3 < SLIDE_SHARE * load_m3)]


def shortage_m3(rise: Rise, books: Books) -> tuple[float, float]:
    """
    Return how much less rose than such loads have added so far, and its standard error [m3].

    Parameters
    ----------
    rise : Rise
        What rose.
    books : Books
        The books so far.

    Returns
    -------
    tuple of float
        Shortage and standard error [m3].

    """
    usual = books.dump_yield
    if rise.landing.weighed:
        usual = yield_of_weighed(books.dumps, books.site, rise.landing.expected_m3)
    return usual.value_m3 - rise.volume_m3, math.hypot(rise.volume_se_m3, usual.spread_m3)


def yield_of_weighed(
    dumps: Sequence[DumpRecord], site: Site, expected_m3: float
) -> YieldEstimate:
    """
    Return what a weighed load adds by what weighed loads have added so far.

    Parameters
    ----------
    dumps : sequence of DumpRecord
        The dumps so far.
    site : Site
        The site.
    expected_m3 : float
        Volume by its mass [m3].

    Returns
    -------
    YieldEstimate
        Estimate for this load.

    """
    density = site.material.loose_density_kg_m3
    good = [dump for dump in dumps[-WINDOW_LOADS:] if not dump.stray and dump.mass_kg > 0.0
            and math.isfinite(dump.volume_m3)]
    scale = [expected_m3 * density / dump.mass_kg for dump in good]
    return estimate_yield(
        [dump.volume_m3 * k for dump, k in zip(good, scale)],
        [dump.volume_se_m3 * k for dump, k in zip(good, scale)], expected_m3)
