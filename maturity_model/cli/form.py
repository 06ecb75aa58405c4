"""``maturity-model form``: a page to fill in once a week."""

from __future__ import annotations

import argparse
import datetime as dt
from pathlib import Path

from maturity_model.cli.common import (
    DONE,
    LOG_ERRORS,
    MISMATCH,
    USAGE,
    add_population,
    cannot_write,
    refuse,
)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Write a form for the weekly check-in: one HTML file that works without a network, on "
        "a phone too. What it saves goes into the log with 'maturity-model add'."
    )
    parser.epilog = "Exit codes: 0 done; 2 usage; 3 the log cannot be read; 4 wrong population."
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder, or a workbook")
    parser.add_argument(
        "--out",
        type=Path,
        required=True,
        metavar="FILE",
        help="where to write; with --each, a folder",
    )
    who = parser.add_mutually_exclusive_group()
    who.add_argument("--keeper", metavar="NAME", help="only this keeper's tanks (default: all)")
    who.add_argument("--each", action="store_true", help="one form for each keeper")
    add_population(parser)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook import LogbookError
    from maturity_model.logbook.read import Reader
    from maturity_model.population import PopulationError, PopulationMismatch, load_population

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
    from maturity_model.report.files import file_names
    from maturity_model.report.pages import form_page
    from maturity_model.whole_files import write_file

    today = dt.date.today()
    try:
        population = load_population(args.population)
        # The most informative checks, and the cautions, as of the day when it is filled in.
        assessment = assess(build_panel(logbook, as_of=today), population, questions=True)
    except (PopulationError, PopulationMismatch) as error:
        return refuse(error, MISMATCH)
    decimal = "," if reader.context.decimal == "comma" else "."
    wanted: dict[str | None, Path] = {args.keeper: args.out}
    if args.each:
        names = file_names(k or "nobody" for k in keepers)
        wanted = {k: args.out / f"{names[k or 'nobody']}.html" for k in keepers}
    try:
        for keeper, path in wanted.items():
            text = form_page(assessment, logbook, keeper, decimal)
            path.parent.mkdir(parents=True, exist_ok=True)
            write_file(path, text)
    except OSError as error:
        return cannot_write(args.out, error)
    for path in wanted.values():
        print(path)
    return DONE
