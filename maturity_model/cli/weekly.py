"""``maturity-model weekly``: a logbook in, a report for every tank out."""

from __future__ import annotations

import argparse
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model.cli.common import (
    LOG_ERRORS,
    MISMATCH,
    USAGE,
    add_evidence_weight,
    add_population,
    cannot_write,
    date,
    folder,
    refuse,
    say,
)
from maturity_model.cli.refused import list_problems, log_errors

if TYPE_CHECKING:
    from maturity_model.assessment import Assessment
    from maturity_model.population import Population


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = "Read a logbook, check it, and write a probability report for every tank."
    parser.epilog = (
        "Exit codes: 0 done; 2 usage; 3 a file, a sheet or a recent row of the log was refused "
        "(the last six weeks, or no date that can be read), while every tank is assessed that "
        "can be; 4 population and log do not fit together; 5 diagnostics failed; "
        "130 interrupted."
    )
    parser.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder, or a workbook")
    parser.add_argument(
        "--out",
        type=folder,
        metavar="DIR",
        help="where to write the pages; may be left out with --json or --only-news",
    )
    parser.add_argument(
        "--as-of",
        type=date,
        metavar="DATE",
        help="ignore everything later than YYYY-MM-DD (default: today)",
    )
    add_population(parser)
    parser.add_argument(
        "--key-file",
        type=Path,
        metavar="FILE",
        help="the secret that the population was made with, to recognise keepers of its pool",
    )
    add_evidence_weight(parser)
    parser.add_argument(
        "--brief",
        action="store_true",
        help="phase and risk alone, in about half the time: not what to do, surprises, why, what "
        "if, time to mature, or where to look next",
    )
    said = parser.add_mutually_exclusive_group()
    said.add_argument(
        "--verbose", action="store_true", help="say more of each tank than its one line"
    )
    said.add_argument(
        "--only-news",
        action="store_true",
        help="for a scheduled job: print a line for each tank that needs something, else nothing",
    )
    said.add_argument(
        "--json", action="store_true", help="print everything about all tanks as JSON instead"
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


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.assessment import assess
    from maturity_model.assessment.plan import PlanError, parse_plan
    from maturity_model.logbook import LogbookError, read_logbook
    from maturity_model.logbook.photos import kept_photos
    from maturity_model.panel import build_panel
    from maturity_model.population import PopulationError, PopulationMismatch
    from maturity_model.population.members import SecretError
    from maturity_model.report import write_reports

    if args.out is None and not (args.json or args.only_news):
        return refuse("--out is needed: where to write the pages", USAGE)
    try:
        logbook = read_logbook(args.logbook)
        if not args.only_news:
            list_problems(logbook)
        plans = tuple(parse_plan(text, logbook.catalogue) for text in args.what_if)
        population = _population(args.population, args.key_file)
        if args.as_of is not None and args.as_of > dt.date.today():
            return refuse(f"--as-of {args.as_of} lies in the future", USAGE)
        # As of today, like the form: how old a look or a reading is decides what may be advised.
        panel = build_panel(logbook, as_of=args.as_of or dt.date.today())
        if not panel.tanks and not logbook.refused_tanks:
            why = "the log holds no tank that had been started by that day"
            return _withdraw(args.out, why, LOG_ERRORS, command)
        assessment = assess(
            panel,
            population,
            evidence_weight=args.evidence_weight,
            questions=not args.brief,
            plans=plans,
        )
    except LogbookError as error:
        return _withdraw(args.out, error, LOG_ERRORS, command)
    except PlanError as error:
        return refuse(f"--if: {error}", USAGE)
    except SecretError as error:
        return refuse(f"--key-file: {error}", USAGE)
    except (PopulationError, PopulationMismatch) as error:
        return _withdraw(args.out, error, MISMATCH, command)
    try:
        if args.out is not None:
            names = (tank.tank.name for tank in assessment.tanks)
            photos = kept_photos(args.logbook, names)
            write_reports(assessment, args.out, command, photos)
    except OSError as error:
        return cannot_write(args.out, error)
    print(_summary(assessment, args, command), end="")
    return log_errors(logbook, assessment.provenance.as_of, "assessed")


def _withdraw(out: Path | None, why: object, code: int, command: str) -> int:
    """Refuse, and take back an older report: what it permits may no longer be true."""
    from maturity_model.report import withdraw_report

    refuse(why, code)
    if out is None:
        return code
    try:
        if withdraw_report(out, str(why), command):
            say(f"The report in {out} is withdrawn; index.html says why.")
    except OSError as error:
        cannot_write(out, error)
    return code


def _population(path: Path | None, key_file: Path | None) -> Population:
    """Read a population and unlock its keepers, if it has any and the secret is given."""
    from dataclasses import replace

    from maturity_model.population import load_population
    from maturity_model.population.members import SecretError, read_secret

    population = load_population(path)
    members = population.members
    if key_file is not None:
        if members is None:
            raise SecretError("the population knows no keepers")
        return replace(population, members=members.unlock(read_secret(key_file)))
    if members is not None and members.secret:
        say("maturity-model: keepers of the pool are recognised only with its secret (--key-file)")
    return population


def _summary(assessment: Assessment, args: argparse.Namespace, command: str) -> str:
    """What standard output says: what was asked for."""
    from maturity_model.report import report_json, text_summary

    if args.json:
        return report_json(assessment, command)
    if args.only_news:
        return text_summary(assessment, only_news=True)
    place = f"\nReport: {args.out / 'index.html'}\n"
    return text_summary(assessment, verbose=args.verbose) + place
