# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The borrow side in the report: cut maps, production chart, and the tables beside them."""

from __future__ import annotations

from collections.abc import Iterator

from matplotlib.axes import Axes
from matplotlib.patches import Polygon as Shape
from matplotlib.patheffects import withStroke
import numpy as np

from .canvas import new_figure, Picture, png_of, ruled, WIDTH_IN
from .facts import Facts
from .markup import figure, LITRES, MM, table, text, with_error
from .palette import BLACK, BLUE, GREEN, GREY, ORANGE, SKY_BLUE, VERMILLION, WHITE
from .plan_view import SOIL
from .timeline import Clock
from ...books.statement import FIRST_DATE_NS, stamp_text
from ...borrow.account import account_of, AreaAccount, BorrowAccount
from ...borrow.balance import DAY_NS, HOUR_NS, Period, periods
from ...borrow.lanes import Lane, lanes_of_area
from ...borrow.layers import DATUM, HEIGHT
from ...borrow.load import SIGMAS
from ...borrow.production import forecast, production_of
from ...design import BorrowArea

MINUTE_S = 60.0
MOST_MAP_IN = 4.2
MOST_PERIODS = 200
# The scale of a cut map: at least so much, and so much more than the deepest place is deep [mm].
LEAST_SCALE_MM, DARKEST = 10.0, 1.3
# Soil this far above the natural ground is no noise [mm].
RAISED_MM = 8.0
DAY_FORM, HOUR_FORM = 'YYYY-MM-DD', 'YYYY-MM-DD HH:MM'
UNIT_CORNERS = np.array([[0.0, -0.5], [1.0, -0.5], [1.0, 0.5], [0.0, 0.5]])


def borrow_pictures(facts: Facts) -> list[Picture]:
    """
    Draw the borrow side.

    Parameters
    ----------
    facts : Facts
        What is known.

    Returns
    -------
    list of Picture
        A cut map of every area that was surveyed, and the production chart; none where nothing
        was booked on this side.

    """
    account = account_of(facts.entries)
    if account.is_empty:
        return []
    out = [_cut_map(facts, area, account, number)
           for number, area in enumerate(facts.site.yard.borrow_areas, 1)
           if DATUM + area.name in facts.layers]
    if len(account.loads) > 1:
        out.append(_production(facts, account))
    return out


def _cut_map(
    facts: Facts, area: BorrowArea, account: BorrowAccount, number: int
) -> Picture:
    """Draw how deep an area was cut, with its lanes."""
    datum, height = facts.layers[DATUM + area.name], facts.layers[HEIGHT + area.name]
    cut_mm = MM * (datum.values.astype(float) - height.values.astype(float))
    lattice = datum.lattice
    half = lattice.cell_m / 2.0
    box = (lattice.x0_m - half, lattice.x0_m + (lattice.cols - 0.5) * lattice.cell_m,
           lattice.y0_m - half, lattice.y0_m + (lattice.rows - 0.5) * lattice.cell_m)
    scale = min((WIDTH_IN - 2.0) / (box[1] - box[0]), MOST_MAP_IN / (box[3] - box[2]))
    drawn = new_figure(scale * (box[3] - box[2]) + 0.7, scale * (box[1] - box[0]) + 2.0)
    axes = drawn.add_subplot()
    most = max(LEAST_SCALE_MM, DARKEST * float(np.nanpercentile(cut_mm, 99.5)))
    image = axes.imshow(cut_mm, extent=box, origin='lower', cmap=SOIL, vmin=0.0, vmax=most,
                        interpolation='nearest')
    x, y = (lattice.x0_m + lattice.cell_m * np.arange(lattice.cols),
            lattice.y0_m + lattice.cell_m * np.arange(lattice.rows))
    if float(np.nanmin(cut_mm)) < -RAISED_MM:
        axes.contourf(x, y, cut_mm, levels=[-np.inf, -RAISED_MM], colors='none', hatches=['++++'])
    bar = drawn.colorbar(image, ax=axes, shrink=0.8, extend='both')
    bar.set_label('cut below the datum [mm]')
    axes.add_patch(Shape(area.polygon.corners_xy, closed=True, facecolor='none',
                         edgecolor=BLUE, linewidth=1.4))
    known = account.areas.get(area.name, AreaAccount(area.name))
    for lane in lanes_of_area(facts.site, area):
        _draw_lane(axes, lane, closed=lane.number in known.voids)
    axes.set(xlim=box[:2], ylim=box[2:], aspect='equal', xlabel='x [m]', ylabel='y [m]')
    return Picture(
        f'borrow-{number}-cut', png_of(drawn), f'Borrow area {area.name}: cut',
        f'Natural ground less surface; the darker, the deeper. Crosses (+): soil lies more than '
        f'{RAISED_MM:g} mm above the natural ground. Lanes are numbered at their beginning and '
        f'dug towards the arrow; hatched ones are closed.',
        'Map of the depth of cut of the borrow area with its lanes.')


def _draw_lane(axes: Axes, lane: Lane, *, closed: bool) -> None:
    """Draw the outline, number and direction of one lane."""
    corners = lane.start.apply(UNIT_CORNERS * [lane.length_m, lane.width_m])
    axes.add_patch(Shape(corners, closed=True, facecolor='none', edgecolor=BLACK, linewidth=0.6,
                         hatch='x' if closed else None))
    axes.annotate('', lane.end.xy, xytext=lane.start.xy,
                  arrowprops={'arrowstyle': '->', 'color': BLACK, 'linewidth': 0.8})
    axes.annotate(str(lane.number), lane.start.xy, ha='center', va='bottom', fontweight='bold',
                  path_effects=[withStroke(linewidth=2.5, foreground=WHITE)])


def _production(facts: Facts, account: BorrowAccount) -> Picture:
    """Draw the mass of every load and the parts of its cycle."""
    clock = Clock(facts.first_ns, facts.last_ns)
    drawn = new_figure(3.6)
    upper, lower = drawn.subplots(2, 1, sharex=True)
    at = [clock.at(load.stamp_ns) for load in account.loads]
    marks = {None: ('o', 'not known whether full', SKY_BLUE), False: ('s', 'full', GREEN),
             True: ('v', 'partial', VERMILLION)}
    for said, (shape, word, colour) in marks.items():
        own = [n for n, load in enumerate(account.loads) if load.partial is said]
        if own:
            upper.errorbar(
                [at[n] for n in own], [account.loads[n].mass_kg for n in own],
                [SIGMAS * account.loads[n].mass_se_kg for n in own], linestyle='',
                marker=shape, markersize=4.0, color=colour, ecolor=GREY, elinewidth=0.6,
                label=word)
    upper.axhline(facts.site.rover.payload_kg, color=BLACK, linewidth=0.6, linestyle=':')
    upper.set(ylabel='load [kg]', ylim=(0.0, None))
    upper.legend(ncol=3, loc='lower right')
    width = 0.6 * float(np.median(np.diff(at))) if len(at) > 1 else 1.0
    base = np.zeros(len(at))
    for name, word, colour, hatch in (
            ('dig_s', 'dig', ORANGE, '////'), ('haul_s', 'haul', SKY_BLUE, ''),
            ('dump_s', 'dump', GREEN, '....')):
        part = np.nan_to_num([getattr(load.times, name) for load in account.loads]) / MINUTE_S
        lower.bar(at, part, width=max(width, 1e-6), bottom=base, color=colour, label=word,
                  hatch=hatch, edgecolor=BLACK, linewidth=0.4)
        base = base + part
    lower.set(ylabel='cycle [min]', xlabel=f'time since the first entry [{clock.unit[0]}]',
              ylim=(0.0, max(1e-3, 1.3 * float(base.max()))))
    lower.legend(ncol=3, loc='upper right')
    for axes in (upper, lower):
        ruled(axes)
    return Picture(
        'borrow-production', png_of(drawn), 'Production',
        'Above: mass of every load with 95 % error bars; the dotted line is the payload. Below: '
        'parts of the cycle that ended with it, as far as they are known.',
        'Masses of the loads and parts of their cycles over time.')


def borrow_tables(facts: Facts) -> str:
    """Return the tables of the borrow side; empty where nothing was booked on it."""
    account = account_of(facts.entries)
    if account.is_empty:
        return ''
    parts = []
    if account.areas:
        parts.append(table(
            'Lanes', ('lane', 'cut<br>[l]', 'mean<br>[mm]', 'deepest<br>[mm]',
                      'step<br>[mm]', 'state'), _lane_lines(account), 'lrrrrl'))
        parts.append(table('Borrow areas, 95 % errors', (), _area_lines(account), 'lr'))
    for word, length_ns in (('hour', HOUR_NS), ('day', DAY_NS)):
        rows = periods(account, length_ns)[-MOST_PERIODS:]
        if rows:
            parts.append(table(
                f'Balance by the {word}: cut × swell {facts.site.material.swell:g} = placed + '
                f'spilled + carried + unexplained, loose litres, 95 % errors',
                (word, 'cut, bank<br>[l]', 'cut, loose<br>[l]', 'placed<br>[l]',
                 'spilled<br>[l]', 'carried<br>[l]', 'unexplained<br>[l]', 'loads'),
                (_period(row, length_ns, facts.site.material.swell) for row in rows),
                'trrrrrrr'))
    if account.loads:
        count = len(account.loads)
        which = 'one load' if count == 1 else f'all {count} loads'
        parts.append(table(
            f'Production, means over {which}', (),
            _production_lines(facts, account), 'lr'))
    return '\n'.join(parts)


def _lane_lines(account: BorrowAccount) -> Iterator[tuple[str, ...]]:
    """Yield the lines about the lanes."""
    for name, area in sorted(account.areas.items()):
        for f in area.lanes:
            state = 'closed' if f.lane in area.voids else (
                'next' if f.lane == area.next_lane else 'open')
            yield (f'{text(name)} {f.lane}', figure(f.volume_m3, 1, LITRES),
                   figure(f.mean_m, 1, MM), figure(f.deepest_m, 1, MM),
                   figure(f.step_m, 1, MM), state)


def _area_lines(account: BorrowAccount) -> Iterator[tuple[str, str]]:
    """Yield the lines about the areas."""
    for name, area in sorted(account.areas.items()):
        yield (f'{text(name)}: volume taken [l, bank]',
               with_error(area.cut_m3, SIGMAS * area.cut_se_m3, 1, LITRES))
        yield f'{text(name)}: deepest place [mm]', figure(area.deepest_m, 0, MM)
        yield f'{text(name)}: area left in open lanes [m²]', figure(area.left_m2, 2)
        yield f'{text(name)}: volume left above the limit [l]', figure(area.left_m3, 0, LITRES)


def _period_text(start_ns: int, length_ns: int) -> str:
    """
    Return an hour or a day as people name it.

    Examples
    --------
    >>> [_period_text(1_767_225_600_000_000_000, length_ns) for length_ns in (HOUR_NS, DAY_NS)]
    ['2026-01-01 00:00 UTC', '2026-01-01 UTC']
    >>> _period_text(2 * HOUR_NS, HOUR_NS)
    '7200.0 s'

    """
    words = stamp_text(start_ns)
    if start_ns < FIRST_DATE_NS:
        return words
    return f'{words[:len(DAY_FORM if length_ns == DAY_NS else HOUR_FORM)]} UTC'


def _period(row: Period, length_ns: int, swell: float) -> tuple[str, ...]:
    """Return the line of one hour or day."""
    return (text(_period_text(row.start_ns, length_ns)),
            with_error(row.cut_m3, row.cut_error_m3, 1, LITRES),
            with_error(row.cut_m3 * swell, row.cut_error_m3 * swell, 1, LITRES),
            with_error(row.placed_m3, row.placed_error_m3, 1, LITRES),
            figure(row.spilled_m3, 1, LITRES), figure(row.carried_m3, 1, LITRES),
            with_error(row.unexplained_m3, row.unexplained_error_m3, 1, LITRES),
            str(row.loads))


def _production_lines(facts: Facts, account: BorrowAccount) -> Iterator[tuple[str, str]]:
    """Yield the lines about production and forecast."""
    made = production_of(account, len(account.loads))
    yield 'loads per hour', figure(made.loads_per_h, 1)
    yield 'mass of a load [kg]', figure(made.kg_per_cycle, 2)
    yield 'cycle [s]', figure(made.cycle_s, 1)
    for name, word in (('dig_s', 'digging'), ('haul_s', 'hauling'), ('dump_s', 'dumping')):
        yield f'of it {word} [s]', figure(getattr(made, name), 1)
    partial = [load.partial for load in account.loads]
    yield 'loads found partial', str(partial.count(True))
    yield 'loads of which that is not known', str(partial.count(None))
    left = facts.books.dumps_remaining
    told = forecast(account, left)
    if told is not None and left:
        yield ('time to finish from the last load on [min], 90 %',
               f'{figure(told.low_s / MINUTE_S, 0)} to {figure(told.high_s / MINUTE_S, 0)}')
