# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Colours and signs of the pictures: told apart by every eye, and without any colour.

The colours are those of M. Okabe, K. Ito, Color Universal Design: how to make figures and
presentations that are friendly to colorblind people, 2008. None stands alone: states differ in
hatching and by their words, lines in their dashes, events in the shapes of their markers.
"""

from __future__ import annotations

from dataclasses import dataclass

from ...books import State

BLACK, ORANGE, SKY_BLUE, GREEN = '#000000', '#E69F00', '#56B4E9', '#009E73'
YELLOW, BLUE, VERMILLION, PURPLE = '#F0E442', '#0072B2', '#D55E00', '#CC79A7'
GREY, PALE, WHITE = '#595959', '#D9D9D9', '#FFFFFF'
# Lines of the design: a dash and a dot, in widths of the line.
DESIGN_DASHES = (0, (6, 2, 1, 2))
SOURCE = ('M. Okabe, K. Ito, <cite>Color Universal Design: how to make figures and presentations '
          'that are friendly to colorblind people</cite>, 2008')


@dataclass(frozen=True)
class StateStyle:
    """
    How a state is drawn and named.

    Parameters
    ----------
    word : str
        Name for people.
    colour : str
        Fill.
    hatch : str
        Hatching over it, as matplotlib names them.

    """

    word: str
    colour: str
    hatch: str


STATE_STYLES = {
    State.UNSEEN: StateStyle('unseen', WHITE, '....'),
    State.SHORT: StateStyle('short', YELLOW, '////'),
    State.AT_GRADE: StateStyle('at grade', GREEN, ''),
    State.HIGH: StateStyle('high', SKY_BLUE, '----'),
    State.REWORK: StateStyle('rework', VERMILLION, 'xxxx'),
}
