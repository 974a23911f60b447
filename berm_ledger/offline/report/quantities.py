# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Quantities of each berm and of all together: soil, loads, yield and loss, with errors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
import math

from .facts import Event, Facts
from ...books import DumpRecord, Row
from ...design import Berm, Site


@dataclass(frozen=True)
class Amount:
    """A value and its standard error; NaN is unknown."""

    value: float = math.nan
    error: float = math.nan

    def times(self, factor: float) -> Amount:
        """Return it in another unit."""
        return Amount(self.value * factor, self.error * factor)


@dataclass(frozen=True)
class Quantities:
    """
    What was built, what it took, and what became of the difference.

    Parameters
    ----------
    design_m3, placed_m3, over_m3, spilled_m3, missing_m3 : Amount
        Volumes of all segments that were seen [m3].
    unseen : int
        Segments without volumes, which the sums leave out.
    loads, weighed, missed : int
        Dumps announced, those weighed, and those that missed.
    loads_left : float
        Loads still called for; NaN while a level crest has no height over its ground.
    weighed_kg : float
        Mass of the weighed ones [kg].
    delivered_m3 : Amount
        Loose volume of all loads: weighed ones by mass, others as full loads [m3].
    risen_m3 : Amount
        Sum of the rises measured [m3].
    lost_m3, added_m3, slid_m3 : Amount
        Changes without a dump [m3].

    """

    design_m3: Amount
    placed_m3: Amount
    over_m3: Amount
    spilled_m3: Amount
    missing_m3: Amount
    unseen: int
    loads: int
    weighed: int
    missed: int
    loads_left: float
    weighed_kg: float
    delivered_m3: Amount
    risen_m3: Amount
    lost_m3: Amount
    added_m3: Amount
    slid_m3: Amount

    @property
    def loss_m3(self) -> Amount:
        """Delivered soil that does not stand in the corridor [m3]."""
        return Amount(self.delivered_m3.value - self.placed_m3.value, self.placed_m3.error)


def quantities_of(facts: Facts, berm: Berm | None) -> Quantities:
    """
    Return the quantities of one berm, or of the whole site.

    Parameters
    ----------
    facts : Facts
        What is known.
    berm : Berm or None
        The berm; None for all, with the dumps that fell off every berm.

    Returns
    -------
    Quantities
        The figures.

    """
    rows = facts.books.rows if berm is None else facts.rows_of(berm)
    dumps = [dump for dump in facts.books.dumps if berm is None or dump.berm == berm.name]
    events = facts.events if berm is None else facts.events_of(berm)
    weighed = [dump.mass_kg for dump in dumps if math.isfinite(dump.mass_kg)]
    return Quantities(
        design_m3=Amount(sum_known(row.target_volume_m3 for row in rows)),
        placed_m3=_placed(rows),
        over_m3=Amount(sum_known(row.over_m3 for row in rows)),
        spilled_m3=Amount(sum_known(row.spilled_m3 for row in rows)),
        missing_m3=Amount(sum_known(row.missing_m3 for row in rows)),
        unseen=sum(math.isnan(row.placed_m3) for row in rows),
        loads=len(dumps), weighed=len(weighed), missed=sum(dump.stray for dump in dumps),
        loads_left=sum(row.loads_left for row in rows), weighed_kg=math.fsum(weighed),
        delivered_m3=Amount(_delivered_m3(facts.site, dumps)),
        risen_m3=_of_events((dump.volume_m3, dump.volume_se_m3) for dump in dumps),
        lost_m3=_of_kind(events, 'disturbed'), added_m3=_of_kind(events, 'unbooked_fill'),
        slid_m3=_of_kind(events, 'slump'))


def sum_known(values: Iterable[float]) -> float:
    """Return the sum of what is known; NaN where nothing is."""
    known = [value for value in values if math.isfinite(value)]
    return math.fsum(known) if known else math.nan


def _placed(rows: Sequence[Row]) -> Amount:
    """Return the soil placed; errors that segments share are added in full."""
    return Amount(sum_known(row.placed_m3 for row in rows),
                  sum_known(row.placed_se_m3 for row in rows))


def _delivered_m3(site: Site, dumps: Sequence[DumpRecord]) -> float:
    """Return the loose volume that was announced [m3]."""
    density = site.material.loose_density_kg_m3
    return math.fsum(
        (dump.mass_kg if math.isfinite(dump.mass_kg) else site.rover.payload_kg) / density
        for dump in dumps)


def _of_events(figures: Iterable[tuple[float, float]]) -> Amount:
    """Return the sum of volumes measured at different times: errors add as squares."""
    known = [(value, error) for value, error in figures if math.isfinite(value)]
    if not known:
        return Amount(0.0)
    squares = [error * error for _, error in known]
    return Amount(math.fsum(value for value, _ in known), math.fsum(squares) ** 0.5)


def _of_kind(events: Iterable[Event], kind: str) -> Amount:
    """Return the volume of all changes of a kind."""
    return _of_events((event.figure('volume_m3'), event.figure('volume_se_m3'))
                      for event in events if event.entry.kind == kind)
