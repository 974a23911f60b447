# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is done away from the robot: bags, replay, tables, comparison, report."""
