# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The operator's live screen: what is heard on the topics, drawn in characters."""
