# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Keep the books of a berm that a robot heaps up load by load."""

__version__ = '0.1.0'
