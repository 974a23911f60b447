# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How the figures were made: formulas, where they are from, and the constants in them."""

from __future__ import annotations

from .facts import Facts, Z95
from .markup import bullets, figure, table, text
from .palette import SOURCE
from ...books import clerk, disturbance, posting, rises, yield_model
from ...survey import area, noise, readings, registration, sections, surface, volumes

# Name, value, unit, what it does.
Constant = tuple[str, float, str, str]


def constants_of(facts: Facts) -> list[Constant]:
    """Return the constants that had a part in the figures."""
    return [
        ('cell of the site lattice', facts.site.cell_m, 'm', 'sections lie as closely'),
        ('share at grade', posting.AT_GRADE_SHARE, '', 'of a segment’s sections'),
        ('corridor beyond the toe', area.CORRIDOR_MARGIN_M, 'm', 'counts as the berm’s soil'),
        ('sections beyond the toe', sections.SECTION_MARGIN_M, 'm', 'where a crest is looked for'),
        ('looks averaged', surface.MOST_LOOKS, '', 'most that count in a cell of the surface'),
        ('agreeing looks', surface.AGREEING_LOOKS, '', 'before a far-off height is believed'),
        ('largest shift of the map', registration.LIMIT_XY_M, 'm', 'beyond it a grid is refused'),
        ('strip along the crest', readings.STRIP_M, 'm', 'its area decides the error of a height'),
        ('floor of a height’s error', readings.SHAPE_FLOOR_M, 'm', 'shape of the crest'),
        ('floor of a mean’s error', readings.COMMON_FLOOR_M, 'm', 'what looks have in common'),
        ('range of shared noise', noise.RANGE_M, 'm', 'spherical variogram'),
        ('cells seen for a volume', volumes.LEAST_SEEN, '', 'least share of a segment’s cells'),
        ('least rise of a dump', rises.STRAY_SHARE, '', 'share of its load, else it missed'),
        ('loads behind the yield', yield_model.WINDOW_LOADS, '', 'the latest ones'),
        ('full loads as prior', yield_model.PRIOR_LOADS, '', 'before loads were measured'),
        ('Huber’s constant', yield_model.HUBER_K, '', 'spreads from which a load counts less'),
        ('least change of a cell', disturbance.LEAST_CHANGE_M, 'm', 'or 1.96 standard errors'),
        ('least area of a change', disturbance.LEAST_AREA_M2, 'm²', 'cells that hang together'),
        ('least volume of a change', disturbance.LEAST_VOLUME_M3, 'm³', ''),
        ('looks for a loss', disturbance.LOSS_LOOKS, '', 'in a row'),
        ('looks for a fill', disturbance.FILL_LOOKS, '', 'in a row'),
        ('drift worth booking', clerk.DRIFT_M, 'm', 'of the map'),
    ]


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
    lines = [(text(name), text(f'{value:g}'), text(unit), text(why))
             for name, value, unit, why in constants_of(facts)]
    return '\n'.join([
        bullets(_points(facts)),
        table('Constants', ('constant', 'value', 'unit', 'meaning'), lines, 'lrll')])


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
         f'lies within the line tolerance.'),
        ('<b>Volumes.</b> With <i>h</i> the height above the natural ground, <i>a</i> the area of '
         'a cell, sums over the corridor of a segment:'
         '<p class="formula">placed = Σ <i>h a</i>; spilled = Σ <i>h a</i> outside the design '
         'footprint; missing = Σ max(0, <i>h</i><sub>design</sub> − <i>h</i>) <i>a</i>; over = '
         'Σ max(0, <i>h</i> − <i>h</i><sub>design</sub>) <i>a</i> inside it</p>'
         'so that placed − spilled + missing − over = design. What noise alone adds to missing '
         'and over is taken off by its expectation.'),
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
        ('<b>Changes without a dump.</b> The surface is compared, cell by cell, with the surface '
         'as it was accepted after the last dump. A cell has changed when the difference is '
         'beyond the level of detection (J. Brasington et al., Geomorphology 53, 2003, 299–316):'
         '<p class="formula">LoD = 1.96 √(<i>s</i><sub>old</sub>² + <i>s</i><sub>new</sub>²)</p>'
         'Cells must hang together and the change must last. Soil lost is marked D, soil that '
         'slid within the berm S, soil that came without a dump F.'),
        (f'<b>Colours</b> are those of {SOURCE}; every one goes with a hatching, a line style, a '
         f'marker or a word.'),
    ]
