"""``maturity-model pool``: logbooks into a pool that names nobody."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import (
    DONE,
    LOG_ERRORS,
    MISMATCH,
    USAGE,
    cannot_write,
    folder,
    progress,
    refuse,
    say,
)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Check many logbooks, merge tanks that are in two of them, replace names by keyed "
        "hashes, and write Parquet tables with a Frictionless descriptor and a Darwin Core "
        "archive. Names, notes and dates stay behind; README.md in the pool says what it still "
        "reveals. Exit code 3 when a logbook could not be read, or a keeper's no could stand in "
        "a part of it that was not read; the others are pooled."
    )
    parser.add_argument("logbook", type=Path, nargs="+", metavar="CLUB", help="a logbook")
    parser.add_argument("--out", type=folder, required=True, metavar="POOL")
    parser.add_argument(
        "--key-file",
        type=Path,
        metavar="KEY",
        help="made if it is not there; keep it, and give it to nobody (default: POOL.key beside "
        "the pool)",
    )
    parser.add_argument(
        "--consent-default",
        choices=("yes", "no"),
        help="what a blank in the column consent of tanks.csv means, and a logbook without that "
        "column (default: a blank is no; without the column you answer for it)",
    )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.pooling.command import make_pool, report_lines
    from maturity_model.pooling.descriptor import DESCRIPTOR
    from maturity_model.pooling.problems import PoolError, PoolMismatch

    try:
        report = make_pool(
            args.logbook,
            args.out,
            key_file=args.key_file,
            consent_default=args.consent_default and args.consent_default == "yes",
            progress=progress(),
        )
    except PoolError as error:
        return refuse(error, MISMATCH if isinstance(error, PoolMismatch) else USAGE)
    except OSError as error:
        return cannot_write(args.out, error)
    for club in report.clubs:
        for line in club.lines:
            say(f"{club.label}: {line}")
    print("\n".join(report_lines(report)))
    if report.new_key:
        print(f"Key, for this club only: {report.new_key}")
    if report.pool.tanks:
        print(f"Pool: {args.out}")
    elif (args.out / DESCRIPTOR).exists():
        print(f"The older pool {args.out} is as it was: delete it if a keeper in it now says no")
    withheld = [club for club in report.clubs if club.withheld]
    for club in withheld:
        say(
            f"maturity-model: {club.label} is not pooled, because a no to pooling could stand in "
            f"what was not read: {club.withheld}"
        )
    lost = [club.label for club in report.clubs if not club.readable]
    if lost:
        say(f"maturity-model: not pooled, because they cannot be read: {', '.join(lost)}")
    return LOG_ERRORS if lost or withheld or not report.pool.tanks else DONE
