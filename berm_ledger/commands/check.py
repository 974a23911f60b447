# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger check``: is this site file sound, and what does the design take."""

from __future__ import annotations

import argparse
import sys

SUMMARY = 'check a site file; print segments, design volume, mass and loads'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument('site', metavar='SITE', help='site file (YAML)')


def run(args: argparse.Namespace) -> int:
    """Check the site file and print what it says."""
    from ..borrow.lanes import areas_without_lanes
    from ..design.summary import check_lines
    from ..site_source import load_site
    from ..targeting.buried import buried_crests
    from ..targeting.coarse import coarse_loads
    site = load_site(args.site).site
    cautions = (*coarse_loads(site), *buried_crests(site), *areas_without_lanes(site))
    sys.stdout.write('\n'.join(check_lines(site, cautions)) + '\n')
    return 0
