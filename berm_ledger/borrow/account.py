# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The borrow account: a fold over the entries of the borrow side, as the ledger is one over its own.

Live, restart, replay and report use this one fold. Entries of other kinds are passed over, so the
whole history may be handed in; books of before the borrow side was kept give an empty account.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
import math
from typing import Any

from .cycle import CycleTimes, UNKNOWN_TIMES
from .lane_figures import LaneFigures
from .swell import loose_from_bank_m3
from ..books import Entry
from ..books.posting import number
from ..errors import BooksError


@dataclass(frozen=True)
class AreaAccount:
    """
    One borrow area; bank volumes [m3] and depths below its datum [m], NaN is unknown.

    Parameters
    ----------
    area : str
        Its name.
    stamp_ns : int or None
        Time of the figures [ns]; None before anything was dug there.
    cut_m3, cut_se_m3 : float
        Volume taken, with its standard error.
    deepest_m, step_m : float
        Deepest place, and greatest fall of the cut within a wheel's length.
    left_m2, left_m3 : float
        Area and volume left within ``max_cut_m`` in open lanes; NaN volume where nothing limits
        the depth.
    lanes : tuple of LaneFigures
        Figures of the lanes.
    voids : tuple of int
        Numbers of lanes that are closed.
    next_lane : int or None
        Lane to dig next; None when there is none.
    next_cut_m : float
        Depth of the cut that a load needs there.

    """

    area: str
    stamp_ns: int | None = None
    cut_m3: float = math.nan
    cut_se_m3: float = math.nan
    deepest_m: float = math.nan
    step_m: float = math.nan
    left_m2: float = math.nan
    left_m3: float = math.nan
    lanes: tuple[LaneFigures, ...] = ()
    voids: tuple[int, ...] = ()
    next_lane: int | None = None
    next_cut_m: float = math.nan


@dataclass(frozen=True)
class LoadRecord:
    """
    One load: what it weighed and how long it took; NaN is unknown.

    Parameters
    ----------
    dump_seq : int
        Number of the entry of its dump.
    stamp_ns : int
        When it was dumped [ns].
    mass_kg, mass_se_kg : float
        Best estimate of its mass [kg].
    partial : bool or None
        Whether it was a partial load; None where that is not known.
    current_a : float
        Drum current while it was carried [A].
    cut_m3, cut_se_m3 : float
        Bank volume that was cut for it [m3].
    times : CycleTimes
        Times of its cycle.
    loads_left : int or None
        Loads still called for when it was dumped, this one not counted.

    """

    dump_seq: int
    stamp_ns: int
    mass_kg: float = math.nan
    mass_se_kg: float = math.nan
    partial: bool | None = None
    current_a: float = math.nan
    cut_m3: float = math.nan
    cut_se_m3: float = math.nan
    times: CycleTimes = UNKNOWN_TIMES
    loads_left: int | None = None


@dataclass(frozen=True)
class Balance:
    """
    Cut times swell = placed + spilled + carried + unexplained, at one time.

    ``cut`` is in the bank state, all others are loose [m3]; ``placed`` lies inside the design
    footprints, ``spilled`` outside them or off every berm.
    """

    stamp_ns: int
    cut_m3: float
    cut_se_m3: float
    swell: float
    placed_m3: float
    spilled_m3: float
    placed_se_m3: float
    carried_m3: float
    carried_se_m3: float
    unexplained_m3: float
    unexplained_se_m3: float

    @property
    def loose_m3(self) -> float:
        """Volume cut, in the loose state [m3]."""
        return loose_from_bank_m3(self.cut_m3, self.swell)


#: Figures of a balance, as its entry names them.
BALANCE_FIGURES = tuple(part.name for part in fields(Balance) if part.name != 'stamp_ns')


@dataclass(frozen=True)
class BorrowAccount:
    """
    The borrow side of the books; a pure function of the entries.

    Parameters
    ----------
    areas : mapping
        Accounts of the borrow areas by name, of those that were seen.
    loads : tuple of LoadRecord
        Loads in the order of their dumps.
    balances : tuple of Balance
        Balances in the order of time.
    unbalanced : bool
        Whether the last balance holds and is further off than its error explains.
    since_seq : int
        Entry since which soil is cut and placed above the present datums; 0 where none was taken
        anew.
    unseen : tuple of str
        Areas in which loads were dug before they were surveyed: what those took is not known.
    holding : tuple of Balance
        Balances since the sum of the cut became unknown or a datum was taken anew, if it was.

    """

    areas: Mapping[str, AreaAccount] = field(default_factory=dict)
    loads: tuple[LoadRecord, ...] = ()
    balances: tuple[Balance, ...] = ()
    unbalanced: bool = False
    since_seq: int = 0
    unseen: tuple[str, ...] = ()
    holding: tuple[Balance, ...] = ()

    @property
    def last_balance(self) -> Balance | None:
        """Last balance, if it holds still."""
        return self.holding[-1] if self.holding else None

    @property
    def is_empty(self) -> bool:
        """Whether nothing was booked on this side."""
        return not (self.areas or self.loads or self.balances)

    @property
    def cut_m3(self) -> tuple[float, float]:
        """Bank volume taken from all areas, its standard error [m3]; NaN for none or not all."""
        dug = [a for a in self.areas.values() if a.stamp_ns is not None]
        if not dug or self.unseen:
            return math.nan, math.nan
        return sum(a.cut_m3 for a in dug), math.hypot(*(a.cut_se_m3 for a in dug))


class BorrowFold:
    """An account in the making."""

    def __init__(self, entries: Iterable[Entry] = ()) -> None:
        """Post what is there."""
        self._areas: dict[str, AreaAccount] = {}
        self._loads: list[LoadRecord] = []
        self._balances: list[Balance] = []
        self._unbalanced = False
        self._holding: list[Balance] = []
        self._since_seq = 0
        self._unseen: dict[str, None] = {}
        self._account: BorrowAccount | None = None
        for entry in entries:
            self.post(entry)

    def post(self, entry: Entry) -> None:
        """
        Post one entry; those of other kinds are passed over.

        Parameters
        ----------
        entry : Entry
            The next one.

        Raises
        ------
        BooksError
            An entry without the figures of its kind.

        """
        action = _ACTIONS.get(entry.kind)
        if action is None:
            return
        self._account = None
        try:
            action(self, entry)
        except (KeyError, TypeError, ValueError, AttributeError) as exc:
            msg = f'entry {entry.seq} ({entry.kind}) lacks the figures of its kind: {exc!r}'
            raise BooksError(msg) from exc

    def account(self) -> BorrowAccount:
        """Return the account as it stands."""
        if self._account is None:
            self._account = BorrowAccount(
                dict(self._areas), tuple(self._loads), tuple(self._balances), self._unbalanced,
                self._since_seq, tuple(self._unseen), tuple(self._holding))
        return self._account

    def _datum(self, entry: Entry) -> None:
        """Begin the account of an area anew; depths below an earlier datum mean nothing."""
        name = str(entry.data['area'])
        old = self._areas.get(name)
        if old is not None or entry.data.get('anew'):
            # What was dumped before was cut, and lies, below the new datums.
            self._unseen.pop(name, None)
            self._since_seq = entry.seq
            self._end_balance()
        self._areas[name] = AreaAccount(name, voids=old.voids if old else ())

    def _cut(self, entry: Entry) -> None:
        """Take the figures of an area."""
        data, name = entry.data, str(entry.data['area'])
        old = self._areas.get(name, AreaAccount(name))
        lanes = tuple(LaneFigures(
            int(lane['lane']), number(lane.get('volume_m3')), number(lane.get('mean_m')),
            number(lane.get('deepest_m')), number(lane.get('step_m'))) for lane in data['lanes'])
        self._areas[name] = replace(
            old, stamp_ns=entry.stamp_ns, cut_m3=number(data['volume_m3']),
            cut_se_m3=number(data.get('volume_se_m3')), deepest_m=number(data.get('deepest_m')),
            step_m=number(data.get('step_m')), left_m2=number(data.get('left_m2')),
            left_m3=number(data.get('left_m3')), lanes=lanes,
            next_lane=data.get('next_lane'), next_cut_m=number(data.get('next_cut_m')))

    def _void(self, entry: Entry) -> None:
        """Close a lane."""
        name, lane = str(entry.data['area']), int(entry.data['lane'])
        old = self._areas.get(name, AreaAccount(name))
        if lane not in old.voids:
            old = replace(old, voids=(*old.voids, lane))
        if old.next_lane == lane:
            old = replace(old, next_lane=None)
        self._areas[name] = old

    def _load(self, entry: Entry) -> None:
        """Book a load."""
        data = entry.data
        self._loads.append(LoadRecord(
            int(data['dump_seq']), entry.stamp_ns, number(data.get('mass_kg')),
            number(data.get('mass_se_kg')), data.get('partial'), number(data.get('current_a')),
            number(data.get('cut_m3')), number(data.get('cut_se_m3')),
            CycleTimes(*(number(data.get(k)) for k in ('cycle_s', 'dig_s', 'haul_s', 'dump_s'))),
            data.get('loads_left')))
        unseen = data.get('unseen_areas', ())
        if unseen:
            self._unseen.update(dict.fromkeys(unseen))
            self._end_balance()

    def _balance(self, entry: Entry) -> None:
        """Book a balance; of one time the last counts."""
        values: list[Any] = [number(entry.data[name]) for name in BALANCE_FIGURES]
        balance = Balance(entry.stamp_ns, *values)
        self._balances.append(balance)
        self._holding.append(balance)
        self._unbalanced = bool(entry.data.get('open'))

    def _end_balance(self) -> None:
        """Let no balance hold any longer: they are not of the cut as it counts now."""
        self._holding, self._unbalanced = [], False


_ACTIONS = {
    'borrow_datum': BorrowFold._datum,
    'cut': BorrowFold._cut,
    'void': BorrowFold._void,
    'load': BorrowFold._load,
    'balance': BorrowFold._balance,
}


def account_of(entries: Iterable[Entry]) -> BorrowAccount:
    """
    Return the borrow account of a history.

    Parameters
    ----------
    entries : iterable of Entry
        All entries, in the order of booking.

    Returns
    -------
    BorrowAccount
        Empty where nothing was booked on this side.

    Raises
    ------
    BooksError
        An entry without the figures of its kind.

    """
    return BorrowFold(entries).account()
