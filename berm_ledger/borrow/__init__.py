# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The borrow side of the books: where soil comes from, what a load weighs, does it add up."""
