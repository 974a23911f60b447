# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Figures as PNG: the same figures give the same bytes.

Nothing of the machine takes part: no settings file, no display, no date, and of all fonts only
the one that matplotlib brings along.
"""

from __future__ import annotations

from collections.abc import Iterator
import contextlib
from dataclasses import dataclass
import io
from pathlib import Path
import struct

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontEntry, fontManager
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

WIDTH_IN = 7.1
TALLEST_IN = 8.8
DPI = 200
MARGIN_PX = 6
COLOURS, MEDIAN_CUT, NO_DITHER = 256, 0, 0
FONT = 'DejaVu Sans of matplotlib'
FONT_FILES = {'DejaVuSans.ttf': 400, 'DejaVuSans-Bold.ttf': 700}
SETTINGS = {
    'font.family': FONT, 'font.size': 8.0, 'axes.titlesize': 8.0, 'axes.labelsize': 8.0,
    'legend.fontsize': 7.0, 'xtick.labelsize': 7.0, 'ytick.labelsize': 7.0,
    'axes.linewidth': 0.7, 'lines.linewidth': 1.2, 'hatch.linewidth': 0.5,
    'axes.spines.top': False, 'axes.spines.right': False, 'legend.frameon': False,
    'axes.grid': False, 'grid.color': '#D9D9D9', 'grid.linewidth': 0.5,
    'axes.formatter.useoffset': False, 'axes.unicode_minus': True, 'axes.axisbelow': True,
    'path.simplify': True, 'svg.hashsalt': 'berm_ledger',
}


@dataclass(frozen=True, eq=False)
class Picture:
    """
    One picture of the report.

    Parameters
    ----------
    name : str
        Name of its file without ending; letters, digits and hyphens.
    png : bytes
        The picture.
    title : str
        What it shows, in a few words.
    note : str
        How to read it.
    alt : str
        The same for those who cannot see it.

    """

    name: str
    png: bytes
    title: str
    note: str
    alt: str

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height in pixels, as the head of the file says."""
        width, height = struct.unpack('>II', self.png[16:24])
        return int(width), int(height)


@contextlib.contextmanager
def drawing() -> Iterator[None]:
    """Set matplotlib up for figures of this report, and back."""
    _bring_font()
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS)
        yield


def _bring_font() -> None:
    """Make the fonts that matplotlib ships known under a name that no other font has."""
    if any(entry.name == FONT for entry in fontManager.ttflist):
        return
    folder = Path(mpl.get_data_path()) / 'fonts' / 'ttf'
    for name, weight in FONT_FILES.items():
        fontManager.ttflist.append(FontEntry(
            fname=str(folder / name), name=FONT, style='normal', variant='normal', weight=weight,
            stretch='normal', size='scalable'))


def new_figure(height_in: float, width_in: float = WIDTH_IN) -> Figure:
    """Return an empty figure; its parts find their places by themselves."""
    figure = Figure(figsize=(width_in, height_in), constrained_layout=True)
    FigureCanvasAgg(figure)
    return figure


def png_of(figure: Figure) -> bytes:
    """Return a figure as PNG, without margins and without a date."""
    whole, small = io.BytesIO(), io.BytesIO()
    figure.savefig(whole, format='png', dpi=DPI, bbox_inches='tight', pad_inches=0.04,
                   metadata={'Software': None}, pil_kwargs={'compress_level': 0})
    # A third of the size; lines and shades do not take more colours.
    with Image.open(whole) as image:
        full = image.convert('RGB')
    full = full.crop(_inked(full.size, ImageOps.invert(full).getbbox()))
    few = full.quantize(COLOURS, method=MEDIAN_CUT, dither=NO_DITHER)
    few.save(small, format='PNG', compress_level=6)
    return small.getvalue()


def _inked(
    size: tuple[int, int], box: tuple[int, int, int, int] | None
) -> tuple[int, int, int, int]:
    """Return the part of a picture that holds ink, with a narrow margin; all of a blank one."""
    left, top, right, bottom = box or (0, 0, *size)
    return (max(0, left - MARGIN_PX), max(0, top - MARGIN_PX),
            min(size[0], right + MARGIN_PX), min(size[1], bottom + MARGIN_PX))


def ruled(axes: Axes) -> None:
    """Lay faint level lines under a figure, to read values off."""
    axes.grid(visible=True, axis='y')


def span_of(values: NDArray[np.float64], least: float) -> tuple[float, float]:
    """
    Return limits that hold all known values with a little room, at least so far apart.

    Examples
    --------
    >>> span_of(np.array([0.0, 1.0, np.nan]), 0.5)
    (-0.06, 1.06)
    >>> span_of(np.array([np.nan]), 2.0)
    (-1.0, 1.0)

    """
    known = np.asarray(values, dtype=float).ravel()
    known = known[np.isfinite(known)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    room = max(0.06 * (high - low), 0.5 * (least - (high - low)))
    return low - room, high + room
