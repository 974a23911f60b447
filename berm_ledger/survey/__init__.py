# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Measuring: grids, registration, the site surface, the datum, readings."""

from .grid import assert_grid_equal, ElevationGrid

__all__ = ['ElevationGrid', 'assert_grid_equal']
