# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The page: valid, whole, free of foreign code, the same bytes from the same books."""

from __future__ import annotations

import base64
from html.parser import HTMLParser
from pathlib import Path
import re
import shutil

from as_built_kit import gathered
from berm_ledger.books import Entry
from berm_ledger.offline.fresh import write_together
from berm_ledger.offline.report import make_report
from berm_ledger.offline.report import page as pages
from berm_ledger.offline.report.canvas import drawing
from berm_ledger.offline.report.chapters import specification, title_block
from berm_ledger.offline.report.cross_sections import cross_sections
from berm_ledger.offline.report.facts import gather
from berm_ledger.offline.report.location import location_plan
from berm_ledger.offline.report.page import page
import pytest
from report_kit import (
    books_file,
    change,
    datum,
    eventful,
    finished,
    layers,
    numbered,
    reading,
    SEGMENTS,
    site_text,
)

MOST_BYTES = 5_000_000
# As it stands in YAML; names have up to 60 printable characters.
NASTY = '"<script>alert(1)</script> & $x$ \\\\ {0} %s <b> 築堤 \'q\'"'


class Words(HTMLParser):
    """Collects what a reader of the page sees, and its tags."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if data.strip() and not {'style', 'title', 'head'} & set(self._open[-1:]):
            self.words.append(data.strip())


def write_report(books: Path, path: Path) -> bool:
    """Write a report and return its verdict."""
    made = make_report(books, path)
    write_together(made.files)
    return bool(made.facts.summary['accepted'])


def read(path: Path) -> Words:
    words = Words()
    words.feed(path.read_text(encoding='utf-8'))
    return words


@pytest.fixture(scope='module')
def books(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return books with one of everything."""
    path = tmp_path_factory.mktemp('books') / 'books.sqlite'
    return books_file(path, eventful(), layers(site_text()))


@pytest.fixture(scope='module')
def report(books: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the report of these books."""
    path = tmp_path_factory.mktemp('report') / 'report.html'
    assert write_report(books, path) is False
    return path


def test_writing_is_as_large_in_every_picture(report: Path) -> None:
    """Inches of a picture are the same part of the page in all of them, whatever its width."""
    found = re.findall(r'<img [^>]*width="(\d+)" [^>]*style="width: ([\d.]+)%"',
                       report.read_text(encoding='utf-8'))
    assert len({width for width, _ in found}) > 1
    # 200 dots an inch on a page 7.1 inches wide, which A4 leaves between margins of 15 mm.
    for width, share in found:
        assert float(share) == pytest.approx(100.0 * int(width) / 200.0 / 7.1, abs=0.06)


def check_valid(path: Path) -> None:
    """Let a validating parser read the page; it stops at the first error."""
    html5lib = pytest.importorskip('html5lib', reason='needs html5lib, which validates pages')
    html5lib.HTMLParser(strict=True).parse(path.read_text(encoding='utf-8'))


def test_page_is_valid(report: Path) -> None:
    check_valid(report)


def test_validator_would_find_an_error(report: Path, tmp_path: Path) -> None:
    html5lib = pytest.importorskip('html5lib', reason='needs html5lib, which validates pages')
    bad = tmp_path / 'bad.html'
    text = report.read_text(encoding='utf-8')
    bad.write_text(text.replace('</table>', '</table></b>', 1), encoding='utf-8')
    with pytest.raises(html5lib.html5parser.ParseError):
        check_valid(bad)


def test_page_stands_alone(report: Path) -> None:
    text = report.read_text(encoding='utf-8')
    assert len(text.encode('utf-8')) < MOST_BYTES
    for tag, attributes in read(report).tags:
        assert tag not in {'script', 'link', 'iframe', 'object', 'embed', 'base', 'form', 'a'}
        assert not [name for name in attributes if name.startswith('on')]
        assert attributes.get('src', 'data:').startswith('data:')
    assert not re.search(r'https?://|@import|url\(', text)


def test_verdict_comes_first(report: Path) -> None:
    words = read(report).words
    assert words[0] == 'Does not meet the specification'
    assert 'not seen' in words[1]


def test_pictures_are_in_the_page_and_beside_it(report: Path) -> None:
    inside = [base64.b64decode(attributes['src'].partition(',')[2])
              for tag, attributes in read(report).tags if tag == 'img']
    beside = {path.name: path.read_bytes() for path in report.parent.glob('*.png')}
    assert sorted(beside) == [
        'report-cross-sections-1-1.png', 'report-location.png', 'report-long-section-1.png',
        'report-plan-1.png', 'report-timeline-1-1.png']
    assert sorted(inside) == sorted(beside.values())
    assert all(attributes['alt'] for tag, attributes in read(report).tags if tag == 'img')


def test_page_tells_what_was_booked(report: Path) -> None:
    words = ' '.join(read(report).words)
    for text in (
            'west arc', 'site.yaml', '2026-01-01', 'soil lost', 'rework called for', '; between ',
            '3.00 ± 0.30', 'soil slid', 'soil added without a dump', 'wrong_frame',
            'people may be in the yard',
            '0.190 ± 0.001', 'Okabe', 'crest_height_m: 0.15', 'SHA-256', 'berm_ledger 0.1.0',
            'off every berm', 'In doubt: no. 4: some stayed in the drum.', 'Signatures',
            'accepted'):
        assert text in words


def test_same_books_give_the_same_bytes(report: Path, books: Path, tmp_path: Path) -> None:
    again = tmp_path / 'books.sqlite'
    shutil.copy(books, again)
    write_report(again, tmp_path / 'report.html')
    names = sorted(path.name for path in report.parent.iterdir())
    assert sorted(p.name for p in tmp_path.iterdir()) == ['books.sqlite', *names]
    for name in names:
        assert (tmp_path / name).read_bytes() == (report.parent / name).read_bytes()


def test_finished_berm_meets_its_specification(tmp_path: Path) -> None:
    books_file(tmp_path / 'books.sqlite', finished(), layers(site_text()))
    assert write_report(tmp_path, tmp_path / 'as built.html') is True
    assert read(tmp_path / 'as built.html').words[0] == 'Meets the specification'
    assert (tmp_path / 'as built-location.png').exists()


def test_a_berm_of_one_segment_has_one(tmp_path: Path) -> None:
    text = site_text().replace('segment_length_m: 0.4', 'segment_length_m: 2.0')
    facts = gathered(tmp_path / 'books.sqlite', text=text)
    assert '(2.00 m, 1 segment)' in title_block(facts)
    with drawing():
        (sheet,) = cross_sections(facts, 0)
    assert sheet.title == 'Cross-sections, segment 1'


def test_period_lasts_to_the_last_look(tmp_path: Path) -> None:
    """The surface is of a minute after the start; looks that tell nothing new are no entries."""
    facts = gathered(tmp_path / 'books.sqlite', numbered(('datum', None, None, datum())),
                     layers(site_text()))
    assert '2026-01-01 00:00:10.0 UTC to 2026-01-01 00:01:00.0 UTC' in title_block(facts)


def test_what_is_just_beyond_the_tolerance_is_not_rounded_to_it(tmp_path: Path) -> None:
    entries = finished()
    entries.append(Entry(len(entries) + 1, entries[-1].stamp_ns, 'reading', 'west arc', 3,
                         reading(line_offset_m=0.0602)))
    html = specification(gathered(tmp_path / 'books.sqlite', entries))
    (line,) = [line for line in html.splitlines() if 'off the line' in line]
    assert '60 mm' in line
    assert '60.2 mm' in line
    assert '<b>no</b>' in line


def test_bare_ground_is_not_measured_against_the_line(tmp_path: Path) -> None:
    entries = numbered(('datum', None, None, datum()), *(
        ('reading', 'west arc', n, reading(0.001, at_grade=0.0, line_offset_m=0.147))
        for n in range(1, SEGMENTS + 1)))
    html = specification(gathered(tmp_path / 'books.sqlite', entries))
    (line,) = [line for line in html.splitlines() if 'off the line' in line]
    assert '147' not in line
    assert 'mm</td><td>–</td><td>–</td>' in re.sub('<td[^>]*>', '<td>', line)
    assert 'no' not in re.findall('<td[^>]*>([^<]*)</td>', line)


def test_books_with_nothing_in_them_have_a_report(tmp_path: Path) -> None:
    books_file(tmp_path / 'books.sqlite')
    assert write_report(tmp_path, tmp_path / 'report.html') is False
    check_valid(tmp_path / 'report.html')


def test_names_from_the_site_file_do_nothing(tmp_path: Path) -> None:
    text = site_text(NASTY)
    name = gathered(tmp_path / 'books.sqlite', text=text).site.berms[0].name
    assert '<script>' in name
    shown = tmp_path / 'nasty.sqlite'
    told = numbered(('hold', None, None, {'text': 'bell \x07, <i>escape</i> \x1b, mark \ufffe'}))
    books_file(shown, [*told, *finished(name)[1:]], layers(text), text, '<b>.yaml')
    write_report(shown, tmp_path / 'report.html')
    check_valid(tmp_path / 'report.html')
    found = read(tmp_path / 'report.html')
    assert 'script' not in [tag for tag, _ in found.tags]
    assert any('bell \ufffd, <i>escape</i> \ufffd' in word for word in found.words)
    assert any('<script>alert(1)</script> & $x$' in word for word in found.words)


def test_level_crest_on_a_ring_has_a_report(tmp_path: Path) -> None:
    text = site_text().replace(
        'centreline: [[0, 0], [2, 0]]',
        'arc: {centre: [0.5, 0], radius_m: 1.0, from_deg: 0, sweep_deg: -360}').replace(
        'crest_height_m: 0.15', 'crest_level_m: 0.2').replace(
        'segment_length_m: 0.4', 'segment_length_m: 2.0').replace(
        'cell_m: 0.02', 'cell_m: 0.02\ndatum: {plane: [0.01, 0.0, 0.0]}')
    books_file(tmp_path / 'books.sqlite', text=text, entries=numbered(
        ('unbooked_fill', 'west arc', 1, change())))
    write_report(tmp_path, tmp_path / 'report.html')
    check_valid(tmp_path / 'report.html')


def test_very_large_reports_leave_pictures_to_their_files(
        books: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    facts = gather(books)
    with drawing():
        pictures = [[location_plan(facts)]]
    monkeypatch.setattr(pages, 'MOST_BYTES', 100)
    assert 'in the file day-location.png beside this page' in page(facts, pictures, 'day')
