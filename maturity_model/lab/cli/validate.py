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
    refuse,
)

#: Options that are whole numbers: the field of the settings, the limits, and what it means.
_SIZES = {
    "tanks": ("tanks", 4, 100_000, "scored tanks of each case"),
    "clubs": ("clubs", 1, 1000, "clubs that they are spread over"),
    "own-tanks": ("own_tanks", 4, 100_000, "tanks of the model's own world"),
    "own-clubs": ("own_clubs", 1, 1000, "their clubs, each with parameters of its own"),
    "weeks": ("weeks", 12, 300, "scored weeks of each tank"),
    "training": ("training", 8, 100_000, "further tanks, for the baselines and the ceiling"),
    "permission-tanks": ("permission_tanks", 1, 100_000,
                         "further tanks of each case, asked every week about animals"),
    "seed": ("seed", 0, 100_000, "seed"),
    "fit-tanks": ("fit_tanks", 0, 10_000, "also fit this number of further tanks of each ecology's "
                  "cases, without judgements and with a fifth judged"),
    "draws": ("fit_draws", 50, 100_000, "of each chain of a fit"),
    "tune": ("fit_tune", 50, 100_000, "likewise"),
    "chains": ("fit_chains", 1, 64, "of each fit"),
}  # fmt: skip


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    from maturity_model.lab.validation.cases import Settings

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
    for option, words in (
        ("case", "only this case or group (own, mechanistic, microcosm, mesocosm, broken)"),
        ("fit-case", "fit only in this case of an ecology (default: in all of them)"),
    ):
        parser.add_argument(
            f"--{option}",
            action="append",
            default=[],
            metavar="NAME",
            help=f"{words}; may be repeated",
        )
    for option, (field, least, most, words) in _SIZES.items():
        parser.add_argument(
            f"--{option}",
            dest=field,
            type=integer(least, most),
            default=Settings._field_defaults[field],
            metavar="N",
            help=f"{words} (default: %(default)s)",
        )
    parser.add_argument(
        "--permissions-only",
        action="store_true",
        help="ask about animals again, and leave all else in the report of --out as it is",
    )
    parser.add_argument(
        "--moves",
        choices=("auto", "practice", "learned"),
        default="auto",
        help="how tanks move under a fitted population, as in fit (default: %(default)s)",
    )


def _wrong(args: argparse.Namespace, fittable: set[str]) -> str:
    """Errors in the options, as text; empty if there are none."""
    for tanks, clubs in ((args.tanks, args.clubs), (args.own_tanks, args.own_clubs)):
        if tanks < clubs:
            return f"{tanks} tanks are too few for {clubs} clubs"
    if unknown := sorted(set(args.fit_case) - fittable):
        return f"--fit-case {unknown[0]!r} is no ecology's case of this run"
    return ""


def run(args: argparse.Namespace, command: str) -> int:
    """Run the cases and write the report; the exit code."""
    from maturity_model.lab.validation.optional import lacking_packages

    if lacking := lacking_packages(fit=args.fit_tanks > 0):
        return refuse(lacking, USAGE)
    from maturity_model.lab.validation import page, report_files, study
    from maturity_model.lab.validation.cases import ECOLOGIES, Settings, cases
    from maturity_model.lab.validation.tables import permission_tables, summarize_results
    from maturity_model.population import PopulationError, PopulationMismatch, load_population

    try:
        chosen = cases(args.case)
        population = load_population(args.population)
    except ValueError as error:
        return refuse(error, MISMATCH if isinstance(error, PopulationError) else USAGE)
    if wrong := _wrong(args, {c.name for c in chosen if c.group in ECOLOGIES}):
        return refuse(wrong, USAGE)
    sizes = {field: getattr(args, field) for field, *_ in _SIZES.values()}
    settings = Settings(**sizes, fit_moves=args.moves, fit_cases=tuple(args.fit_case))
    work, say = args.work or args.out / ".cases", progress()
    try:
        if args.permissions_only:
            tables, earlier, made_by = report_files.read_report(args.out)
            # All else is as it was, so that a full run would give the same numbers.
            settings = earlier._replace(permission_tanks=args.permission_tanks)
            command = f"{made_by.partition(' && ')[0]} && {command}"
            tables |= permission_tables(
                {c.name: study.ask_permissions(c, settings, population, work, say) for c in chosen}
            )
        else:
            tables = summarize_results(chosen, study.run(chosen, settings, population, work, say))
        report_files.write_report(tables, settings, args.out, command)
    except PopulationMismatch as error:
        return refuse(error, MISMATCH)
    except report_files.NoReport as error:
        return refuse(error, USAGE)
    except OSError as error:
        return cannot_write(args.out, error)
    for miss in page.missed(tables):
        print(miss)
    print(f"Report: {args.out / 'README.md'}")
    return DONE
