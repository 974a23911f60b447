# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The report as one page: verdict first, then pictures, tables, methods and settings."""

from __future__ import annotations

from collections.abc import Sequence

from . import chapters
from .borrow import borrow_pictures, borrow_tables
from .canvas import drawing, Picture
from .cross_sections import cross_sections
from .facts import Facts
from .location import location_plan
from .long_section import long_section
from .markup import bullets, picture, text
from .methods import methods_html
from .plan_view import plan_view
from .style import CSS
from .timeline import timelines

VERDICTS = {True: 'Meets the specification', False: 'Does not meet the specification'}
# Pixels that a page holds at most, so that it stays below 5 MB in the text form of its data.
MOST_BYTES = 3_300_000
PROOF = ('The digest of the entries is that of what <code>sqlite3 books.sqlite '
         '&quot;SELECT * FROM entries ORDER BY seq&quot; | sha256sum</code> prints; '
         '<code>site_digest</code> is that of the site file’s bytes. The digest of a bag is that '
         'of one line <code>ROLE TIME SHA256</code> for each of its messages used, in the order '
         'of recording: elevation, pose, dump or drum_current, when it was recorded in '
         'nanoseconds, and the SHA-256 of its bytes.')
SIGNATURES = ('<table class="sign"><caption>Signatures</caption><thead><tr>'
              '<th scope="col">role</th><th scope="col">name</th><th scope="col">date</th>'
              '<th scope="col">signature</th></tr></thead><tbody>'
              '<tr><th scope="row">prepared</th><td></td><td></td><td></td></tr>'
              '<tr><th scope="row">checked</th><td></td><td></td><td></td></tr>'
              '<tr><th scope="row">accepted</th><td></td><td></td><td></td></tr>'
              '</tbody></table>')
ADVICE = ('This report is made from the books by software and shows what was measured. It is no '
          'safety assessment. What all grids have wrong in common, as where the frame of the site '
          'lies in the world, is not part of the errors stated.')


def draw(facts: Facts) -> list[list[Picture]]:
    """
    Draw all pictures.

    Parameters
    ----------
    facts : Facts
        What is known.

    Returns
    -------
    list of list of Picture
        First those of the whole site, then those of each berm, then of the borrow side.

    """
    with drawing():
        return [[location_plan(facts)]] + [
            [plan_view(facts, index), long_section(facts, index), *cross_sections(facts, index),
             *timelines(facts, index)]
            for index in range(len(facts.site.berms))] + [borrow_pictures(facts)]


def page(facts: Facts, pictures: Sequence[Sequence[Picture]], stem: str = 'report') -> str:
    """
    Return the report; of very long berms it leaves the last pictures to their files.

    Parameters
    ----------
    facts : Facts
        What is known.
    pictures : sequence of sequence of Picture
        What ``draw`` gave.
    stem : str
        What the names of the files of the pictures begin with.

    Returns
    -------
    str
        HTML, with the pictures in it.

    """
    names = ', '.join(berm.name for berm in facts.site.berms)
    count = size = 0
    parts = [_verdict(facts), f'<h1>As-built report: {text(names)}</h1>',
             chapters.title_block(facts), '<h2>Acceptance</h2>', chapters.specification(facts),
             '<h2>Quantities</h2>', chapters.quantities(facts)]
    subjects = ['', *(f'{berm.name}: ' for berm in facts.site.berms)]
    for subject, group in zip(subjects, pictures):
        heading = 'Location' if not subject else f'Berm {subject.removesuffix(": ")}'
        parts.append(f'<h2>{text(heading)}</h2>')
        if subject:
            berm = next(b for b in facts.site.berms if subject == f'{b.name}: ')
            parts.append(chapters.segments(facts, berm))
        for shown in group:
            count, size = count + 1, size + len(shown.png)
            beside = '' if size <= MOST_BYTES else f'{stem}-{shown.name}.png'
            parts.append(picture(shown, count, subject, beside))
    tables = borrow_tables(facts)
    if tables:
        parts += ['<h2>Borrow areas and production</h2>', tables]
        for shown in pictures[-1]:
            count, size = count + 1, size + len(shown.png)
            beside = '' if size <= MOST_BYTES else f'{stem}-{shown.name}.png'
            parts.append(picture(shown, count, '', beside))
    parts += [
        '<h2>What happened</h2>', chapters.events(facts), chapters.loads(facts),
        chapters.refusals(facts),
        '<h2>How the figures were made</h2>', methods_html(facts),
        '<h2>Settings</h2>', chapters.settings(facts),
        '<h2>Provenance</h2>', chapters.provenance(facts), f'<p>{PROOF}</p>',
        f'<p>{ADVICE}</p>', SIGNATURES]
    return _document(f'As-built report: {names}', '\n'.join(parts))


def _verdict(facts: Facts) -> str:
    """Return the verdict, the first line of the page."""
    accepted = bool(facts.summary['accepted'])
    reasons = str(facts.summary['why']).split('; ')
    kind = 'pass' if accepted else 'fail'
    return (f'<section class="verdict {kind}">\n<b>{VERDICTS[accepted]}</b>\n'
            f'{bullets(map(text, reasons))}\n</section>')


def _document(title: str, body: str) -> str:
    """Return a whole document."""
    return (f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
            f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            f'<title>{text(title)}</title>\n<style>{CSS}</style>\n</head>\n<body>\n{body}\n'
            f'</body>\n</html>\n')
