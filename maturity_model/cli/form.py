"""``maturity-model form``: a page to fill in once a week."""

from __future__ import annotations

import argparse
import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model.cli.common import (
    DONE,
    LOG_ERRORS,
    MISMATCH,
    USAGE,
    add_population,
    cannot_write,
    refuse,
    say,
)

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment
    from maturity_model.logbook.types import Logbook


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Write a form for the weekly check-in: one HTML file that works without a network, on "
        "a phone too. What it saves goes into the log with 'maturity-model add'. Or a sheet of "
        "paper, or reminders for a calendar."
    )
    parser.epilog = "Exit codes: 0 done; 2 usage; 3 the log cannot be read; 4 wrong population."
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder, or a workbook")
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="where to write; with --each, a folder"
    )
    parser.add_argument(
        "--calendar",
        type=Path,
        metavar="FILE",
        help="also, or instead, the next looks as a calendar to import, FILE.ics",
    )
    who = parser.add_mutually_exclusive_group()
    who.add_argument("--keeper", metavar="NAME", help="only this keeper's tanks (default: all)")
    who.add_argument("--each", action="store_true", help="one form for each keeper")
    parser.add_argument(
        "--paper", action="store_true", help="a sheet to print and fill in by hand instead"
    )
    add_population(parser)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook import LogbookError
    from maturity_model.logbook.edit import TO_FILES
    from maturity_model.logbook.read import Reader
    from maturity_model.population import PopulationError, PopulationMismatch, load_population

    if args.out is None and (args.each or args.paper or args.calendar is None):
        return refuse("--out says where to write the form", USAGE)
    try:
        reader = Reader(args.logbook)
        logbook = reader.read()
    except LogbookError as error:
        return refuse(error, LOG_ERRORS)
    keepers = list(dict.fromkeys(t.keeper for t in logbook.tanks.values()))
    if args.keeper is not None:
        args.keeper = reader.context.people.same(args.keeper) or args.keeper
    if args.keeper is not None and args.keeper not in keepers:
        known = ", ".join(k for k in keepers if k) or "none is named"
        return refuse(f"no tank is kept by {args.keeper!r}; keepers in the log: {known}", USAGE)
    if not logbook.tanks:
        return refuse("the log holds no tank that can be used", LOG_ERRORS)
    from maturity_model.assessment import assess
    from maturity_model.panel import build_panel
    from maturity_model.whole_files import write_file

    today = dt.date.today()
    try:
        population = load_population(args.population)
        # The most informative checks, and the cautions, as of the day when it is filled in.
        assessment = assess(build_panel(logbook, as_of=today), population, questions=True)
    except (PopulationError, PopulationMismatch) as error:
        return refuse(error, MISMATCH)
    if (sheet := reader.entries_in_a_workbook()) and args.out and not args.paper:
        say(f"{sheet}: `add` cannot write to it; {TO_FILES.format(args.logbook)}")
    decimal = "," if reader.context.decimal == "comma" else "."
    path = args.out or args.calendar
    try:
        for path, content in _files(args, assessment, logbook, decimal):
            path.parent.mkdir(parents=True, exist_ok=True)
            write_file(path, content)
            print(path)
    except OSError as error:
        return cannot_write(path, error)
    return DONE


def _files(
    args: argparse.Namespace, assessment: Assessment, logbook: Logbook, decimal: str
) -> Iterator[tuple[Path, bytes | str]]:
    """Each file that is asked for, and what goes into it."""
    from maturity_model.file_names import file_names
    from maturity_model.report.pages import form_page, paper_page
    from maturity_model.report.reminders import reminders

    wanted: dict[str | None, Path] = {args.keeper: args.out} if args.out else {}
    if args.each:
        keepers = list(dict.fromkeys(t.keeper for t in logbook.tanks.values()))
        names = file_names(k or "nobody" for k in keepers)
        wanted = {k: args.out / f"{names[k or 'nobody']}.html" for k in keepers}
    for keeper, path in wanted.items():
        if args.paper:
            yield path, paper_page(assessment, logbook, keeper)
        else:
            yield path, form_page(assessment, logbook, keeper, decimal)
    if args.calendar:
        now = dt.datetime.now(dt.UTC)
        yield args.calendar, reminders(assessment, args.keeper, now)
