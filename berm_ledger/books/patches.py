# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A dump that is still to be measured: where it fell, and the looks since at the cells around.

The surface after it is the mean of the last looks, each freed of what all its cells share, without
the lowest and the highest third; the site surface, which is pulled over slowly, is not used. A
look counts when the one before or after it shows the same: dust over the load never does. Looks
at a drum that may still have been emptying tell only until there are enough later ones.
"""

from __future__ import annotations

from dataclasses import dataclass, field
import math

import numpy as np
from numpy.typing import NDArray

from .kept_looks import KEPT_LOOKS, one_to_spare
from .mean_looks import middle_m, newest_m, times_seen
from .same_soil import shows_same
from .shared_shift import LevelLook
from .still_coming import coming_share, coming_until, growth_sigmas, mean_error_m
from ..survey.noise import GridNoise
from ..survey.robust import Floats

# Settled when the cells that hold this share of the expected soil have this many looks; in a
# hurry, because the next load falls there, the smaller figures do: of one load, of two measured
# together, of more. Else loads half of which fall behind a crest would be joined for ever.
SETTLED_SHARE = 0.9
SETTLED_LOOKS = 4
HURRIED_SHARES = (0.7, 0.5, 0.25)
HURRIED_LOOKS = 2
# Of so many loads that wait together one look must do, dust or not: where grids are rare each load
# falls on one that has not been seen twice, and all that is wrong meanwhile would go unseen.
MANY_LOADS = 4
# Where a load came short, and few looks are later than its drum can have been emptying, so many of
# the newest at a cell tell: those before may show soil still coming.
NEWEST_LOOKS = 3
# After so many looks and seconds at a patch of which the rest does not come into view it must do
# as it is, with so much of the soil seen: behind a crest no more may ever be.
LEAST_SHARES = ((16, 0.5), (32, 0.25))
# Of less than this part of a load the rest may still be coming, where it is announced as its drum
# begins to turn; a look that shows more of it shows all.
WHOLE_SHARE, NEARLY_ALL = 0.85, 0.95
# Cells with less of the soil expected than this part of the most are not asked.
LEAST_PART = 0.1
# Assumed of looks of which it is not told.
ASSUMED = GridNoise()
# So long after a load was announced its drum may still be emptying (a guess) [ns].
EMPTYING_NS = 10_000_000_000
# For so long looks must show that no more comes, however many they are: some do by chance [ns].
RESTED_NS = 4_000_000_000
# So long after the last load every look counts: by then dust has sunk (a guess) [ns].
DUST_NS = 60_000_000_000
# So long after it soil that looks show coming up is waited for (a guess) [ns].
LONGEST_NS = 60_000_000_000
# A load that was short comes up still if the newer half of the looks shows so many standard errors
# more than the older.
GROWING_SIGMAS = 2.0


@dataclass(frozen=True)
class Landing:
    """
    One announced dump.

    Parameters
    ----------
    seq : int
        Number of its entry.
    stamp_ns : int
        When it was announced [ns].
    x_m, y_m : float
        Drop point in the site frame [m].
    expected_m3 : float
        Volume that it should add [m3].
    weighed : bool
        Whether that is known from its mass.

    """

    seq: int
    stamp_ns: int
    x_m: float
    y_m: float
    expected_m3: float
    weighed: bool = False


@dataclass(frozen=True, eq=False)
class Rise:
    """
    What one dump added.

    Parameters
    ----------
    landing : Landing
        The dump.
    volume_m3, volume_se_m3 : float
        Rise and its standard error [m3]; NaN where the ground before it was not known.
    by_row_m3 : array
        Rise on each segment, shape (segments,) [m3].
    missed : bool
        Whether it left no rise to speak of.
    middle_xy_m : tuple of float
        Middle of what rose in the site frame [m]; NaN where it left none, or fell with others, or
        not all of it was seen.

    """

    landing: Landing
    volume_m3: float
    volume_se_m3: float
    by_row_m3: NDArray[np.float64]
    missed: bool
    middle_xy_m: tuple[float, float] = (math.nan, math.nan)


@dataclass(eq=False)
class OpenPatch:
    """
    Cells around one or several open dumps.

    Parameters
    ----------
    landings : list of Landing
        The dumps.
    cells : array
        Surveyed cells, shape (k,).
    before_m, before_looks : array
        Surface before the first of them that reaches a cell, and what it was worth, shape (k,).
    parts : array
        Share of every load that is expected at a cell, shape (landings, k); rows sum to 1.
    kept_m : array
        The last looks since, shape (looks, k) [m]; NaN is not seen.
    looks : int
        How many there were that count; none while those before the only one kept were of dust.
    stamps_ns : tuple of int
        Times of the kept ones [ns].

    """

    landings: list[Landing]
    cells: NDArray[np.intp]
    before_m: Floats
    before_looks: Floats
    parts: Floats
    kept_m: NDArray[np.float32]
    looks: int = 0
    stamps_ns: tuple[int, ...] = ()
    #: Cells that the last look leaves unseen, as those that showed them do not count any more.
    unseen: NDArray[np.intp] = field(init=False)
    _after_m: Floats | None = field(init=False, default=None)
    _alone: bool | None = field(init=False, default=None)
    _noise: GridNoise = field(init=False, default=ASSUMED)
    # The first of the looks kept since which no more has come.
    _first: int = field(init=False, default=0)
    #: Whether early looks are left out at cells with enough later ones.
    newest_tell: bool = field(init=False, default=False)
    # When newer looks have shown more than older the last time [ns].
    _grew_ns: int | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        """Start with no look left out."""
        self.unseen = self.cells[:0]

    def add(
        self, level: LevelLook | NDArray[np.floating], stamp_ns: int, noise: GridNoise = ASSUMED
    ) -> bool:
        """Keep a look at all surveyed cells, shape (n,), if it shows any of the patch since."""
        # A slow grid may come after the dump and still show the ground before it.
        if stamp_ns <= self._landed_ns:
            return False
        own = level[self.cells].astype(np.float32)
        self.unseen = self.cells[:0]
        shown = bool(np.isfinite(own).any())
        if shown:
            if self._is_alone and not shows_same(self.kept_m[-1], own, noise):
                only = np.isfinite(self.kept_m[-1]) & np.isnan(own)
                self.kept_m, self.stamps_ns = self.kept_m[:-1], self.stamps_ns[:-1]
                self.looks = max(self.looks - 1, 0)
                self.unseen = self.cells[only & (times_seen(self.kept_m) == 0)]
            else:
                self.looks += 1
            self._keep(own, stamp_ns)
            self._after_m = self._alone = None
            self._noise = noise
        return shown

    def _keep(self, own_m: NDArray[np.float32], stamp_ns: int) -> None:
        """Keep one more look, shape (k,) [m], in place of another where there are enough."""
        stamps_ns = (*self.stamps_ns, stamp_ns)
        kept = list(range(len(stamps_ns)))
        if len(kept) > KEPT_LOOKS:
            del kept[one_to_spare(stamps_ns)]
        self.kept_m = np.concatenate([self.kept_m, own_m[None, :]])[kept]
        self.stamps_ns = tuple(stamps_ns[k] for k in kept)

    @property
    def _landed_ns(self) -> int:
        """Return when the last load fell [ns]."""
        return max(landing.stamp_ns for landing in self.landings)

    @property
    def _since(self) -> int:
        """Return how many of the looks kept are newer than the last load."""
        return sum(stamp_ns > self._landed_ns for stamp_ns in self.stamps_ns)

    @property
    def _is_alone(self) -> bool:
        """Tell whether the newest look shows what the one before it does not."""
        if self._alone is None:
            since = self._since
            self._alone = since > 0 and self.stamps_ns[-1] - self._landed_ns <= DUST_NS and (
                since == 1 or not shows_same(self.kept_m[-2], self.kept_m[-1], self._noise))
        return self._alone

    @property
    def _end(self) -> int:
        """Return how many of the looks kept count, the newest if nothing contradicts it."""
        return len(self.kept_m) - (self._is_alone and self._since > 1)

    @property
    def _rested(self) -> int:
        """Return how many of these show the last load when its drum was empty for certain."""
        return sum(stamp_ns > self._landed_ns + EMPTYING_NS
                   for stamp_ns in self.stamps_ns[:self._end])

    @property
    def is_rested(self) -> bool:
        """Whether enough looks show the last load when its drum was empty for certain."""
        return self._rested >= SETTLED_LOOKS and (
            self.stamps_ns[self._end - 1] >= self._landed_ns + EMPTYING_NS + RESTED_NS)

    def may_rest(self, now_ns: int) -> bool:
        """Tell whether it is worth waiting for such looks at a time [ns]."""
        return now_ns <= self._landed_ns + 2 * EMPTYING_NS

    @property
    def told_m(self) -> NDArray[np.float32]:
        """Return the looks that tell, shape (l, k) [m]: those at an empty drum if enough."""
        return self._told_from(self._first)

    def _told_from(self, first: int) -> NDArray[np.float32]:
        """Return those that tell of all but so many of the looks kept, shape (l, k) [m]."""
        looks_m = self.kept_m[first:self._end]
        if self._grew_ns is not None:
            return newest_m(looks_m, SETTLED_LOOKS)
        if self.is_rested:
            return self.kept_m[max(first, self._end - self._rested):self._end]
        return newest_m(looks_m, NEWEST_LOOKS) if self.newest_tell else looks_m

    def may_come(self, now_ns: int) -> bool:
        """Tell whether looks at a time [ns] are too few since soil was still coming up."""
        least = SETTLED_LOOKS if self.may_rest(now_ns) else NEWEST_LOOKS
        return 0 < self._first > self._end - least and now_ns <= self._worth_waiting_ns

    def still_grows(self, now_ns: int, cell_m2: float) -> bool:
        """Tell whether newer looks show more than older, and waiting at a time [ns] pays."""
        if now_ns > self._worth_waiting_ns:
            return False
        own, share, error_m = self._asked(cell_m2)
        if growth_sigmas(self.kept_m[:self._end, own], share, error_m) > GROWING_SIGMAS:
            self._grew_ns, self._after_m = now_ns, None
        return self._grew_ns is not None and now_ns < self._grew_ns + RESTED_NS

    @property
    def _worth_waiting_ns(self) -> int:
        """Return until when soil that comes up is waited for [ns]: not where no look comes."""
        # Nor for ever, as something else may go on there.
        return min(max(self.stamps_ns[-1], self._landed_ns + EMPTYING_NS) + EMPTYING_NS,
                   self._landed_ns + LONGEST_NS)

    def leave_out_coming(self, cell_m2: float) -> None:
        """
        Leave out the looks made while soil still came up, but for the newest.

        What comes where a whole load lies already is none of it.

        Parameters
        ----------
        cell_m2 : float
            Area of a cell [m2].

        """
        own, share, error_m = self._asked(cell_m2)
        looks_m, kept = self.kept_m[:self._end, own], self._noise.kept
        self._first = coming_until(
            looks_m, share, error_m, HURRIED_LOOKS, overshoots=kept > 0.0)
        if self._first and not kept:
            short = self._shown_m3(looks_m[:self._first], own, cell_m2) < NEARLY_ALL * sum(
                landing.expected_m3 for landing in self.landings)
            self._first = int(np.flatnonzero(short).max(initial=-1)) + 1
        self._after_m = None

    def _asked(self, cell_m2: float) -> tuple[NDArray[np.intp], Floats, float]:
        """Return the cells that are asked, what each counts, and the error of a look there [m]."""
        share = self.parts.mean(axis=0)
        own = np.flatnonzero(share > LEAST_PART * share.max())
        return own, share[own], mean_error_m(self._noise, share[own], cell_m2)

    def _shown_m3(
        self, looks_m: NDArray[np.float32], cells: NDArray[np.intp], cell_m2: float
    ) -> Floats:
        """Return what each of some looks (l, k) at some cells shows of the loads, (l,) [m3]."""
        rise_m = looks_m - self.before_m[cells]
        known = np.isfinite(rise_m)
        seen = known @ self.parts.mean(axis=0)[cells]
        out: Floats = np.where(known, rise_m, 0.0).sum(axis=1) * cell_m2 / np.maximum(seen, 1e-9)
        return out

    @property
    def least_looks(self) -> int:
        """Return how many looks must do in a hurry: one where those before it were of dust."""
        late = len(self.landings) >= MANY_LOADS or self._since == 1 > self.looks
        return 1 if late else HURRIED_LOOKS

    def let_newest_tell(self) -> None:
        """Leave out early looks at cells with enough later ones, as at a drum still emptying."""
        self.newest_tell, self._after_m = True, None

    def raise_by(self, step_m: NDArray[np.float32]) -> None:
        """Raise its cells, of all (n,) [m]: the frame itself was found to lie lower there."""
        self.before_m = self.before_m + step_m[self.cells]
        self.kept_m = self.kept_m + step_m[self.cells]
        self._after_m = None

    def count(self) -> NDArray[np.intp]:
        """Return how many of the looks that count show each cell, shape (k,)."""
        return times_seen(self.told_m)

    def share_with(self, least: int) -> float:
        """Return the share of the expected soil on cells with so many looks, worst load."""
        return self._share(self.count() >= least)

    def _share(self, cells: NDArray[np.bool_]) -> float:
        """Return the share of the expected soil on some cells (k,), worst load."""
        return float((self.parts @ cells).min())

    @property
    def ready(self) -> bool:
        """Whether there are looks enough to measure the patch as well as it ever will be."""
        # Before there are so many looks, no cell has them.
        if len(self.kept_m) < HURRIED_LOOKS:
            return False
        seen = times_seen(self._told_from(0))
        return self._share(seen >= SETTLED_LOOKS) >= SETTLED_SHARE or any(
            self.looks >= looks
            and self.stamps_ns[-1] - self._landed_ns >= looks * 1_000_000_000
            and self._share(seen >= HURRIED_LOOKS) >= share
            for looks, share in LEAST_SHARES)

    @property
    def measurable(self) -> bool:
        """Whether the patch can be measured at all, before the next load buries it."""
        least = HURRIED_SHARES[min(len(self.landings), len(HURRIED_SHARES)) - 1]
        return self.share_with(self.least_looks) >= least

    def after_m(self) -> Floats:
        """Return the mean of the looks without their extremes, NaN unseen, shape (k,) [m]."""
        if self._after_m is None:
            self._after_m = middle_m(self.told_m)
        return self._after_m

    def standing(self, moved: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        """
        Return how the surface stands now, and how many looks that is worth.

        Parameters
        ----------
        moved : array
            Where soil came or slid, shape (k,). Elsewhere the looks before count too: a few
            looks must not replace many.

        Returns
        -------
        tuple of array
            Heights [m], NaN unseen, and looks, shape (k,).

        """
        after, count = self.after_m(), self.count().astype(float)
        still = ~moved & np.isfinite(self.before_m) & np.isfinite(after)
        whole = count + self.before_looks
        joined = (self.before_m * self.before_looks + after * count) / whole
        share = coming_share(self._noise, len(self.told_m))
        if share:
            # What may still come of a rise makes it worth the less.
            rise = np.nan_to_num(after - self.before_m)
            count /= 1.0 + count * (share * rise / self._noise.total_m) ** 2
        return np.where(still, joined, after), np.where(still, whole, count)
