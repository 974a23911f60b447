# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger plan``: the order of work from where things stand."""

from __future__ import annotations

import argparse
import csv
from dataclasses import replace
import io
import math
from pathlib import Path
import sys
from typing import TYPE_CHECKING

from ..errors import naming_books, UsageError

if TYPE_CHECKING:
    from ..books import Row
    from ..pipeline import Pipeline
    from ..site_source import LoadedSite
    from ..targeting import Plan

ENDING = '.csv'
# Exit code where no complete order exists.
NOT_SERVED = 1
NO_SOIL = ('Every lane of the borrow areas is closed: but for a load that is aboard there is no '
           'soil left to dig.')
SUMMARY = 'write the order of work, load by load, with every approach'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument('site', metavar='SITE', help='site file (YAML)')
    parser.add_argument('--books', metavar='BOOKS',
                        help='books file, or the folder that holds books.sqlite; left out, '
                             'nothing stands yet')
    parser.add_argument('--out', required=True, metavar='FILE.csv',
                        help='file for the plan; one that is there is replaced')


def run(args: argparse.Namespace) -> int:
    """Plan, write the file, and say what it comes to and what cannot be served."""
    from ..offline.fresh import check_writable, write_whole
    from ..site_source import load_site
    from ..targeting import Ground, plan_work
    loaded = load_site(args.site)
    out = Path(args.out)
    check_writable(out)
    if out.suffix.lower() != ENDING:
        # A site file or books named here by mistake would be lost.
        msg = f'{out} does not end in {ENDING}: name a file for the plan, such as plan.csv'
        raise UsageError(msg)
    pipeline = _pipeline(loaded, args.site, args.books)
    plan = plan_work(loaded.site, rows_to_plan(pipeline), Ground(*pipeline.no_go()))
    write_whole(out, plan_csv(plan))
    no_soil = bool(plan.steps) and any(pipeline.lanes.values()) and pipeline.next_lane() is None
    note = f'{NO_SOIL}\n' if no_soil else ''
    sys.stdout.write(f'{plan.summary()}\n{note}written to {out}\n')
    return NOT_SERVED if no_soil or not plan.complete else 0


def _pipeline(loaded: LoadedSite, site_name: str, books: str | None) -> Pipeline:
    """Return the pipeline as the books leave it."""
    from ..books.journal import Journal
    from ..books.site_check import check_site, SiteFile
    from ..offline.opened import books_path
    from ..pipeline import Pipeline
    if books is None:
        return Pipeline(loaded.site)
    asked = SiteFile(Path(site_name).name, loaded.digest, loaded.text)
    path = books_path(books)
    with Journal.read(path) as journal:
        check_site(books, SiteFile.of(journal.meta), asked, 'name other books')
        entries, surfaces = tuple(journal.entries()), journal.surfaces()
    with naming_books(path):
        return Pipeline(loaded.site, entries=entries, surfaces=surfaces)


def rows_to_plan(pipeline: Pipeline) -> tuple[Row, ...]:
    """
    Return the rows with the loads still called for, also before anything was surveyed.

    Parameters
    ----------
    pipeline : Pipeline
        Books, new or as they were left.

    Returns
    -------
    tuple of Row
        Rows; before the datum with the volumes of the design, soil that berms share counted once.

    Raises
    ------
    UsageError
        A level crest over ground that is not known yet.

    """
    from ..design import design_quantities
    from ..targeting.loads import with_loads
    books = pipeline.books
    if books.datum_seq is None:
        known = pipeline.survey.target_heights_m()
        targets_m = [row.target_height_m for row in books.rows] if known is None else known
        books = with_loads(replace(books, rows=tuple(
            replace(row, target_height_m=float(target_m), target_volume_m3=quantity.volume_m3)
            for row, target_m, (_, quantity) in zip(
                books.rows, targets_m, design_quantities(pipeline.site)))))
    if any(math.isnan(row.target_height_m) for row in books.rows):
        msg = ('how many loads a level crest takes is not known before the ground is surveyed: '
               'name books that hold the survey with --books')
        raise UsageError(msg)
    return books.rows


def plan_csv(plan: Plan) -> str:
    """
    Return a plan as text, one line per load below the heading.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    str
        Text in the form of RFC 4180, but lines end with a line feed; five decimals.

    """
    from ..targeting import PLAN_COLUMNS
    out = io.StringIO()
    writer = csv.writer(out, lineterminator='\n')
    writer.writerow(PLAN_COLUMNS)
    for fields in plan.table():
        writer.writerow([f'{v:.5f}' if isinstance(v, float) else v for v in fields])
    return out.getvalue()
