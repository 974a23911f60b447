# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is done on the robot: messages, the nodes and their parameters, the live screen."""
