"""``maturity-model new``: begin a logbook, by flags or by a few questions."""

from __future__ import annotations

import argparse
import datetime as dt

from maturity_model.cli.asking import (
    REQUIRED,
    add_tank_options,
    ask_kits,
    can_ask,
    lacking,
    tanks_from,
)
from maturity_model.cli.common import DONE, USAGE, cannot_write, folder, refuse


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Begin a logbook: a folder with tanks.csv, checkins.csv, events.csv and kits.csv. "
        "Without --tank and --started it asks, for the test kits too. It never writes over "
        "anything; 'maturity-model tank' and 'kit' add to it later."
    )
    parser.add_argument("logbook", type=folder, metavar="DIR", help="the folder to make")
    add_tank_options(parser)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.catalogue import load_catalogue
    from maturity_model.logbook.begin import BeginError, begin_logbook, check_free
    from maturity_model.logbook.columns import Context
    from maturity_model.logbook.problems import Collector

    needed = lacking(args, REQUIRED)
    catalogue, today = load_catalogue(), dt.date.today()
    context = Context(catalogue, Collector(), today)
    try:
        check_free(args.logbook)
        if needed and not can_ask():
            return refuse(f"give {needed} (there is no terminal to ask on)", USAGE)
        rows = tanks_from(args, context)
        kits = ask_kits(context) if needed else []
        made = begin_logbook(args.logbook, rows, catalogue, today, kits)
    except (BeginError, EOFError) as error:
        return refuse(error, USAGE)
    except OSError as error:
        return cannot_write(args.logbook, error)
    for path in made:
        print(path)
    if not kits:
        print(f"Test kits: maturity-model kit {args.logbook}")
    print(f"Next: maturity-model form {args.logbook} --out form.html")
    return DONE
