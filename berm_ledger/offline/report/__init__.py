# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The as-built report: one page that holds everything, and its pictures beside it."""

from .writer import make_report, Report

__all__ = ['make_report', 'Report']
