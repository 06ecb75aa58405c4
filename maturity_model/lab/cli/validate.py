"""``maturity-model validate``: the program against worlds where the truth is known."""

from __future__ import annotations

import argparse

from maturity_model.cli.common import (
    DONE,
    MISMATCH,
    USAGE,
    cannot_write,
    folder,
    integer,
    progress,
    say,
)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Simulate tanks whose true phase is known, and score the program, four simpler judges and "
        "a ceiling on the same logs. Takes minutes for each case; every case is kept as it "
        "finishes, and a rerun takes it up. Needs the extra 'validate', and 'fit' for --fit-tanks."
    )
    parser.add_argument("--out", type=folder, required=True, metavar="DIR")
    parser.add_argument(
        "--work",
        type=folder,
        metavar="DIR",
        help="where finished cases, fits and chains are kept (default: DIR of --out, .cases)",
    )
    parser.add_argument(
        "--population", metavar="FILE", help="a population (default: practice alone)"
    )
    parser.add_argument(
        "--case",
        action="append",
        default=[],
        metavar="NAME",
        help="only this case or group (own, mechanistic, microcosm, mesocosm, broken); may be "
        "repeated",
    )
    parser.add_argument("--tanks", type=integer(4, 100_000), default=80, metavar="N")
    parser.add_argument("--clubs", type=integer(1, 1000), default=10, metavar="N")
    parser.add_argument(
        "--own-tanks",
        type=integer(4, 100_000),
        default=400,
        metavar="N",
        help="tanks of the model's own world (default: %(default)s)",
    )
    parser.add_argument(
        "--own-clubs",
        type=integer(1, 1000),
        default=50,
        metavar="N",
        help="their clubs, each with parameters of its own (default: %(default)s)",
    )
    parser.add_argument("--weeks", type=integer(12, 300), default=60, metavar="N")
    parser.add_argument(
        "--training",
        type=integer(8, 100_000),
        default=200,
        metavar="N",
        help="further tanks, for the baselines and the ceiling (default: %(default)s)",
    )
    parser.add_argument("--seed", type=integer(0, 100_000), default=41, metavar="SEED")
    parser.add_argument(
        "--fit-tanks",
        type=integer(0, 10_000),
        default=0,
        metavar="N",
        help="also fit so many further tanks of each ecology's cases, without judgements and "
        "with a fifth judged (default: none)",
    )
    parser.add_argument(
        "--fit-case",
        action="append",
        default=[],
        metavar="NAME",
        help="fit only in this case of an ecology (default: in all of them); may be repeated",
    )
    parser.add_argument(
        "--moves",
        choices=("auto", "practice", "learned"),
        default="auto",
        help="how tanks move under a fitted population, as in fit (default: %(default)s)",
    )
    parser.add_argument("--draws", type=integer(50, 100_000), default=400, metavar="N")
    parser.add_argument("--tune", type=integer(50, 100_000), default=400, metavar="N")
    parser.add_argument("--chains", type=integer(1, 64), default=2, metavar="N")


def run(args: argparse.Namespace, command: str) -> int:
    """Run the cases and write the report; the exit code."""
    from maturity_model.lab.validation.optional import missing

    if lacking := missing(fit=args.fit_tanks > 0):
        extras = "the extras 'validate' and 'fit'" if args.fit_tanks else "the extra 'validate'"
        say(f"maturity-model: {', '.join(lacking)} not installed; this needs {extras}")
        return USAGE
    from maturity_model.lab.validation.cases import ECOLOGIES, Settings, cases
    from maturity_model.lab.validation.page import missed_criteria, write_report
    from maturity_model.lab.validation.study import run as run_cases
    from maturity_model.lab.validation.tables import summarize_results
    from maturity_model.population import PopulationError, PopulationMismatch, load_population

    try:
        chosen = cases(args.case)
    except ValueError as error:
        say(f"maturity-model: {error}")
        return USAGE
    try:
        population = load_population(args.population)
    except PopulationError as error:
        say(f"maturity-model: {error}")
        return MISMATCH
    for tanks, clubs in ((args.tanks, args.clubs), (args.own_tanks, args.own_clubs)):
        if tanks < clubs:
            say(f"maturity-model: {tanks} tanks are too few for {clubs} clubs")
            return USAGE
    fittable = {c.name for c in chosen if c.group in ECOLOGIES}
    if unknown := sorted(set(args.fit_case) - fittable):
        say(f"maturity-model: --fit-case {unknown[0]!r} is no ecology's case of this run")
        return USAGE
    settings = Settings(
        tanks=args.tanks,
        clubs=args.clubs,
        weeks=args.weeks,
        training=args.training,
        seed=args.seed,
        fit_tanks=args.fit_tanks,
        fit_draws=args.draws,
        fit_tune=args.tune,
        fit_chains=args.chains,
        fit_moves=args.moves,
        fit_cases=tuple(args.fit_case),
        own_tanks=args.own_tanks,
        own_clubs=args.own_clubs,
    )
    work = args.work or args.out / ".cases"
    try:
        results = run_cases(chosen, settings, population, work, progress())
        tables = summarize_results(chosen, results)
        write_report(tables, settings, args.out, command)
    except PopulationMismatch as error:
        say(f"maturity-model: {error}")
        return MISMATCH
    except OSError as error:
        return cannot_write(args.out, error)
    for miss in missed_criteria(tables["must_hold"]):
        print(miss)
    print(f"Report: {args.out / 'README.md'}")
    return DONE
