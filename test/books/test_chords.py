# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What grids with coarse cells cannot show, against chords drawn over ridges."""

from __future__ import annotations

from dataclasses import replace

from berm_ledger.books.changes import Change
from berm_ledger.books.charts import Canvas
from berm_ledger.books.chords import beyond_chord, chord_error_m
from berm_ledger.books.disturbance import DisturbanceWatch
from berm_ledger.geometry import Lattice
from berm_ledger.survey.noise import GridNoise
import numpy as np
import pytest

CELL_M = 0.015
ROWS, COLS = 7, 61
LATTICE = Lattice(0.0, 0.0, CELL_M, ROWS, COLS)
EVERY = np.arange(ROWS * COLS)
X_M = CELL_M * (np.arange(COLS) - COLS // 2)


def on_rows(profile_m: np.ndarray) -> np.ndarray:
    """Return a profile along x on every row, shape (n,)."""
    return np.tile(profile_m, ROWS)


def worst_chord_m(profile_m: np.ndarray, grid_cell_m: float) -> np.ndarray:
    """Return how far linear interpolation comes off a profile, its nodes lying anywhere."""
    worst = np.zeros(COLS)
    for phase in np.linspace(0.0, 1.0, 200, endpoint=False):
        nodes = grid_cell_m * (np.arange(-40, 40) + phase)
        chord = np.interp(X_M, nodes, np.interp(nodes, X_M, profile_m))
        worst = np.maximum(worst, np.abs(chord - profile_m))
    return worst


@pytest.mark.parametrize('grid_cell_m', [0.06, 0.09, 0.12])
def test_the_crest_of_a_ridge(grid_cell_m: float) -> None:
    """Closed form: slopes s on either side, nodes half a cell off, s times half a cell."""
    ridge = 0.3 - 0.7 * np.abs(X_M)
    error = chord_error_m(Canvas(LATTICE, EVERY), on_rows(ridge), grid_cell_m)
    crest = error.reshape(ROWS, COLS)[3, COLS // 2]
    assert crest == pytest.approx(0.7 * grid_cell_m / 2.0, rel=1e-4)
    assert crest == pytest.approx(worst_chord_m(ridge, grid_cell_m)[COLS // 2], rel=0.02)


@pytest.mark.parametrize('grid_cell_m', [0.06, 0.12])
def test_a_round_crest(grid_cell_m: float) -> None:
    """Closed form: the chord of a parabola lies off it by curvature times cell squared over 8."""
    inner = slice(10, -10)
    error = chord_error_m(Canvas(LATTICE, EVERY), on_rows(-0.5 * 4.0 * X_M**2), grid_cell_m)
    row = error.reshape(ROWS, COLS)[3]
    assert row[inner] == pytest.approx(4.0 * grid_cell_m**2 / 8.0, rel=1e-3)
    worst = worst_chord_m(-0.5 * 4.0 * X_M**2, grid_cell_m)
    assert worst[inner] == pytest.approx(row[inner], rel=0.1)


def test_what_is_not_off() -> None:
    """A plane, a grid as fine as the site, and what nobody knows."""
    canvas = Canvas(LATTICE, EVERY)
    plane = on_rows(0.3 * X_M)
    assert chord_error_m(canvas, plane, 0.1) == pytest.approx(0.0, abs=1e-7)
    ridge = on_rows(-0.7 * np.abs(X_M))
    assert not chord_error_m(canvas, ridge, 0.02).any()
    assert not chord_error_m(canvas, np.full(ROWS * COLS, np.nan), 0.1).any()


def test_only_what_is_beyond_counts() -> None:
    """At 95 per cent: 1.96 times the error is allowed, on either side; unknown stays so."""
    smooth = np.array([0.010, -0.010, 0.003, np.nan], dtype=np.float32)
    beyond = beyond_chord(smooth, np.full(4, 0.002, dtype=np.float32))
    assert beyond[:3] == pytest.approx([0.00608, -0.00608, 0.0], abs=1e-6)
    assert np.isnan(beyond[3])


SIDE = 41
SQUARE = Lattice(0.0, 0.0, 0.015, SIDE, SIDE)


def ridge_seen_m(grid_cell_m: float, phase: float) -> np.ndarray:
    """Return a sharp ridge as grids whose nodes lie so show it, on every row, shape (n,)."""
    x_m = SQUARE.cell_m * (np.arange(SIDE) - SIDE // 2)
    nodes = grid_cell_m * (np.arange(-40, 40) + phase)
    return np.tile(np.interp(x_m, nodes, 0.3 - 0.7 * np.abs(nodes)), SIDE)


def test_finer_grids_of_a_sharp_crest_show_no_soil_of_no_dump() -> None:
    """Accepted from cells of 60 mm, half a cell off; then 20 mm show the crest 2 cm higher."""
    every = np.arange(SIDE * SIDE)
    watch, rng = DisturbanceWatch(Canvas(SQUARE, every)), np.random.default_rng(1)
    noise = GridNoise(0.003, 0.0)
    watch.accept(every, ridge_seen_m(0.06, 0.5), np.full(SIDE * SIDE, 50.0), 0)
    nobody, found, stamp_ns = np.zeros(SIDE * SIDE, dtype=bool), list[Change](), 0
    for cell_m, phase, looks in ((0.06, 0.5, 4), (0.02, 0.0, 20)):
        true_m = ridge_seen_m(cell_m, phase)
        for _ in range(looks):
            stamp_ns += 1_000_000_000
            measured = true_m + noise.total_m * rng.standard_normal(SIDE * SIDE)
            level, planar_m = watch.level(measured, nobody)
            found += watch.look(
                level, planar_m, true_m, np.full(SIDE * SIDE, 10.0), nobody,
                ground_m=np.zeros(SIDE * SIDE), noise=replace(noise, cell_m=cell_m),
                shift_error_m=0.001, stamp_ns=stamp_ns)
    assert not found
