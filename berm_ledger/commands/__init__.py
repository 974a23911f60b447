# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The commands of ``berm-ledger``, one module each: ``SUMMARY``, ``add_arguments`` and ``run``.

Importing a command costs nothing; what it needs is imported when it runs, so that ``check`` works
where bags cannot be read and no ROS is installed.
"""
