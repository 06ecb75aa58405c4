"""``maturity-model template``: a spreadsheet to log in."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import DONE, LOG_ERRORS, USAGE, cannot_write, refuse


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Write an .xlsx with one sheet for each table of a logbook, drop-downs, checks and a "
        "legend. Filled in, it is a logbook."
    )
    parser.add_argument("--out", type=Path, required=True, metavar="FILE.xlsx")
    parser.add_argument(
        "--logbook",
        type=Path,
        metavar="LOGBOOK",
        help="fill in the tanks and kits of this logbook, and give its own signs a column",
    )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.catalogue import load_catalogue
    from maturity_model.logbook import LogbookError, read_logbook
    from maturity_model.logbook.template import tables_of, template_bytes
    from maturity_model.whole_files import write_file

    if args.out.suffix.lower() != ".xlsx":
        return refuse(f"{args.out}: name a file that ends in .xlsx", USAGE)
    if args.out.exists():
        return refuse(f"{args.out} is there already; it is not written over", USAGE)
    try:
        book = read_logbook(args.logbook) if args.logbook else None
        catalogue = book.catalogue if book else load_catalogue()
        data = template_bytes(catalogue, tables_of(book) if book else None)
    except LogbookError as error:
        return refuse(error, LOG_ERRORS)
    try:
        write_file(args.out, data, durable=True)
    except OSError as error:
        return cannot_write(args.out, error)
    print(args.out)
    if book and any(s.own for s in catalogue.signs.values()):
        print("Keep signs.csv in the same folder: the logbook has signs of its own.")
    return DONE
