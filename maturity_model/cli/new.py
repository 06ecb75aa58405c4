"""``maturity-model new``: begin a logbook, by flags or by a few questions."""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from typing import TYPE_CHECKING

from maturity_model.cli.common import DONE, USAGE, cannot_write, folder, refuse, say

if TYPE_CHECKING:
    from maturity_model.logbook.begin import NewTank

#: Column of the tanks table, and how a terminal asks for it.
QUESTIONS = (
    ("tank", "Name of the tank"),
    ("started", "Started on (as 2026-03-25)"),
    ("keeper", "Its keeper (Enter: leave blank)"),
    ("rock", "Rock: dry, mixed or live (Enter: unknown)"),
    ("volume_l", "Volume in litres (Enter: unknown)"),
    ("sand_depth_mm", "Depth of the sand in mm, 0 for a bare bottom (Enter: unknown)"),
    ("club", "Club (Enter: none)"),
    ("consent", "May its log be pooled with others, without names? yes or no (Enter: no)"),
)
_REQUIRED = ("tank", "started")


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Begin a logbook: a folder with tanks.csv, checkins.csv, events.csv and kits.csv. "
        "Without --tank and --started it asks. It never writes over anything."
    )
    parser.add_argument("logbook", type=folder, metavar="DIR", help="the folder to make")
    parser.add_argument("--tank", metavar="NAME")
    parser.add_argument("--started", metavar="DATE", help="when water went in, as 2026-03-25")
    parser.add_argument("--keeper", default="", metavar="NAME")
    parser.add_argument("--rock", default="", metavar="KIND", help="dry, mixed or live")
    parser.add_argument("--volume", dest="volume_l", default="", metavar="LITRES")
    parser.add_argument("--sand-depth", dest="sand_depth_mm", default="", metavar="MM")
    parser.add_argument("--club", default="", metavar="NAME")
    parser.add_argument(
        "--consent", default="", metavar="YES", help="yes: the log may be pooled, without names"
    )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.catalogue import load_catalogue
    from maturity_model.logbook.begin import BeginError, NewTank, begin_logbook, check_tank

    catalogue, today = load_catalogue(), dt.date.today()
    given = {name: getattr(args, name) or "" for name, _ in QUESTIONS}
    try:
        if all(given[name] for name in _REQUIRED):
            rows = [NewTank(**given)]
            check_tank(rows[0], catalogue, today)
        elif sys.stdin is not None and sys.stdin.isatty():
            rows = _ask_all(given)
        else:
            lacking = " and ".join(f"--{n}" for n in _REQUIRED if not given[n])
            return refuse(f"give {lacking} (there is no terminal to ask on)", USAGE)
        made = begin_logbook(args.logbook, rows, catalogue, today)
    except (BeginError, EOFError) as error:
        return refuse(str(error) or "no answer; nothing was made", USAGE)
    except OSError as error:
        return cannot_write(args.logbook, error)
    for path in made:
        print(path)
    print(f"Next: maturity-model form {args.logbook} --out form.html")
    return DONE


def _ask_all(given: dict[str, str]) -> list[NewTank]:
    rows = [_ask_tank(given)]
    while _answer("Another tank? y or Enter for no").lower() in ("y", "yes"):
        # The next tank usually has the same keeper and club.
        same = {"keeper": rows[-1].keeper, "club": rows[-1].club}
        rows.append(_ask_tank(dict.fromkeys(given, "") | same))
    return rows


def _ask_tank(given: dict[str, str]) -> NewTank:
    """Ask for each missing field until the answer is valid."""
    from maturity_model.catalogue import load_catalogue
    from maturity_model.logbook.begin import BeginError, NewTank, check_tank

    catalogue, today = load_catalogue(), dt.date.today()
    known = dict(given)
    for name, question in QUESTIONS:
        while not known[name]:
            text = _answer(question)
            if not text and name not in _REQUIRED:
                break
            # Fill the other required fields with valid values, so that only this answer is checked.
            trial = {"tank": "tank", "started": today.isoformat()} | {name: text}
            try:
                check_tank(NewTank(**trial), catalogue, today)
            except BeginError as error:
                say(str(error))
                continue
            known[name] = text
    return NewTank(**known)


def _answer(question: str) -> str:
    # To standard error, because a program may read standard output.
    print(f"{question}: ", end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise EOFError("no answer; nothing was made")
    return line.strip()
