# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How the figures were made: formulas, where they are from, and the constants in them."""

from __future__ import annotations

from collections.abc import Iterator
import importlib
import math
import pkgutil
from types import ModuleType

from .facts import Facts, Z95
from .markup import bullets, figure, table, text
from .palette import SOURCE
from ... import books, survey, targeting
from ...books import posting

# Modules that only keep, show or order what was found; the others had a part in the figures.
NO_FIGURES = ('journal', 'journal_checks', 'journal_rows', 'salvage', 'statement', 'entries')
ROOMS = ((survey, ''), (books, ''), (targeting, 'dump_plan'))


def modules() -> Iterator[ModuleType]:
    """Yield the modules whose constants had a part in the figures, room by room."""
    for room, only in ROOMS:
        for name in sorted(info.name for info in pkgutil.iter_modules(room.__path__)):
            if name not in NO_FIGURES and only in ('', name):
                yield importlib.import_module(f'{room.__name__}.{name}')


def constants_of(module: ModuleType) -> dict[str, float]:
    """
    Return the numbers that a module fixes, by name; the names carry the units.

    Examples
    --------
    >>> from berm_ledger.books import yield_model
    >>> constants_of(yield_model)['HUBER_K']
    1.345

    """
    return {name: value for name, value in sorted(vars(module).items())
            if name.isupper() and not name.startswith('_')
            and isinstance(value, (int, float)) and not isinstance(value, bool)
            and math.isfinite(value)}


def methods_html(facts: Facts) -> str:
    """
    Return the chapter on methods.

    Parameters
    ----------
    facts : Facts
        What is known.

    Returns
    -------
    str
        HTML.

    """
    lines = []
    for module in modules():
        room, name = module.__name__.split('.')[-2:]
        found = constants_of(module)
        shown = ', '.join(f'{text(key)} = {value:g}' for key, value in found.items())
        if shown:
            lines.append((f'{text(room)} / {text(name)}', f'<code>{shown}</code>'))
    return '\n'.join([
        bullets(_points(facts)),
        table('Constants, by module; units stand in their names', ('module', 'constants'), lines,
              'tl')])


def _points(facts: Facts) -> list[str]:
    """Return the points of the chapter, each HTML."""
    share = figure(posting.AT_GRADE_SHARE, 0, 100.0)
    density = facts.site.material.loose_density_kg_m3
    return [
        ('<b>Natural ground.</b> The surface as it was surveyed before the first dump, or the '
         'plane of the site file. Cells never seen then are filled from a plane through the known '
         'ground nearby.'),
        ('<b>Design.</b> With crest height <i>H</i>, crest width <i>w</i>, side slope <i>β</i> '
         'and plan distance <i>d</i> to the design line:'
         '<p class="formula"><i>h</i><sub>design</sub> = max(0, <i>H</i> − tan <i>β</i> · '
         'max(0, <i>d</i> − <i>w</i>/2))</p>'
         'above the natural ground; ends are round. Straight and with <i>w</i> = 0 a berm of '
         'length <i>L</i> holds <i>V</i> = <i>L H</i>² / tan <i>β</i> + '
         'π <i>H</i>³ / (3 tan² <i>β</i>).'),
        ('<b>Site surface.</b> Every elevation grid is laid on the surface by the shift that '
         'ground nobody works on calls for (linearised surface differences, C. Nuth, A. Kääb, '
         'The Cryosphere 5, 2011, 271–290, robust least squares). Each cell is the mean of its '
         'looks; a height far off enters only when further looks agree with it.'),
        ('<b>Crest.</b> In every cross-section a roof (two straight flanks with a sharp, flat or '
         'rounded top, blurred as the sampling blurs it) is fitted by least squares; the crest is '
         'its top. The highest noisy cell, which is too high by about <i>σ</i> √(2 ln <i>n</i>), '
         'is not used. The height of a segment is the mean over its sections.'),
        (f'<b>At grade.</b> A segment is at grade when at least {share} % of its sections have a '
         f'crest within the height tolerance of the design. A berm meets its specification when '
         f'all its segments are at grade, none is flagged for rework, and the mean crest of each '
         f'lies within the line tolerance. How wide a flat top is is not judged; what its edges '
         f'lack counts as missing.'),
        ('<b>Volumes.</b> With <i>h</i> the height above the natural ground, <i>a</i> the area of '
         'a cell, sums over the corridor of a segment:'
         '<p class="formula">placed = Σ <i>h a</i>; spilled = Σ <i>h a</i> outside the design '
         'footprint; missing = Σ max(0, <i>h</i><sub>design</sub> − <i>h</i>) <i>a</i>; over = '
         'Σ max(0, <i>h</i> − <i>h</i><sub>design</sub>) <i>a</i> inside it</p>'
         'so that placed − spilled + missing − over = design. Outside the footprint <i>h</i> '
         'counts from the ground as wheels have trodden it since it was surveyed. What noise '
         'alone adds to missing and over is taken off by its expectation.'),
        ('<b>Standard errors.</b> Of a mean height over an area <i>A</i>, after S. W. Anderson, '
         'Earth Surf. Process. Landforms 44, 2019, 1015–1033:'
         '<p class="formula"><i>s</i>² = (<i>k</i>² <i>σ</i><sub>w</sub>² / '
         '<i>n</i><sub>cells</sub>  + <i>σ</i><sub>c</sub>² / <i>n</i><sub>eff</sub> + '
         '<i>σ</i><sub>r</sub>²) / <i>n</i><sub>looks</sub> + <i>s</i><sub>0</sub>²</p>'
         'with the independent and the shared noise <i>σ</i><sub>w</sub>, <i>σ</i><sub>c</sub> '
         'learned from the grids, <i>n</i><sub>eff</sub> the effective sample size of C. Rolstad, '
         'T. Haug, B. Denby, J. Glaciol. 55, 2009, 666–680, the error <i>σ</i><sub>r</sub> of the '
         'registration, <i>k</i> how much the crest fit magnifies noise, and a floor '
         '<i>s</i><sub>0</sub>. The error of a volume is <i>A s</i>. A figure “<i>a</i> ± '
         f'<i>b</i>” has the standard error <i>b</i>; bands are 95 %, ± {Z95:g} <i>b</i>. Errors '
         'of segments are added in full, as they share most of theirs; those of single dumps and '
         'changes, measured at different times, as the root of the sum of squares. Figures '
         'without ± have no known error.'),
        (f'<b>Mass.</b> Volume times the loose density of the site file, {figure(density, 0)} '
         f'kg/m³, which is taken as exact; deficits are signed, design less standing.'),
        ('<b>Yield.</b> What one dump adds to the berm: Huber’s estimate of location (P. J. '
         'Huber, Ann. Math. Stat. 35, 1964) over the rises measured around the latest dumps, with '
         'a full load as prior. The spread is the scaled median absolute deviation.'),
        ('<b>Loss.</b> Soil delivered less soil placed: '
         '<p class="formula"><i>V</i><sub>loss</sub> = Σ <i>m</i> / <i>ρ</i> − '
         '<i>V</i><sub>placed</sub></p>'
         'over all announced loads; one that was not weighed counts as a full load. It holds what '
         'was taken away or fell elsewhere, and the error of density and payload.'),
        ('<b>Changes without a dump.</b> Every look is compared, cell by cell, with the surface '
         'as it was accepted after the last dump. What is beyond the level of detection '
         '(J. Brasington et al., Geomorphology 53, 2003, 299–316),'
         '<p class="formula">LoD = 1.96 √(<i>s</i><sub>old</sub>² + <i>s</i><sub>new</sub>²)</p>'
         'is added up from look to look (two-sided CUSUM, J. M. Lucas, R. B. Crosier, '
         'Technometrics 24, 1982, 199–205); where the sum passes its limit in cells that hang '
         'together, soil has changed. Soil lost is marked D, soil that slid within the berm S, '
         'soil that came without a dump F.'),
        (f'<b>Colours</b> are those of {SOURCE}; every one goes with a hatching, a line style, a '
         f'marker or a word.'),
    ]
