# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Pieces of HTML; whatever comes from a site file or a books file goes through ``text``."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
import html
import math
import re

from .canvas import DPI, Picture, WIDTH_IN

# What no HTML document may hold: controls, halves of pairs and non-characters.
UNFIT = re.compile(
    '[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff'
    + ''.join(f'{chr(plane + 0xFFFE)}{chr(plane + 0xFFFF)}'
              for plane in range(0x10000, 0x110000, 0x10000)) + ']')
# Longest word that is not broken in tables, and most lines kept on one page.
LONG_WORD = 14
SHORT_TABLE = 14
# Litres in a cubic metre, and millimetres in a metre.
LITRES = MM = 1e3
UNKNOWN = '–'
MINUS = '−'


def text(value: object) -> str:
    """
    Return any text so that a page shows it as it is and nothing in it does anything.

    Examples
    --------
    >>> text('<b> & "c"')
    '&lt;b&gt; &amp; &quot;c&quot;'

    """
    return html.escape(UNFIT.sub('\ufffd', str(value)), quote=True)


def figure(value: float | None, digits: int, scale: float = 1.0) -> str:
    """
    Return a figure with fixed decimals, unknown as a dash, no zero with a sign.

    Examples
    --------
    >>> figure(-0.0123, 1, 1e3), figure(math.nan, 1), figure(-1e-9, 2)
    ('−12.3', '–', '0.00')

    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    shown = f'{value * scale:.{digits}f}'
    if float(shown) == 0.0:
        return shown.lstrip('-')
    return shown.replace('-', MINUS)


def with_error(
    value: float | None, error: float | None, digits: int, scale: float = 1.0
) -> str:
    """
    Return a figure with its standard error where that is known.

    Examples
    --------
    >>> with_error(0.0987, 0.0012, 1, 1e3), with_error(0.0987, math.nan, 1, 1e3)
    ('98.7 ± 1.2', '98.7')

    """
    shown = figure(value, digits, scale)
    known = error is not None and math.isfinite(error) and shown != UNKNOWN
    return f'{shown} ± {figure(error, digits, scale)}' if known else shown


def breakable(value: object) -> str:
    """
    Return a text that may be broken within words too long for a table.

    Examples
    --------
    >>> breakable('ab' * 10), breakable('north arc')
    ('ababababababab<wbr>ababab', 'north arc')

    """
    return ' '.join(
        '<wbr>'.join(text(word[i:i + LONG_WORD]) for i in range(0, len(word), LONG_WORD))
        for word in str(value).split(' '))


def table(
    caption: str, heads: Sequence[str], lines: Iterable[Sequence[str]], align: str, *,
    kind: str = '',
) -> str:
    """
    Return a table; all texts are HTML already.

    Parameters
    ----------
    caption : str
        What it shows; empty for none.
    heads : sequence of str
        Heads of the columns; none for a table without.
    lines : iterable of sequence of str
        Cells; the first of each line is its head.
    align : str
        One letter per column: ``l`` for words, ``r`` for figures, ``t`` for words in one line.
    kind : str
        Class of the table.

    Returns
    -------
    str
        HTML; a short table is kept on one page.

    """
    cells = list(lines)
    kinds = [{'l': '', 'r': ' class="n"', 't': ' class="t"'}[letter] for letter in align]
    head = ''.join(f'<th scope="col"{k}>{name}</th>' for k, name in zip(kinds, heads))
    head = f'<thead><tr>{head}</tr></thead>\n' if heads else ''
    body = '\n'.join('<tr>' + ''.join(
        f'<th scope="row"{k}>{c}</th>' if i == 0 else f'<td{k}>{c}</td>'
        for i, (k, c) in enumerate(zip(kinds, line))) + '</tr>' for line in cells)
    words = ' '.join(filter(None, [kind, 'whole' if len(cells) <= SHORT_TABLE else '']))
    named = f' class="{words}"' if words else ''
    title = f'<caption>{caption}</caption>\n' if caption else ''
    return f'<table{named}>\n{title}{head}<tbody>\n{body}\n</tbody>\n</table>'


def picture(shown: Picture, number: int, subject: str, left_out: str = '') -> str:
    """
    Return a picture with its caption; the pixels are part of the page.

    Parameters
    ----------
    shown : Picture
        The picture.
    number : int
        Its number.
    subject : str
        What its title begins with.
    left_out : str
        Name of the file that the page refers to instead of holding the pixels.

    Returns
    -------
    str
        HTML.

    """
    width, height = shown.size_px
    image = (f'<img src="data:image/png;base64,{base64.b64encode(shown.png).decode("ascii")}" '
             f'width="{width}" height="{height}" style="width: {_share(width)}" '
             f'alt="{text(shown.alt)}">')
    if left_out:
        image = f'<p>The picture is in the file {text(left_out)} beside this page.</p>'
    return (
        f'<figure>\n{image}\n<figcaption><b>Figure {number}. {text(subject + shown.title)}.</b> '
        f'{text(shown.note)}</figcaption>\n</figure>')


def _share(width_px: int) -> str:
    """
    Return how much of the page a picture takes, so that writing is as large in all of them.

    Examples
    --------
    >>> _share(710), _share(2000)
    ('50.0%', '100.0%')

    """
    return f'{min(100.0, 100.0 * width_px / (WIDTH_IN * DPI)):.1f}%'


def bullets(items: Iterable[str]) -> str:
    """Return a list of points, each HTML already."""
    inner = '\n'.join(f'<li>{item}</li>' for item in items)
    return f'<ul>\n{inner}\n</ul>'
