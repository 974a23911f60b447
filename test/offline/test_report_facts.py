# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a report is made of: figures, samples of layers, digests that anybody can compute."""

from __future__ import annotations

from dataclasses import replace
import hashlib
import html
import math
from pathlib import Path
import re
import sqlite3

from as_built_kit import gathered
from berm_ledger.books import Entry
from berm_ledger.offline.report.chapters import quantities, segments
from berm_ledger.offline.report.facts import (
    entries_digest,
    Facts,
    layers_digest,
)
from berm_ledger.offline.report.markup import breakable, text, UNFIT
from berm_ledger.offline.report.palette import STATE_STYLES
from berm_ledger.offline.report.quantities import quantities_of
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from report_kit import datum, dump, eventful, GROUND, layers, numbered, site_text


@pytest.fixture
def facts(tmp_path: Path) -> Facts:
    """Return the facts of books with one of everything."""
    return gathered(tmp_path / 'books.sqlite', eventful(), layers(site_text()))


def test_layer_is_interpolated_and_unknown_stays_unknown(facts: Facts) -> None:
    lattice = facts.layers['datum_m'].lattice
    points = np.array([[0.311, 0.1], [1.234, -0.17], [50.0, 0.0]])
    # Bilinear interpolation of a plane is the plane.
    npt.assert_allclose(facts.sample('datum_m', points)[:2],
                        GROUND[0] * points[:2, 0] + GROUND[2], atol=1e-7)
    assert math.isnan(facts.sample('datum_m', points)[2])
    assert math.isnan(facts.sample('height_m', [[lattice.x0_m, lattice.y0_m]])[0])
    assert np.isnan(facts.sample('no_such_layer', points)).all()


def test_digest_of_entries_is_that_of_the_rows_of_the_file(facts: Facts, tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / 'books.sqlite')
    lines = ['|'.join('' if value is None else str(value) for value in row) + '\n'
             for row in db.execute('SELECT * FROM entries ORDER BY seq')]
    db.close()
    found = hashlib.sha256(''.join(lines).encode('utf-8')).hexdigest()
    assert entries_digest(facts.entries) == found
    assert entries_digest(facts.entries[:-1]) != found


def test_digest_of_layers_tells_values_apart(facts: Facts) -> None:
    other = {layer.name: layer for layer in layers(site_text(), lowered_m=0.011)}
    assert layers_digest(facts.layers) == layers_digest(dict(reversed(facts.layers.items())))
    assert layers_digest(facts.layers) != layers_digest(other)


def test_changes_are_numbered_by_kind(facts: Facts) -> None:
    assert [event.sign for event in facts.events] == ['F1', 'S1', 'D1']
    assert facts.events[0].figure('volume_m3') == 0.0012
    assert math.isnan(facts.events[0].figure('mass_kg'))


def test_quantities_by_hand(facts: Facts) -> None:
    found = quantities_of(facts, None)
    # Readings of segments 2 and 4 (segment 3 was not seen, 1 and 5 have none): twice 15 l.
    assert found.placed_m3.value == pytest.approx(0.030)
    # Segments share most of their errors: 0.3 l and 0.3 l in full.
    assert found.placed_m3.error == pytest.approx(0.0006)
    assert found.missing_m3.value == pytest.approx(0.002)
    assert (found.loads, found.weighed, found.missed, found.unseen) == (2, 1, 1, 3)
    # One load of 7.2 kg and a full one of 7.5 kg that was not weighed, at 1500 kg/m3.
    assert found.delivered_m3.value == pytest.approx(0.0098)
    assert found.loss_m3.value == pytest.approx(0.0098 - 0.030)
    assert found.risen_m3.value == pytest.approx(0.0045)
    assert (found.lost_m3.value, found.slid_m3.value, found.added_m3.value) == (
        0.003, 0.0008, 0.0012)


def test_loads_that_nobody_weighed_have_no_mass(tmp_path: Path) -> None:
    """What is unknown is not zero; delivered is what they hold when full, 7.5 kg at 1500 kg/m3."""
    facts = gathered(tmp_path / 'books.sqlite', numbered(
        ('datum', None, None, datum()), ('dump', 'west arc', 1, dump(mass_kg=None))))
    words = re.sub('<[^>]*>', ' ', quantities(facts))
    assert re.search('mass of the weighed loads +kg +– ', words)
    assert re.search(r'those not weighed as full\) +l +5\.0 ', words)


def test_quantities_of_one_berm_leave_out_what_fell_off_it(facts: Facts) -> None:
    found = quantities_of(facts, facts.site.berms[0])
    assert (found.loads, found.missed) == (1, 0)


def test_what_was_refused_before_any_stamp_is_no_part_of_the_time_on_record(
        tmp_path: Path) -> None:
    """A first grid without a pose has the stamp 0; a time axis from there would show nothing."""
    early = Entry(1, 0, 'refused', data={'code': 'no_pose', 'text': 'no pose', 'count': 1})
    (later,) = numbered(('datum', None, None, datum()))
    entries = [early, replace(later, seq=2)]
    assert gathered(tmp_path / 'books.sqlite', entries).first_ns == later.stamp_ns


def test_empty_books_have_no_quantities(tmp_path: Path) -> None:
    found = quantities_of(gathered(tmp_path / 'books.sqlite'), None)
    assert math.isnan(found.placed_m3.value)
    assert math.isnan(found.loss_m3.value)
    assert (found.loads, found.risen_m3.value, found.lost_m3.value) == (0, 0.0, 0.0)


def test_loads_of_a_level_crest_are_unknown_before_its_ground_is(tmp_path: Path) -> None:
    level = site_text().replace('crest_height_m: 0.15', 'crest_level_m: 5.15')
    facts = gathered(tmp_path / 'books.sqlite', text=level)
    assert math.isnan(quantities_of(facts, None).loads_left)
    assert '<td>–</td><td>unseen</td>' in re.sub(r' class="[^"]*"', '', segments(
        facts, facts.site.berms[0]))


@given(st.text())
def test_any_text_is_shown_as_it_is(value: str) -> None:
    shown = text(value)
    assert not set('<>"\'') & set(shown)
    assert html.unescape(shown) == UNFIT.sub('\ufffd', value)
    assert breakable(value).replace('<wbr>', '') == shown


@pytest.mark.parametrize('value', ['\x00', '\x1b[0m', '\x85', '\ud800', '\ufdd0', '\U0001ffff'])
def test_what_no_page_may_hold_is_replaced(value: str) -> None:
    assert '\ufffd' in text(value)
    text(value).encode('utf-8')


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour, as WCAG 2.1 defines it."""
    parts = [int(colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_states_are_told_apart_without_colour() -> None:
    looks = {(round(luminance(style.colour), 1), style.hatch) for style in STATE_STYLES.values()}
    assert len(looks) == len(STATE_STYLES)
    assert len({style.hatch for style in STATE_STYLES.values()}) == len(STATE_STYLES)
