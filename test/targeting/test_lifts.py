# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Load by load: what may be begun when."""

from berm_ledger.targeting.lifts import in_turns, may_begin, rows_before
from berm_ledger.targeting.order import Order
import numpy as np

# Row 0 counts on only itself standing, row 1 on 0 and 1, row 2 on all.
ORDER = Order((0, 1, 2), (0b001, 0b011, 0b111), (1.0, 1.0, 1.0), (), 3.0, True,
              ((0,), (1,), (2,)))


def test_rows_that_count_on_free_ground_come_first():
    before = rows_before(ORDER, np.zeros(3, dtype=bool))
    assert before == {0: 0, 1: 0b001, 2: 0b011}
    assert may_begin(0, before, 0b111)
    assert not may_begin(1, before, 0b111)
    assert may_begin(2, before, 0b100)


def test_what_stands_may_be_served_at_any_time():
    before = rows_before(ORDER, np.array([False, True, True]))
    assert before == {0: 0, 1: 0, 2: 0}


def test_lifts_keep_the_order_where_it_binds():
    loads = {k: [(k, n) for n in range(2)] for k in range(3)}
    before = rows_before(ORDER, np.zeros(3, dtype=bool))
    bound = in_turns(loads, (0, 1, 2), before, (), in_lifts=True)
    assert [k for k, _ in bound] == [0, 0, 1, 1, 2, 2]
    free = in_turns(loads, (0, 1, 2), {}, (), in_lifts=True)
    assert [k for k, _ in free] == [0, 1, 2, 0, 1, 2]
    assert in_turns(loads, (2, 0, 1), {}, (), in_lifts=False)[:2] == ((2, 0), (2, 1))
