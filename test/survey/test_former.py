# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What stood before a first load that is told of late; before that, nothing."""

from berm_ledger.survey.former import FormerSurface, LATELY_NS, SPACING_NS
from berm_ledger.survey.surface import SiteSurface
import numpy as np
import numpy.testing as npt
from survey_kit import SECOND_NS, START_NS

CELLS = np.arange(2)
RISES_AT = 13


def risen(surface: SiteSurface, *, to_m: float = 0.06, looks: int = 18) -> int:
    """Look once a second at two cells, of which one rises; return the time of the last look."""
    for step in range(looks):
        heights = np.array([to_m if step >= RISES_AT else 0.0, 0.0], dtype=np.float32)
        surface.fuse(heights, START_NS + step * SECOND_NS, 0.004)
    return START_NS + (looks - 1) * SECOND_NS


def test_what_rose_lately_stands_as_before() -> None:
    surface = SiteSurface(2)
    last_ns = risen(surface)
    npt.assert_allclose(surface.height_m, [0.06, 0.0], atol=1e-6)
    surface.put_back_risen(CELLS, last_ns)
    assert surface.height_m.tolist() == [0.0, 0.0]
    # Looks from before the rise only: those of the last keeping before it.
    assert 1.0 <= surface.looks[0] <= RISES_AT
    assert RISES_AT - surface.looks[0] <= SPACING_NS / SECOND_NS


def test_only_the_cells_asked_for_are_put_back() -> None:
    surface = SiteSurface(2)
    surface.put_back_risen(CELLS[1:], risen(surface))
    npt.assert_allclose(surface.height_m[0], 0.06, atol=1e-6)


def test_what_rose_long_ago_is_ground() -> None:
    surface = SiteSurface(2)
    last_ns = risen(surface)
    surface.put_back_risen(CELLS, last_ns + LATELY_NS)
    npt.assert_allclose(surface.height_m[0], 0.06, atol=1e-6)


def test_what_sank_is_no_load() -> None:
    surface = SiteSurface(2)
    surface.put_back_risen(CELLS, risen(surface, to_m=-0.06))
    npt.assert_allclose(surface.height_m[0], -0.06, atol=1e-6)


def test_a_cell_first_seen_since_stays_as_it_is() -> None:
    surface = SiteSurface(3)
    for step in range(18):
        heights = [0.06 if step >= RISES_AT else 0.0, 0.0, 0.03 if step >= RISES_AT else np.nan]
        surface.fuse(np.array(heights, dtype=np.float32), START_NS + step * SECOND_NS, 0.004)
    surface.put_back_risen(np.arange(3), START_NS + 17 * SECOND_NS)
    npt.assert_allclose(surface.height_m, [0.0, 0.0, 0.03], atol=1e-6)


def test_nothing_is_put_back_once_the_datum_is_taken() -> None:
    surface = SiteSurface(2)
    surface.former = None
    surface.put_back_risen(CELLS, risen(surface))
    npt.assert_allclose(surface.height_m[0], 0.06, atol=1e-6)


def test_what_stood_before_is_raised_with_the_surface() -> None:
    """4 mm up after seven looks; ground put back from under a load stands as that beside it."""
    surface = SiteSurface(2)
    for step in range(7):
        surface.fuse(np.zeros(2, dtype=np.float32), START_NS + step * SECOND_NS, 0.002)
    surface.raise_by(np.full(2, 0.004, dtype=np.float32))
    for step in range(7, 11):
        surface.fuse(np.array([0.084, 0.004], dtype=np.float32),
                     START_NS + step * SECOND_NS, 0.002)
    npt.assert_allclose(surface.height_m, [0.084, 0.004], atol=1e-6)
    surface.put_back_risen(np.arange(2), START_NS + 11 * SECOND_NS)
    npt.assert_allclose(surface.height_m, [0.004, 0.004], atol=1e-6)


def test_every_keeping_is_raised_and_the_unknown_stays_unknown() -> None:
    """Two keepings, 10 s apart; NaN in both."""
    former = FormerSurface(2)
    for step in (0, 10):
        former.keep(np.array([0.01, np.nan], dtype=np.float32), np.ones(2, dtype=np.float32),
                    START_NS + step * SECOND_NS)
    former.raise_by(np.full(2, 0.004, dtype=np.float32))
    for since_s in (5, 10):
        former.note(np.arange(1), np.array([START_NS + since_s * SECOND_NS]))
        before = former.before(np.arange(2), START_NS + 11 * SECOND_NS)
        assert before is not None
        npt.assert_allclose(before.height_m, [0.014, np.nan], atol=1e-6)
