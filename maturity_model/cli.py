"""The command line: thin, and it imports only what a command needs."""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import io
import os
import shlex
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model import __version__

if TYPE_CHECKING:
    from maturity_model.assessment.plan import Plan
    from maturity_model.population.fit import FitResult
    from maturity_model.population.loo import LeaveOneOut

#: Exit codes, as documented in the README.
DONE, USAGE, LOG_ERRORS, MISMATCH, DIAGNOSTICS, INTERRUPTED = 0, 2, 3, 4, 5, 130
#: Problems listed on stderr; the rest is counted and stands in the report.
MAX_LISTED = 40


def _say(message: str) -> None:
    # Names in a log may hold what a terminal would obey.
    print(
        "".join(c if c.isprintable() or c == "\n" else "\ufffd" for c in message), file=sys.stderr
    )


def _keep_memory() -> None:
    # Every tank needs the same large arrays again: without this, glibc hands them back to
    # the system between tanks and each page is faulted in anew (a fifth of the run).
    import ctypes

    with contextlib.suppress(OSError, AttributeError, TypeError):
        libc = ctypes.CDLL(None)
        libc.mallopt(-3, 2**30)  # M_MMAP_THRESHOLD
        libc.mallopt(-1, 2**31 - 1)  # M_TRIM_THRESHOLD


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date like 2026-03-31") from None


def _weekly(args: argparse.Namespace, command: str) -> int:
    from maturity_model.logbook import LogbookError, read_logbook
    from maturity_model.population import PopulationError, PopulationMismatch, load_population

    try:
        logbook = read_logbook(args.logbook)
    except LogbookError as error:
        _say(f"maturity-model: {error}")
        return LOG_ERRORS
    listed = [p for p in logbook.problems if p.severity == "error"]
    for problem in listed[:MAX_LISTED]:
        _say(str(problem))
    if len(listed) > MAX_LISTED:
        _say(f"... and {len(listed) - MAX_LISTED} more problems, all listed in index.html")
    plans: tuple[Plan, ...] = ()
    if args.what_if:
        from maturity_model.assessment.plan import PlanError, parse_plan

        try:
            plans = tuple(parse_plan(text, logbook.catalogue) for text in args.what_if)
        except PlanError as error:
            _say(f"maturity-model: --if: {error}")
            return USAGE
    try:
        population = load_population(args.population)
    except PopulationError as error:
        _say(f"maturity-model: {error}")
        return MISMATCH

    from maturity_model.assessment import assess
    from maturity_model.panel import build_panel
    from maturity_model.report import text_summary, write_reports

    _keep_memory()
    if args.as_of is not None and args.as_of > dt.date.today():
        _say(f"maturity-model: --as-of {args.as_of} lies in the future")
        return USAGE
    panel = build_panel(logbook, as_of=args.as_of)
    if not panel.tanks and not logbook.refused_tanks:
        _say("maturity-model: the log holds no tank that had been started by that day")
        return LOG_ERRORS
    try:
        assessment = assess(
            panel,
            population,
            evidence_weight=args.evidence_weight,
            questions=args.all,
            plans=plans,
        )
    except PopulationMismatch as error:
        _say(f"maturity-model: {error}")
        return MISMATCH
    try:
        write_reports(assessment, args.out, command)
    except OSError as error:
        _say(f"maturity-model: cannot write to {args.out}: {error.strerror or error}")
        return USAGE
    print(text_summary(assessment))
    print(f"Report: {args.out / 'index.html'}")
    if logbook.refused_tanks:
        _say(
            "maturity-model: not assessed, because of errors in the log: "
            + ", ".join(logbook.refused_tanks)
        )
        return LOG_ERRORS
    if any(p.scope == "file" and "checkins" in p.file.lower() for p in listed):
        _say("maturity-model: the check-ins could not be read, so the answers rest on events alone")
        return LOG_ERRORS
    return DONE


def _elicit(args: argparse.Namespace, command: str) -> int:
    from maturity_model.catalogue import load_catalogue
    from maturity_model.population import elicit_population, save_population

    population = elicit_population(
        load_catalogue(), args.evidence_weight, n_draws=args.draws, seed=args.seed
    )
    try:
        save_population(population, args.out)
    except OSError as error:
        _say(f"maturity-model: cannot write {args.out}: {error.strerror or error}")
        return USAGE
    print(f"{args.out}: {population.n_draws} draws from the catalogue's priors")
    return DONE


def _evidence_weight(args: argparse.Namespace, command: str) -> int:
    from maturity_model.studies import evidence_weight as study

    show = sys.stderr.isatty()
    scores = study.run(
        args.tanks, args.weeks, args.seed, lambda message: _say(message) if show else None
    )
    try:
        study.write(scores, args.out, args.tanks, args.weeks, args.seed)
    except OSError as error:
        _say(f"maturity-model: cannot write to {args.out}: {error.strerror or error}")
        return USAGE
    print(f"chosen evidence weight: {study.choose(scores):g}")
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _surprise(args: argparse.Namespace, command: str) -> int:
    from maturity_model.studies import surprise as study

    show = sys.stderr.isatty()
    results = study.run(
        args.tanks, args.weeks, args.seed, lambda message: _say(message) if show else None
    )
    try:
        study.write(results, args.out, args.tanks, args.weeks, args.seed)
    except OSError as error:
        _say(f"maturity-model: cannot write to {args.out}: {error.strerror or error}")
        return USAGE
    for r in results:
        print(f"shifts {r.shifts}: {r.quiet.per_year:.2f} false alarms per tank-year")
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _reliability(args: argparse.Namespace, command: str) -> int:
    from maturity_model.studies import reliability as study
    from maturity_model.studies import reliability_report as report

    show = sys.stderr.isatty()
    tallies = study.run(
        args.tanks, args.weeks, args.seed, lambda message: _say(message) if show else None
    )
    try:
        report.write(tallies, args.out, args.tanks, args.weeks, args.seed)
    except OSError as error:
        _say(f"maturity-model: cannot write to {args.out}: {error.strerror or error}")
        return USAGE
    for miss in report.missed(tallies):
        print(f"missed: {miss}")
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _fit_study(args: argparse.Namespace, command: str) -> int:
    import importlib

    from maturity_model.population.fit_command import missing_modules

    if lacking := missing_modules():
        _say(f"maturity-model: {', '.join(lacking)} not installed; this study needs the extra fit")
        return USAGE
    study = importlib.import_module(f"maturity_model.studies.{args.study}")
    show = sys.stderr.isatty()

    def say(message: str) -> None:
        if show:
            _say(message)

    try:
        if args.study == "agreement":
            found = study.run(args.tanks, args.pool, args.weeks, args.seed, args.draws, say)
            study.write(found, args.out, args.pool, args.weeks, args.seed, args.draws)
        else:
            size = args.tanks, args.weeks, args.seed
            names, rows = study.run(args.replications, *size, args.out, say)
            study.write(names, rows, study.setting(*size), args.out)
    except OSError as error:
        _say(f"maturity-model: cannot write to {args.out}: {error.strerror or error}")
        return USAGE
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _fit(args: argparse.Namespace, command: str) -> int:
    from maturity_model.population.fit_command import fit_command
    from maturity_model.population.sampling import SamplingPlan, choose_sampler

    plan = SamplingPlan(
        draws=args.draws,
        tune=args.tune,
        chains=args.chains,
        seed=args.seed,
        sampler=choose_sampler(),
        cores=args.cores,
    )

    def report(result: FitResult, loo: LeaveOneOut) -> str:
        from maturity_model.report.pooled_report import write_pooled_report

        return str(write_pooled_report(result, loo, args.report, command))

    return fit_command(
        args.logbook,
        args.out,
        plan=plan,
        evidence_weight=args.evidence_weight,
        report=report if args.report else None,
    )


def _folder(text: str) -> Path:
    if not text.strip():
        raise argparse.ArgumentTypeError("name a folder; use . for this one")
    return Path(text)


def _share(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number between 0 and 1")
    return value


def _whole(low: int, high: int) -> Callable[[str], int]:
    def number(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
        return int(text)

    return number


def _parser() -> argparse.ArgumentParser:
    from maturity_model.population.constants import (
        DEFAULT_DRAWS,
        DEFAULT_EVIDENCE_WEIGHT,
        DEFAULT_SEED,
    )

    parser = argparse.ArgumentParser(
        prog="maturity-model",
        description="How mature is each marine tank, week by week, judged from its log.",
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    weekly = commands.add_parser(
        "weekly",
        help="read a logbook and write a report for every tank",
        description="Read a logbook, check it, and write a probability report for every tank.",
        epilog="Exit codes: 0 done; 2 usage; 3 the log has errors that keep a tank from being "
        "assessed; 4 population and log do not fit together; 5 diagnostics failed; "
        "130 interrupted.",
    )
    weekly.add_argument("logbook", type=Path, metavar="LOGBOOK", help="a folder, or an .xlsx file")
    weekly.add_argument("--out", type=_folder, required=True, metavar="DIR", help="where to write")
    weekly.add_argument(
        "--as-of", type=_date, metavar="DATE", help="ignore everything later than YYYY-MM-DD"
    )
    weekly.add_argument(
        "--population", type=Path, metavar="FILE", help="a population (default: practice alone)"
    )
    weekly.add_argument(
        "--evidence-weight",
        type=_share,
        metavar="W",
        help="power on the likelihood of signs and readings, 0 to 1 (default: the population's)",
    )
    weekly.add_argument(
        "--all",
        action="store_true",
        help="also what to do, surprises, why, what if, time to mature, and where to look next",
    )
    weekly.add_argument(
        "--if",
        dest="what_if",
        action="append",
        default=[],
        metavar="EVENT[=AMOUNT]",
        help="risk and time to mature if this happened today, for example overfeeding=3; or from "
        "now on, for example water_change=20/2w or water_change=none; may be given again",
    )
    weekly.set_defaults(run=_weekly)

    elicit = commands.add_parser(
        "elicit",
        help="make a population from the catalogue's priors",
        description="Draw a population from the catalogue's priors and write it as NetCDF. "
        "With the default options it is the population that ships with the program.",
    )
    elicit.add_argument("--out", type=Path, required=True, metavar="FILE")
    elicit.add_argument("--draws", type=_whole(32, 100_000), default=DEFAULT_DRAWS, metavar="N")
    elicit.add_argument("--seed", type=_whole(0, 2**32), default=DEFAULT_SEED, metavar="SEED")
    elicit.add_argument(
        "--evidence-weight",
        type=_share,
        default=DEFAULT_EVIDENCE_WEIGHT,
        metavar="W",
        help="as chosen by the study in reports/evidence_weight (default: %(default)s)",
    )
    elicit.set_defaults(run=_elicit)

    fit = commands.add_parser(
        "fit",
        help="learn a population from logbooks (needs the extra 'fit')",
        description="Fit the pooled model to logbooks by Hamiltonian Monte Carlo and write the "
        "population as NetCDF. Finished chains are kept: an interrupted fit goes on where it "
        "stopped. Exit code 5 when a check fails: convergence, or the drift of the phases.",
    )
    fit.add_argument("logbook", type=Path, nargs="+", metavar="LOGBOOK")
    fit.add_argument("--out", type=Path, required=True, metavar="FILE")
    fit.add_argument(
        "--report", type=Path, metavar="DIR", help="also write a report for researchers"
    )
    fit.add_argument("--draws", type=_whole(50, 100_000), default=800, metavar="N")
    fit.add_argument("--tune", type=_whole(50, 100_000), default=500, metavar="N")
    fit.add_argument("--chains", type=_whole(1, 64), default=4, metavar="N")
    fit.add_argument("--cores", type=_whole(1, 64), default=2, metavar="N")
    fit.add_argument("--seed", type=_whole(0, 2**32), default=1, metavar="SEED")
    fit.add_argument("--evidence-weight", type=_share, default=DEFAULT_EVIDENCE_WEIGHT, metavar="W")
    fit.set_defaults(run=_fit)

    study = commands.add_parser(
        "study", help="rerun a study whose result is committed under reports/"
    )
    studies = study.add_subparsers(dest="study", required=True, metavar="STUDY")
    weight = studies.add_parser(
        "evidence-weight",
        help="which power on the likelihood predicts best",
        description="Simulate tanks with ways of their own, and score evidence weights on them. "
        "Takes some minutes.",
    )
    weight.add_argument("--out", type=Path, required=True, metavar="DIR")
    weight.add_argument("--tanks", type=_whole(6, 100_000), default=240, metavar="N")
    weight.add_argument("--weeks", type=_whole(10, 1000), default=60, metavar="N")
    weight.add_argument("--seed", type=_whole(0, 2**32), default=7, metavar="SEED")
    weight.set_defaults(run=_evidence_weight)
    surprise = studies.add_parser(
        "surprise",
        help="false alarms of the surprises, and collapses they catch",
        description="Simulate tanks, some of which collapse, and count the alarms. "
        "Takes some minutes.",
    )
    surprise.add_argument("--out", type=Path, required=True, metavar="DIR")
    surprise.add_argument("--tanks", type=_whole(6, 100_000), default=200, metavar="N")
    surprise.add_argument("--weeks", type=_whole(10, 1000), default=60, metavar="N")
    surprise.add_argument("--seed", type=_whole(0, 2**32), default=2028, metavar="SEED")
    surprise.set_defaults(run=_surprise)
    reliability = studies.add_parser(
        "reliability",
        help="whether stated probabilities come true, and beat simpler ways of judging",
        description="Simulate tanks, state the phase and the risk of slipping back in every "
        "week, and compare with the truth. Takes some minutes.",
    )
    reliability.add_argument("--out", type=Path, required=True, metavar="DIR")
    # No fewer than the clubs of both halves.
    reliability.add_argument("--tanks", type=_whole(60, 100_000), default=300, metavar="N")
    reliability.add_argument("--weeks", type=_whole(10, 1000), default=60, metavar="N")
    reliability.add_argument("--seed", type=_whole(0, 2**32), default=2030, metavar="SEED")
    reliability.set_defaults(run=_reliability)
    for name, text, replications, tanks, weeks, seed in (
        ("agreement", "weekly updates against full refits", 0, 20, 40, 53),
        ("coverage", "how often the fit's intervals hold the truth", 20, 60, 60, 47),
        ("calibration", "simulation-based calibration of the fit", 200, 8, 20, 31),
    ):
        of_fit = studies.add_parser(name, help=f"{text} (needs the extra 'fit')")
        of_fit.add_argument("--out", type=Path, required=True, metavar="DIR")
        of_fit.add_argument("--tanks", type=_whole(2, 1000), default=tanks, metavar="N")
        of_fit.add_argument("--weeks", type=_whole(6, 1000), default=weeks, metavar="N")
        of_fit.add_argument("--seed", type=_whole(0, 2**31), default=seed, metavar="SEED")
        if replications:
            of_fit.add_argument(
                "--replications", type=_whole(2, 100_000), default=replications, metavar="N"
            )
        else:
            of_fit.add_argument("--pool", type=_whole(2, 1000), default=20, metavar="N")
            of_fit.add_argument("--draws", type=_whole(50, 100_000), default=400, metavar="N")
        of_fit.set_defaults(run=_fit_study)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Default: ``sys.argv[1:]``.

    Returns
    -------
    int
        An exit code.
    """
    argv = sys.argv[1:] if argv is None else list(argv)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that knows ASCII only gets the rest as escapes, not a traceback.
            stream.reconfigure(errors="backslashreplace")
    try:
        args = _parser().parse_args(argv)
        code = int(args.run(args, shlex.join(["maturity-model", *argv])))
        if sys.stdout is not None:
            sys.stdout.flush()
    except KeyboardInterrupt:
        _say("maturity-model: interrupted; files already written are whole")
        return INTERRUPTED
    except BrokenPipeError:
        # Whoever read the output has enough; the files were written before it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        # Whatever belongs to a file is told where it happens: this is standard output.
        _say(f"maturity-model: cannot write to standard output: {error.strerror or error}")
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return USAGE
    return code
