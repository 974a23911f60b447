# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What hauling costs while others stand, and which segments lie on each other's ways."""

from berm_ledger.geometry import Polyline
from berm_ledger.targeting.haul import HaulCosts
from berm_ledger.targeting.options import places_of
from berm_ledger.targeting.plan import Yard
import numpy as np
import pytest
from targeting_kit import bare_rows, berm_of, rectangle, ring, site_of, straight

YARD = rectangle(-4.0, -4.0, 8.0, 4.0)
PIT = rectangle(5.5, -1.0, 7.0, 1.0)
UPPER, APART = (berm_of(Polyline([[0.0, y_m], [2.4, y_m]]), name='upper', segment_m=0.6)
                for y_m in (1.3, 1.7))
SITES = {
    'facing': site_of(straight(2.4, segment_m=0.6), UPPER, yard=YARD, borrow=[PIT]),
    'apart': site_of(straight(2.4, segment_m=0.6), APART, yard=YARD, borrow=[PIT]),
    'wall': site_of(straight(2.4, segment_m=0.6), yard=rectangle(-1.0, -2.0, 7.5, 1.2),
                    borrow=[PIT]),
    'ring': site_of(ring(1.4, segment_m=0.8), yard=YARD, borrow=[PIT])}


def costs_of(site) -> HaulCosts:
    rows = bare_rows(site, loads=1)
    yard = Yard.of(site, rows, None, None, None)
    options = yard.builder.build(places_of(site, rows, yard.wanted))
    return HaulCosts(yard.reach, options, len(rows))


@pytest.mark.parametrize('name', list(SITES))
def test_what_stands_makes_no_haul_shorter(name: str) -> None:
    """The more stands, the longer the ways, whatever the order in which they are asked for."""
    costs, rng = costs_of(SITES[name]), np.random.default_rng(1)
    for _ in range(12):
        less, more = (sum(1 << int(k) for k in np.flatnonzero(rng.random(costs.segments) < share))
                      for share in (0.2, 0.3))
        both = np.array(costs(less | more))
        assert (both >= np.array(costs(less)) - 1e-9).all()
        assert costs(less | more) == both.tolist()


@pytest.mark.parametrize('name', list(SITES))
def test_of_two_that_are_no_pair_one_costs_the_same_beside_the_other(name: str) -> None:
    """Else each would lie on the other's shortest way, or where its robot must stand."""
    costs = costs_of(SITES[name])
    alone, pairs = costs(0), costs.pairs()
    beside = [costs(1 << k) for k in range(costs.segments)]
    for a in range(costs.segments):
        for b in range(a + 1, costs.segments):
            dearer = [beside[b][a] > alone[a] + 1e-9, beside[a][b] > alone[b] + 1e-9]
            assert (a, b) in pairs or not all(dearer)


def test_segments_that_face_each_other_closely_are_pairs() -> None:
    assert costs_of(SITES['facing']).pairs()
