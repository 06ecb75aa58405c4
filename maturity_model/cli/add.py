"""``maturity-model add``: a check-in file into a logbook."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import say
from maturity_model.cli.edits import run_edit


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Check a file of check-ins and events, such as the form saves, and append it to a "
        "logbook: all of it, or nothing. Adding a file twice changes nothing. The tables as "
        "they were are kept in LOGBOOK/backup."
    )
    parser.epilog = "Exit codes: 0 done; 2 usage; 3 something in the file cannot be used."
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="a CSV or zip file, as the form saves it"
    )
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder of CSV files")
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument(
        "--replace",
        dest="conflict",
        action="store_const",
        const="replace",
        default="refuse",
        help="where the log says otherwise of the same tank, day and observer (or event), put "
        "the new values in its place",
    )
    choice.add_argument(
        "--beside",
        dest="conflict",
        action="store_const",
        const="beside",
        help="where the log says otherwise, keep both rows: it was a second look, or event",
    )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook.add import add_file

    def add() -> None:
        added = add_file(args.file, args.logbook, conflict=args.conflict)
        for remark in added.remarks:
            say(remark)
        photos = f", {_many(added.photos, 'photo')}" if added.photos else ""
        events = _many(added.events, "event")
        print(
            f"{args.logbook}: {_many(added.checkins, 'check-in')}{photos} and {events} added",
            end="",
        )
        print(f", {added.replaced} replaced" if added.replaced else "", end="")
        print(f", {added.already} already there" if added.already else "")
        if added.columns:
            print(f"New columns in the check-ins: {', '.join(added.columns)}")
        for backup in added.backups:
            print(f"As it was before: {args.logbook / backup}")

    return run_edit(add, args.logbook, "nothing was added")


def _many(count: int, what: str) -> str:
    return f"{count} {what}" + ("" if count == 1 else "s")
