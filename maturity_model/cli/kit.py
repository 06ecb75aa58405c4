"""``maturity-model kit``: a test kit or a probe that joins a logbook."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.asking import ask_kits, can_ask, lacking
from maturity_model.cli.common import USAGE, refuse
from maturity_model.cli.edits import run_edit

_NEEDED = ("analyte", "method")


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Say how a reading is taken, so that it is known to its kit's steps. Without --analyte "
        "it asks for each reading that has no kit yet. The table as it was is kept in "
        "LOGBOOK/backup."
    )
    parser.epilog = (
        "Example: kit LOGBOOK --analyte nitrate --method colour_chart --unit 'mg/L NO3' "
        "--steps '0;5;10;20;40'. Exit codes: 0 done; 2 usage; 3 the kit cannot be added."
    )
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder of CSV files")
    parser.add_argument("--keeper", default="", metavar="NAME", help="default: everybody")
    parser.add_argument("--analyte", default="", metavar="NAME", help="such as nitrate")
    parser.add_argument(
        "--method", default="", metavar="HOW", help="colour_chart, strip, photometer or probe"
    )
    parser.add_argument("--unit", default="", help="such as 'mg/L NO3' (default: the usual one)")
    parser.add_argument("--steps", default="", help="the colours of the chart, as '0;5;10'")


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook.begin import NewKit
    from maturity_model.logbook.extend import add_kits, reader_to_extend

    needed = lacking(args, _NEEDED)
    asks = needed and not args.analyte
    if needed and not (asks and can_ask()):
        return refuse(f"give {needed} (or neither, on a terminal, to be asked)", USAGE)

    def add() -> None:
        if asks:
            reader = reader_to_extend(args.logbook, "kits")
            known = {analyte for keeper, analyte in reader.kits.lines if keeper == args.keeper}
            rows = ask_kits(reader.context, args.keeper, known)
        else:
            rows = [NewKit(args.analyte, args.method, args.unit, args.steps, args.keeper)]
        backups = add_kits(args.logbook, rows)
        print(f"{args.logbook}: {', '.join(row.analyte for row in rows) or 'no kit'} added")
        for backup in backups:
            print(f"As it was before: {args.logbook / backup}")

    return run_edit(add, args.logbook, "nothing was added")
