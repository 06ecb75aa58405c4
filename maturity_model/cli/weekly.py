"""``maturity-model weekly``: a logbook in, a report for every tank out."""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import gc
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model.cli.common import (
    DONE,
    LOG_ERRORS,
    MISMATCH,
    USAGE,
    cannot_write,
    date,
    folder,
    say,
    share,
)

if TYPE_CHECKING:
    from maturity_model.assessment.plan import Plan

#: Bytes of address space that are laid out in huge pages.
_HEAP = 2**28
#: Problems listed on stderr; the rest is counted and stands in the report.
MAX_LISTED = 40


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = "Read a logbook, check it, and write a probability report for every tank."
    parser.epilog = (
        "Exit codes: 0 done; 2 usage; 3 the log has errors that keep a tank from being "
        "assessed; 4 population and log do not fit together; 5 diagnostics failed; "
        "130 interrupted."
    )
    parser.set_defaults(leave_at_once=True)
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder, or an .xlsx file")
    parser.add_argument("--out", type=folder, required=True, metavar="DIR", help="where to write")
    parser.add_argument(
        "--as-of", type=date, metavar="DATE", help="ignore everything later than YYYY-MM-DD"
    )
    parser.add_argument(
        "--population", type=Path, metavar="FILE", help="a population (default: practice alone)"
    )
    parser.add_argument(
        "--key-file",
        type=Path,
        metavar="FILE",
        help="the secret that the population was made with, to recognise keepers of its pool",
    )
    parser.add_argument(
        "--evidence-weight",
        type=share,
        metavar="W",
        help="power on the likelihood of signs and readings, 0 to 1 (default: the population's)",
    )
    parser.add_argument(
        "--brief",
        action="store_true",
        help="phase and risk alone, in about half the time: not what to do, surprises, why, what "
        "if, time to mature, or where to look next",
    )
    parser.add_argument(
        "--if",
        dest="what_if",
        action="append",
        default=[],
        metavar="EVENT[=AMOUNT]",
        help="risk and time to mature if this happened today, for example overfeeding=3; or from "
        "now on, for example water_change=20/2w or water_change=none; may be given again",
    )


def _keep_memory() -> None:
    # Every tank needs the same large arrays again: without this, glibc hands them back to
    # the system between tanks and each page is faulted in anew (a fifth of the run).
    import ctypes

    import numpy as np

    with contextlib.suppress(OSError, AttributeError, TypeError, MemoryError):
        libc = ctypes.CDLL(None)
        libc.mallopt(-3, 2**30)  # M_MMAP_THRESHOLD
        libc.mallopt(-1, 2**31 - 1)  # M_TRIM_THRESHOLD
        # One heap for all threads: that of a thread grows in small pages.
        libc.mallopt(-8, 1)  # M_ARENA_MAX
        # numpy asks for huge pages where an array is large. They stay so for what comes to
        # lie there later; none of it is used yet.
        np.empty(_HEAP, dtype=np.uint8)


@contextlib.contextmanager
def _in_haste() -> Iterator[None]:
    # Nearly everything a run makes, it keeps until its end: looking through all of it for
    # circular garbage again and again finds nothing and costs a twentieth of the run. And a
    # thread that comes back from a kernel should not wait long for its turn.
    garbage, turn = gc.get_threshold(), sys.getswitchinterval()
    gc.set_threshold(300_000, 50, 100)
    sys.setswitchinterval(2e-4)
    try:
        yield
    finally:
        gc.set_threshold(*garbage)
        sys.setswitchinterval(turn)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    with _in_haste():
        return _run(args, command)


def _run(args: argparse.Namespace, command: str) -> int:
    from maturity_model.logbook import LogbookError, read_logbook
    from maturity_model.population import PopulationError, PopulationMismatch, load_population

    try:
        logbook = read_logbook(args.logbook)
    except LogbookError as error:
        say(f"maturity-model: {error}")
        return LOG_ERRORS
    listed = [p for p in logbook.problems if p.severity == "error"]
    for problem in listed[:MAX_LISTED]:
        say(str(problem))
    if len(listed) > MAX_LISTED:
        say(f"... and {len(listed) - MAX_LISTED} more problems, all listed in index.html")
    plans: tuple[Plan, ...] = ()
    if args.what_if:
        from maturity_model.assessment.plan import PlanError, parse_plan

        try:
            plans = tuple(parse_plan(text, logbook.catalogue) for text in args.what_if)
        except PlanError as error:
            say(f"maturity-model: --if: {error}")
            return USAGE
    try:
        population = load_population(args.population)
    except PopulationError as error:
        say(f"maturity-model: {error}")
        return MISMATCH
    members = population.members
    if args.key_file is not None:
        from dataclasses import replace

        from maturity_model.population.members import SecretError, read_secret

        try:
            if members is None:
                raise SecretError("the population knows no keepers")
            population = replace(population, members=members.unlock(read_secret(args.key_file)))
        except SecretError as error:
            say(f"maturity-model: --key-file: {error}")
            return USAGE
    elif members is not None and members.secret:
        say("maturity-model: keepers of the pool are recognised only with its secret (--key-file)")

    from maturity_model.assessment import assess
    from maturity_model.panel import build_panel
    from maturity_model.report import text_summary, write_reports

    _keep_memory()
    if args.as_of is not None and args.as_of > dt.date.today():
        say(f"maturity-model: --as-of {args.as_of} lies in the future")
        return USAGE
    panel = build_panel(logbook, as_of=args.as_of)
    if not panel.tanks and not logbook.refused_tanks:
        say("maturity-model: the log holds no tank that had been started by that day")
        return LOG_ERRORS
    try:
        assessment = assess(
            panel,
            population,
            evidence_weight=args.evidence_weight,
            questions=not args.brief,
            plans=plans,
        )
    except PopulationMismatch as error:
        say(f"maturity-model: {error}")
        return MISMATCH
    args.assessment = assessment  # Whoever runs this lets go of it, or leaves at once.
    try:
        write_reports(assessment, args.out, command)
    except OSError as error:
        return cannot_write(args.out, error)
    print(text_summary(assessment))
    print(f"Report: {args.out / 'index.html'}")
    if logbook.refused_tanks:
        say(
            "maturity-model: not assessed, because of errors in the log: "
            + ", ".join(logbook.refused_tanks)
        )
        return LOG_ERRORS
    if not logbook.has_checkins or any(
        p.scope == "file" and "checkins" in p.file.lower() for p in listed
    ):
        say(
            "maturity-model: there are no check-ins that could be read, so the answers rest on "
            "events alone"
        )
        return LOG_ERRORS
    return DONE
