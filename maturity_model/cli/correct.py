"""``maturity-model correct``: one entry of a logbook put right."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import date
from maturity_model.cli.edits import run_edit
from maturity_model.identity import fold


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Correct one check-in or event: name it by its tank and date (and the kind of the "
        "event), or by its file and line, then say what is right. The table as it was is kept "
        "in LOGBOOK/backup."
    )
    parser.epilog = (
        "Examples: correct LOGBOOK --tank Reef --date 2026-03-01 --set diatoms=n note= ; "
        "correct LOGBOOK --row events.csv:7 --remove. "
        "Exit codes: 0 done; 2 usage; 3 the entry cannot be corrected so."
    )
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder of CSV files")
    parser.add_argument(
        "--set",
        dest="cells",
        nargs="+",
        default=[],
        type=_cell,
        metavar="COLUMN=VALUE",
        help="what is right, such as diatoms=seen; nothing behind = leaves the cell blank",
    )
    parser.add_argument("--tank", default="", help="the entry's tank")
    parser.add_argument("--date", type=date, help="the entry's day, as 2026-03-01")
    parser.add_argument("--event", default="", metavar="KIND", help="for an event, its kind")
    parser.add_argument(
        "--row", type=_row, metavar="FILE:LINE", help="instead of these, such as checkins.csv:12"
    )
    parser.add_argument("--remove", action="store_true", help="remove the entry")
    parser.set_defaults(usage=parser.error)


def _cell(text: str) -> tuple[str, str]:
    column, equals, value = text.partition("=")
    if not equals:
        raise argparse.ArgumentTypeError(f"{text!r} is not like diatoms=n")
    return column, value


def _row(text: str) -> tuple[str, int]:
    file, _, line = text.rpartition(":")
    if not (line.isascii() and line.isdigit()):
        raise argparse.ArgumentTypeError(f"{text!r} is not like checkins.csv:12")
    return fold(Path(file).stem), int(line)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook.correct import correct_entry

    if bool(args.cells) == args.remove:
        args.usage("say what is right, such as --set diatoms=n, or --remove")
    if bool(args.row) == bool(args.tank or args.date or args.event):
        args.usage("name the entry by --tank and --date, or by --row")
    if not args.row and not (args.tank and args.date):
        args.usage("name both --tank and --date")

    def correct() -> None:
        done = correct_entry(
            args.logbook,
            dict(args.cells),
            tank=args.tank,
            date=args.date,
            event=args.event,
            row=args.row,
            remove=args.remove,
        )
        for change in done.changes:
            print(f"{done.place}: {change.column} was {change.old!r}, is now {change.new!r}")
        if not done.changes:
            print(f"{done.place}: {'removed' if args.remove else 'says so already'}")
        for backup in done.backups:
            print(f"As it was before: {args.logbook / backup}")

    return run_edit(correct, args.logbook, "nothing was corrected")
