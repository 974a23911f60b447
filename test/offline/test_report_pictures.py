# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The pictures: what is drawn where, with labels and units, legends beside the data."""

from __future__ import annotations

from dataclasses import replace
import io
import math
from pathlib import Path
from typing import Any

from as_built_kit import gathered
from berm_ledger.offline.report import (
    canvas,
    cross_sections,
    location,
    long_section,
    plan_strip,
    plan_view,
    timeline,
)
from berm_ledger.offline.report.facts import Facts
import matplotlib as mpl
import numpy as np
import numpy.testing as npt
from PIL import Image
import pytest
from report_kit import (
    change,
    datum,
    dump,
    eventful,
    finished,
    GROUND,
    HEIGHT_M,
    layers,
    numbered,
    OWN_ERROR_M,
    reading,
    site_text,
    SLOPE,
)

MODULES = (location, plan_view, long_section, cross_sections, timeline)
LOWERED_M = 0.01


@pytest.fixture(scope='module')
def facts(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    """Return the facts of books with one of everything; the berm stands 1 cm low, 3 cm left."""
    path = tmp_path_factory.mktemp('books') / 'books.sqlite'
    return gathered(path, eventful(), layers(site_text(), LOWERED_M))


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Return the list of figures that are drawn from now on."""
    drawn: list[Any] = []

    def keep(figure: Any) -> bytes:
        drawn.append(figure)
        return canvas.png_of(figure)

    for module in MODULES:
        monkeypatch.setattr(module, 'png_of', keep)
    return drawn


def lines_of(axes: Any) -> list[np.ndarray]:
    return [np.column_stack(line.get_data()) for line in axes.get_lines()]


def has_line(axes: Any, expected: np.ndarray, atol: float = 1e-6) -> bool:
    return any(line.shape == expected.shape and np.allclose(line, expected, atol=atol)
               for line in lines_of(axes))


def test_plan_shows_design_line_and_standing_crest(facts: Facts, figures: list[Any]) -> None:
    with canvas.drawing():
        plan_view.plan_view(facts, 0)
    axes = figures[0].axes[0]
    assert axes.get_aspect() in (1.0, 'equal')
    assert has_line(axes, np.array([[0.0, 0.0], [2.0, 0.0]]))
    station = facts.crests['west arc'].station_m
    assert has_line(axes, np.column_stack([station, np.full(len(station), 0.03)]))
    shades = axes.get_images()[0]
    west, east, south, north = shades.get_extent()
    # One cell per picture element, in its place: the ground has no height above itself.
    shape = shades.get_array().shape
    npt.assert_allclose([(east - west) / shape[1], (north - south) / shape[0]], 0.02)
    npt.assert_allclose(np.nanmax(shades.get_array()), HEIGHT_M - LOWERED_M, atol=0.01)
    words = [text.get_text() for text in axes.get_legend().get_texts()] if axes.get_legend() \
        else [text.get_text() for text in figures[0].legends[0].get_texts()]
    for word in ('design line', 'standing crest', 'dump', 'dump that missed', 'segment rework',
                 'segment unseen', 'segment high'):
        assert word in words


def test_where_nothing_stands_no_crest_is_drawn_and_no_legend_of_what_is_not_there(
        tmp_path: Path, figures: list[Any]) -> None:
    """The highest of bare ground is noise, and its place chance."""
    soil_m = np.where(np.arange(100) < 50, 0.019, 0.021)
    kept = [replace(s, values=np.resize(soil_m, s.values.shape).astype(np.float32))
            if s.name == 'crest:west arc' else s for s in layers(site_text(), 0.0)]
    far = ('dump', None, None, dump(x_m=40.0, y_m=40.0))
    facts = gathered(tmp_path / 'books.sqlite', numbered(
        ('datum', None, None, datum()), ('reading', 'west arc', 1, reading(0.0195)),
        ('reading', 'west arc', 2, reading(0.0205)), far), kept)
    stands = facts.crests['west arc'].height_m >= 0.02
    assert stands.any()
    assert not stands.all()
    with canvas.drawing():
        plan_view.plan_view(facts, 0)
        long_section.long_section(facts, 0)
    plan, off = figures[0].axes[0], figures[1].axes[2]
    for axes in (plan, off):
        (crest,) = [line[:, 1] for line in lines_of(axes) if len(line) == len(stands)]
        npt.assert_array_equal(np.isfinite(crest), stands)
    means = [line[:, 0].min() for line in lines_of(off) if len(line) == 2 and line[0, 1] != 0.0]
    assert means == pytest.approx([facts.books.rows[1].station_from_m])
    legend = plan.get_legend() or figures[0].legends[0]
    words = [text.get_text() for text in legend.get_texts()]
    assert 'standing crest' in words
    assert 'dump' not in words
    assert np.isfinite(np.array(off.get_ylim())).all()


def test_change_around_the_end_of_a_berm_is_a_wedge(facts: Facts) -> None:
    wedge = plan_view._extent(facts.site.berms[0], 0.0, 0.0, 0.05, 0.2)
    assert (wedge.r, wedge.width) == pytest.approx((0.2, 0.15))
    # Left of a line that runs east is north: from north to west of its start.
    assert (wedge.theta1 % 360.0, wedge.theta2 % 360.0) == (90.0, 180.0)
    end = plan_view._extent(facts.site.berms[0], 2.0, 2.0, -0.1, 0.2)
    assert (end.r, end.width) == pytest.approx((0.2, 0.2))
    assert (end.theta1, end.theta2) == (-90.0, 90.0)


@pytest.mark.parametrize('line', ['[[0, 0], [2, 0]]', '[[0, 0], [0, 2]]'])
def test_signs_of_many_changes_stay_in_the_plan(tmp_path: Path, line: str) -> None:
    text = site_text().replace('[[0, 0], [2, 0]]', line)
    sizes = []
    for count in (1, 60):
        changes = [('disturbed', 'west arc', 2, change()) for _ in range(count)]
        facts = gathered(tmp_path / f'{count}.sqlite', numbered(*changes), text=text)
        with canvas.drawing():
            shown = plan_view.plan_view(facts, 0)
        sizes.append(shown.size_px)
        assert ('three changes' in shown.note) == (count > 1)
        assert ('1 change without a dump' in shown.alt) == (count == 1)
    npt.assert_allclose(sizes[1], sizes[0], rtol=0.02)


def test_band_inside_a_bend_has_no_loop(tmp_path: Path) -> None:
    text = site_text().replace('[[0, 0], [2, 0]]', '[[0, 0], [1, 0], [1, 1]]')
    berm = gathered(tmp_path / 'books.sqlite', text=text).site.berms[0]
    inner = plan_strip.band(berm, 0.5, 1.5, 0.1, 0.2)
    # Left of the bend lies its inner side: offsets of 0.1 and 0.2 m meet at its diagonal.
    assert inner[:, 0].max() <= 0.9 + 0.003
    assert inner[:, 1].min() >= 0.1 - 0.003


@pytest.mark.parametrize('line', [
    '[[0, 0], [1, 0], [1, 1]]', '[[1, 1], [1, 0], [0, 0]]', '[[0, 0], [1, 0], [1, 1], [2, 1]]',
], ids=['to the left', 'to the right', 'both ways'])
def test_numbers_stand_at_their_own_segments_in_a_bend(
        tmp_path: Path, figures: list[Any], line: str) -> None:
    text = site_text().replace('[[0, 0], [2, 0]]', line).replace(
        'segment_length_m: 0.4', 'segment_length_m: 0.5')
    with canvas.drawing():
        plan_view.plan_view(gathered(tmp_path / 'books.sqlite', text=text), 0)
    axes = figures[0].axes[0]
    strips = [patch.get_xy() for patch in axes.patches if patch.get_zorder() == 3]
    numbers = {int(t.get_text()): np.array(t.xy) for t in axes.texts if t.get_text().isdigit()}
    assert sorted(numbers) == list(range(1, len(strips) + 1))
    for segment, place in numbers.items():
        away_m = [np.hypot(*(strip - place).T).min() for strip in strips]
        assert away_m[segment - 1] < 0.01
        assert min(away_m) == away_m[segment - 1]


@pytest.mark.parametrize(('line', 'side'), [
    ('[[0, 0], [1, 0], [1, 1]]', -1.0), ('[[1, 1], [1, 0], [0, 0]]', 1.0),
    ('[[0, 0], [0.3, 0.1], [0.6, 0.2]]', 1.0)], ids=['left', 'right', 'straight'])
def test_strip_lies_outside_of_the_bend(tmp_path: Path, line: str, side: float) -> None:
    """So it has room for the numbers of short segments."""
    text = site_text().replace('[[0, 0], [2, 0]]', line)
    berm = gathered(tmp_path / 'books.sqlite', text=text).site.berms[0]
    assert plan_strip.outer_side(berm) == side


def test_strip_of_a_long_berm_can_be_read(tmp_path: Path, figures: list[Any]) -> None:
    """Sixty metres are shown one to four hundred: states have a width and numbers room there."""
    text = site_text().replace('[[0, 0], [2, 0]]', '[[0, 0], [60, 0]]').replace(
        'segment_length_m: 0.4', 'segment_length_m: 1.5').replace(
        '[5, -3], [5, 3]', '[65, -3], [65, 3]')
    with canvas.drawing():
        plan_view.plan_view(gathered(tmp_path / 'books.sqlite', text=text), 0)
    axes = figures[0].axes[0]
    figures[0].canvas.draw()
    dots = figures[0].dpi
    strip = next(patch for patch in axes.patches if patch.get_zorder() == 3)
    assert strip.get_window_extent().height / dots > 0.05
    places = [t.get_window_extent() for t in axes.texts if t.get_text().isdigit()]
    assert len(places) >= 15
    assert not any(a.overlaps(b) for a, b in zip(places, places[1:]))
    inside = axes.get_window_extent()
    assert all(inside.y0 < place.y0 and place.y1 < inside.y1 for place in places)


def second_berm(text: str, line: str) -> str:
    """Return a site file with a berm more along this line."""
    first = text[text.index('  - name'):text.index('material:')]
    other = first.replace('west arc', 'spur').replace('[[0, 0], [2, 0]]', line)
    return text.replace(first, first + other)


@pytest.mark.parametrize(('line', 'first', 'second'), [
    ('[[1, 0], [1, 2]]', (0.2, 0.0), (1.0, 1.8)), ('[[0, 2], [2, 2]]', (1.0, 0.0), (1.0, 2.0)),
], ids=['meets it', 'faces it'])
def test_berms_are_named_where_no_other_is(
        tmp_path: Path, line: str, first: tuple[float, float],
        second: tuple[float, float]) -> None:
    text = second_berm(site_text(), line)
    facts = gathered(tmp_path / 'books.sqlite', text=text)
    places = [location.label_place(facts, berm) for berm in facts.site.berms]
    npt.assert_allclose(places, [first, second], atol=1e-9)


def test_band_of_a_ring_closes(tmp_path: Path) -> None:
    text = site_text().replace(
        'centreline: [[0, 0], [2, 0]]',
        'arc: {centre: [0.5, 0], radius_m: 1.0, from_deg: 0, sweep_deg: 360}').replace(
        'crest_height_m: 0.15', 'crest_level_m: 0.2')
    berm = gathered(tmp_path / 'books.sqlite', text=text).site.berms[0]
    outline = plan_strip.band(berm, 0.0, berm.centreline.length_m, 0.3, -0.3)
    radius = np.hypot(outline[:, 0] - 0.5, outline[:, 1])
    assert ((np.abs(radius - 0.7) < 0.005) | (np.abs(radius - 1.3) < 0.005)).all()
    # No step along either edge is longer than a part of the circle, but for the seam.
    steps = np.hypot(*np.diff(outline, axis=0).T)
    assert np.count_nonzero(steps > 0.2) == 1


def test_long_section_shows_levels_and_differences(facts: Facts, figures: list[Any]) -> None:
    with canvas.drawing():
        long_section.long_section(facts, 0)
    top, middle, bottom = figures[0].axes
    station = facts.crests['west arc'].station_m
    # Height above the ground below the crest, over the ground at the line.
    level = GROUND[0] * station + GROUND[2] + HEIGHT_M - LOWERED_M
    assert has_line(top, np.column_stack([station, level]), atol=1e-5)
    assert has_line(middle, np.column_stack([station, np.full(len(station), -10.0)]), atol=1e-3)
    assert has_line(bottom, np.column_stack([station, np.full(len(station), 30.0)]), atol=1e-3)
    # The reading of segment 4 was 40 mm over the design.
    assert has_line(middle, np.array([[1.2, 40.0], [1.6, 40.0]]), atol=1e-6)


def test_crest_has_an_error_band_section_by_section(facts: Facts, figures: list[Any]) -> None:
    with canvas.drawing():
        long_section.long_section(facts, 0)
    row, crest = facts.books.rows[1], facts.crests['west arc']
    half_mm = 1.96e3 * math.hypot(OWN_ERROR_M, row.height_se_m)
    pale = mpl.colors.to_rgba(long_section.BAND)
    (band,) = [fill for fill in figures[0].axes[1].collections
               if np.array_equal(fill.get_facecolor(), [pale])]
    corners = np.vstack([path.vertices for path in band.get_paths()])
    inside = corners[(corners[:, 0] > row.station_from_m + 1e-6)
                     & (corners[:, 0] < row.station_to_m - 1e-6)]
    npt.assert_allclose(np.unique(np.round(inside[:, 1], 3)), [-10.0 - half_mm, -10.0 + half_mm],
                        atol=2e-3)
    # A segment that was never read has no error, and so no band rather than one of no width.
    unread = next(r for r in facts.books.rows if not math.isfinite(r.height_se_m))
    own = (crest.station_m > unread.station_from_m) & (crest.station_m < unread.station_to_m)
    assert own.any()
    assert np.isnan(long_section.section_error_m(crest, facts.books.rows)[own]).all()


def test_books_without_errors_of_sections_are_drawn_without_bands(
        tmp_path: Path, figures: list[Any]) -> None:
    kept = [layer for layer in layers(site_text()) if not layer.name.startswith('crest_error')]
    old = gathered(tmp_path / 'books.sqlite', eventful(), kept)
    assert np.isnan(old.crests['west arc'].error_m).all()
    with canvas.drawing():
        long_section.long_section(old, 0)
    words = [text.get_text() for text in figures[0].legends[0].get_texts()]
    assert 'standing crest' in words
    assert 'a section, 95 % band' not in words


def test_cross_section_is_cut_true_to_scale(facts: Facts, figures: list[Any]) -> None:
    row = facts.books.rows[1]
    profile = cross_sections.profile_of(facts, facts.site.berms[0], row)
    base = GROUND[0] * 0.6 + GROUND[2]
    npt.assert_allclose(profile.ground_m, base, atol=1e-6)
    over = np.maximum(0.0, HEIGHT_M - SLOPE * np.abs(profile.offset_m))
    npt.assert_allclose(profile.design_m, base + over, atol=1e-6)
    with canvas.drawing():
        cross_sections.cross_sections(facts, 0)
    axes = figures[0].axes[1]
    assert axes.get_aspect() in (1.0, 'equal')
    left, right = axes.get_xlim()
    assert left > 0.0 > right


def test_range_of_a_segment_leaves_out_the_other_leg_of_a_bend(tmp_path: Path) -> None:
    text = site_text().replace('[[0, 0], [2, 0]]', '[[0, 0], [1, 0], [1, 1]]')
    facts = gathered(tmp_path / 'books.sqlite', finished(), layers(text, 0.0), text=text)
    profile = cross_sections.profile_of(facts, facts.site.berms[0], facts.books.rows[2])
    rise = profile.high_m - profile.ground_m
    # To their left sections run into the leg beyond the bend at station 1. Where the line is
    # nearest at the section itself, soil at an offset is as high as the design there, but for
    # the 3 cm by which it lies off the line.
    known = np.isfinite(rise)
    expected = np.maximum(0.0, HEIGHT_M - SLOPE * np.abs(profile.offset_m))
    npt.assert_allclose(rise[known], expected[known], atol=0.03 * SLOPE + 0.005)
    assert known[profile.offset_m < 0.15].all()
    assert not known[profile.offset_m > 0.25].any()


def test_range_of_a_segment_leaves_out_a_berm_that_meets_it(tmp_path: Path) -> None:
    text = second_berm(site_text(), '[[0.6, 0], [0.6, 2]]')
    plain = layers(site_text(), 0.0)
    facts = gathered(tmp_path / 'books.sqlite', surfaces=plain, text=text)
    profile = cross_sections.profile_of(facts, facts.site.berms[0], facts.books.rows[1])
    # Its middle, at station 0.6, is the line of the other berm.
    known = np.isfinite(profile.high_m)
    assert known[profile.offset_m < 0.0].all()
    assert not known[profile.offset_m > 0.25].any()


def test_crest_above_the_cells_lies_in_the_cross_section(
    tmp_path: Path, figures: list[Any],
) -> None:
    kept = [replace(s, values=s.values + np.float32(0.03)) if s.name == 'crest:west arc' else s
            for s in layers(site_text(), 0.0)]
    facts = gathered(tmp_path / 'books.sqlite', finished(), kept)
    with canvas.drawing():
        cross_sections.cross_sections(facts, 0)
    axes = figures[0].axes[1]
    (level,) = [line[0, 1] for line in lines_of(axes) if len(line) == 1]
    assert level == pytest.approx(GROUND[0] * 0.6 + GROUND[2] + HEIGHT_M + 0.03, abs=1e-4)
    assert level < axes.get_ylim()[1]


def test_timeline_shows_readings_dumps_and_changes(facts: Facts, figures: list[Any]) -> None:
    with canvas.drawing():
        timeline.timelines(facts, 0)
    axes = figures[0].axes[1]
    # Entries come every 10 s from 10 s on: readings of segment 2 at entries 3, 6 and 14; the last
    # one holds to the end, entry 18.
    heights = np.array([[20.0, 0.02], [50.0, 0.15], [130.0, 0.09], [170.0, 0.09]])
    assert has_line(axes, heights)
    assert has_line(axes, np.array([[30.0, 0.07]]))
    assert has_line(axes, np.array([[110.0, 0.0], [110.0, 1.0]]))
    assert 'D1' in [text.get_text() for text in axes.texts]


@pytest.mark.parametrize('percent', range(1, 7))
def test_signs_of_changes_soon_after_one_another_do_not_run_into_each_other(percent: int) -> None:
    clock = timeline.Clock(0, 100 * 10**9)
    with canvas.drawing():
        figure = canvas.new_figure(timeline.PANEL_IN + 0.5)
        axes = figure.add_subplot()
        timeline._changes(axes, clock, [(50 * 10**9, 'F7'), ((50 + percent) * 10**9, 'D12')])
        axes.set_xlim(0.0, 100.0)
        figure.canvas.draw()
    shown = [text.get_bbox_patch().get_window_extent() for text in axes.texts]
    assert len(shown) == 1 or shown[0].x1 < shown[1].x0
    assert (len(shown) == 1) == (percent <= 3)


def test_unit_of_time_grows_with_the_period() -> None:
    for seconds, unit, place in ((100, 's', 100.0), (7200, 'min', 120.0), (86400, 'h', 24.0),
                                 (864000, 'days', 10.0)):
        clock = timeline.Clock(0, seconds * 10**9)
        assert clock.unit[0] == unit
        assert clock.at(clock.last_ns) == place


def test_holds_last_until_they_are_ended(facts: Facts) -> None:
    entries = {entry.kind: entry for entry in facts.entries}
    spans = timeline.holds_of(facts.entries, facts.last_ns)
    assert spans == [(entries['hold'].stamp_ns, entries['resume'].stamp_ns)]
    spans = timeline.holds_of([entries['hold']], facts.last_ns)
    assert spans == [(entries['hold'].stamp_ns, facts.last_ns)]


def test_axes_have_units_and_legends_leave_the_data_free(
        facts: Facts, figures: list[Any]) -> None:
    with canvas.drawing():
        for index, draw in enumerate((
                plan_view.plan_view, long_section.long_section, cross_sections.cross_sections,
                timeline.timelines)):
            draw(facts, 0)
            assert len(figures) == index + 1
        location.location_plan(facts)
        for figure in figures:
            words = [axes.get_xlabel() for axes in figure.axes] + [
                axes.get_ylabel() for axes in figure.axes] + [
                text.get_text() for text in figure.texts]
            if figure._supylabel is not None:
                words.append(figure._supylabel.get_text())
            assert any('[m]' in word for word in words)
            check_legend_lies_beside_the_axes(figure)


def check_legend_lies_beside_the_axes(figure: Any) -> None:
    renderer = figure.canvas.get_renderer()
    legends = [*figure.legends, *filter(None, (a.get_legend() for a in figure.axes))]
    assert len(legends) == 1
    box = legends[0].get_window_extent(renderer)
    for axes in figure.axes:
        assert not box.overlaps(axes.get_window_extent(renderer))


def test_legend_of_a_tall_plan_lies_beside_it(tmp_path: Path, figures: list[Any]) -> None:
    text = site_text().replace('[[0, 0], [2, 0]]', '[[0, 0], [0, 2]]')
    facts = gathered(tmp_path / 'books.sqlite', eventful(), text=text)
    with canvas.drawing():
        plan_view.plan_view(facts, 0)
    check_legend_lies_beside_the_axes(figures[0])


def test_pictures_are_cropped_and_have_no_date(facts: Facts) -> None:
    with canvas.drawing():
        shown = location.location_plan(facts)
    image = Image.open(io.BytesIO(shown.png))
    assert image.size == shown.size_px
    assert set(image.info) <= {'dpi'}
    grey = np.asarray(image.convert('L'))
    margin = math.ceil(0.06 * canvas.DPI)
    for edge in (grey[:margin], grey[-margin:], grey[:, :margin], grey[:, -margin:]):
        assert edge.min() < 200


def test_settings_of_the_user_take_no_part(facts: Facts) -> None:
    with canvas.drawing():
        first = long_section.long_section(facts, 0).png
    with mpl.rc_context({'font.size': 20.0, 'axes.facecolor': 'red', 'savefig.dpi': 30,
                         'font.family': 'monospace'}):
        with canvas.drawing():
            second = long_section.long_section(facts, 0).png
        assert mpl.rcParams['font.size'] == 20.0
    assert first == second


def test_many_segments_take_several_sheets(tmp_path: Path) -> None:
    text = site_text().replace('segment_length_m: 0.4', 'segment_length_m: 0.14')
    facts = gathered(tmp_path / 'books.sqlite', text=text)
    with canvas.drawing():
        sheets = cross_sections.cross_sections(facts, 0)
        times = timeline.timelines(facts, 0)
    assert [sheet.title for sheet in sheets] == [
        'Cross-sections 1 of 2, segments 1 to 12', 'Cross-sections 2 of 2, segments 13 to 15']
    assert [sheet.name for sheet in times] == ['timeline-1-1', 'timeline-1-2']


def test_finished_berm_has_no_marks_of_trouble(tmp_path: Path, figures: list[Any]) -> None:
    facts = gathered(tmp_path / 'books.sqlite', finished())
    with canvas.drawing():
        timeline.timelines(facts, 0)
    words = [text.get_text() for text in figures[0].legends[0].get_texts()]
    assert words == ['crest height, 95 % band', 'design', 'tolerance', 'dump']
