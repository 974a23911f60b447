# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
# Compiled: native/gaps.c.
