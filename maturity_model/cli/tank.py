"""``maturity-model tank``: a tank that joins a logbook."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.asking import REQUIRED, add_tank_options, can_ask, lacking, tanks_from
from maturity_model.cli.common import USAGE, refuse
from maturity_model.cli.edits import run_edit


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Add a tank to a logbook. Without --tank and --started it asks. The table as it was is "
        "kept in LOGBOOK/backup."
    )
    parser.epilog = "Exit codes: 0 done; 2 usage; 3 the tank cannot be added."
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder of CSV files")
    add_tank_options(parser)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook.extend import add_tanks, reader_to_extend

    needed = lacking(args, REQUIRED)
    if needed and not can_ask():
        return refuse(f"give {needed} (there is no terminal to ask on)", USAGE)

    def add() -> None:
        rows = tanks_from(args, reader_to_extend(args.logbook, "tanks").context)
        backups = add_tanks(args.logbook, rows)
        print(f"{args.logbook}: {', '.join(row.tank for row in rows)} added")
        for backup in backups:
            print(f"As it was before: {args.logbook / backup}")

    return run_edit(add, args.logbook, "nothing was added")
