"""``maturity-model serve``: the form and the report for the devices at home."""

from __future__ import annotations

import argparse
import signal
from pathlib import Path

from maturity_model.cli.common import DONE, LOG_ERRORS, MISMATCH, USAGE, refuse


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Show the form and the report in a browser, and save what the form sends, until "
        "Ctrl-C. Only this computer can see it, unless --host says otherwise; each device "
        "needs a code from this terminal, which works once. There is no encryption: use it "
        "in a network that you trust."
    )
    parser.epilog = "Exit codes: 0 ended; 2 usage; 3 the log cannot be read; 4 wrong population."
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder of CSV files")
    parser.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="this computer's address in the home network, for phones (default: %(default)s)",
    )
    parser.add_argument("--port", type=int, default=8765, metavar="N", help="default: %(default)s")
    parser.add_argument(
        "--population", type=Path, metavar="FILE", help="a population (default: practice alone)"
    )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook import LogbookError
    from maturity_model.logbook.edit import TO_FILES
    from maturity_model.logbook.read import Reader
    from maturity_model.population import PopulationError, load_population
    from maturity_model.serving.access import Access
    from maturity_model.serving.server import Server
    from maturity_model.serving.site import Site

    if args.logbook.is_file():
        what = f"{args.logbook}: is not a folder, so nothing can be added to it"
        return refuse(f"{what}; {TO_FILES.format(args.logbook)}", USAGE)
    try:
        reader = Reader(args.logbook)
        reader.read()
        if sheet := reader.entries_in_a_workbook():
            return refuse(
                f"{sheet}: nothing can be added to it; {TO_FILES.format(args.logbook)}", USAGE
            )
        population = load_population(args.population)
    except LogbookError as error:
        return refuse(error, LOG_ERRORS)
    except PopulationError as error:
        return refuse(error, MISMATCH)
    try:
        server = Server(
            args.host,
            args.port,
            answer=lambda request: site.answer(request),
            knows=lambda cookie: site.knows(cookie),
        )
    except (OSError, OverflowError) as error:
        return refuse(f"cannot listen at {args.host} port {args.port}: {error}", USAGE)
    with server:
        try:
            print(f"http://{args.host}:{server.server_port}/   (Ctrl-C ends it)", flush=True)
            site = Site(args.logbook, population, Access(_announce))
            server.serve_forever(poll_interval=0.2)
        except KeyboardInterrupt:
            # Closing takes a moment; a second Ctrl-C must not break into it.
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            print("\nEnded.")
    return DONE


def _announce(code: str) -> None:
    print(f"Code for the next device: {code}", flush=True)
