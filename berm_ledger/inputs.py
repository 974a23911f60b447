# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the pipeline takes in, each by the name of its topic: the role of a message."""

ELEVATION, POSE, DUMP, DRUM_CURRENT = 'elevation', 'pose', 'dump', 'drum_current'
