"""``maturity-model study``: rerun what is committed under ``reports/``."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import DONE, USAGE, cannot_write, progress, say, whole


def _evidence_weight(args: argparse.Namespace, command: str) -> int:
    from maturity_model.lab.studies import evidence_weight as study

    scores = study.run(args.tanks, args.weeks, args.seed, progress())
    try:
        study.write(scores, args.out, args.tanks, args.weeks, args.seed)
    except OSError as error:
        return cannot_write(args.out, error)
    print(f"chosen evidence weight: {study.choose(scores):g}")
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _surprise(args: argparse.Namespace, command: str) -> int:
    from maturity_model.lab.studies import surprise as study

    results = study.run(args.tanks, args.weeks, args.seed, progress())
    try:
        study.write(results, args.out, args.tanks, args.weeks, args.seed)
    except OSError as error:
        return cannot_write(args.out, error)
    for r in results:
        print(f"shifts {r.shifts}: {r.quiet.per_year:.2f} false alarms per tank-year")
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _reliability(args: argparse.Namespace, command: str) -> int:
    from maturity_model.lab.studies import reliability as study
    from maturity_model.lab.studies import reliability_report as report

    tallies = study.run(args.tanks, args.weeks, args.seed, progress())
    try:
        report.write(tallies, args.out, args.tanks, args.weeks, args.seed)
    except OSError as error:
        return cannot_write(args.out, error)
    for miss in report.missed(tallies):
        print(f"missed: {miss}")
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _misfit(args: argparse.Namespace, command: str) -> int:
    from maturity_model.lab.validation import misfits as study
    from maturity_model.lab.validation.cases import cases
    from maturity_model.population import load_population

    try:
        chosen = cases(args.case)
    except ValueError as error:
        say(f"maturity-model: {error}")
        return USAGE
    sizes = args.own_tanks, args.tanks
    found = study.run(chosen, sizes, args.seed, load_population(), progress())
    try:
        study.write(found, args.seed, args.out, command)
    except OSError as error:
        return cannot_write(args.out, error)
    if "own" in found:
        print(f"false alarms: {100 * study.false_alarms(found['own']):.1f} % of tanks")
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _practice(args: argparse.Namespace, command: str) -> int:
    import importlib.util

    if importlib.util.find_spec("scipy") is None:
        say("maturity-model: scipy not installed; this study needs the extra fit")
        return USAGE
    from maturity_model.lab.validation import practice as study

    try:
        taught = study.read_shifts(args.taught) if args.taught else None
    except (OSError, UnicodeDecodeError, ValueError) as error:
        say(f"maturity-model: cannot use {args.taught}: {error}")
        return USAGE
    try:
        found = study.run(args.tanks, args.scored, progress(), taught)
        study.write(found, args.tanks, args.scored, args.out, command)
    except OSError as error:
        return cannot_write(args.out, error)
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _fit_study(args: argparse.Namespace, command: str) -> int:
    import importlib

    from maturity_model.fitting.command import missing_modules

    if lacking := missing_modules():
        say(f"maturity-model: {', '.join(lacking)} not installed; this study needs the extra fit")
        return USAGE
    study = importlib.import_module(f"maturity_model.lab.studies.{args.study}")
    report = progress()

    try:
        if args.study == "agreement":
            found = study.run(args.tanks, args.pool, args.weeks, args.seed, args.draws, report)
            study.write(found, args.out, args.pool, args.weeks, args.seed, args.draws)
        else:
            size = args.tanks, args.weeks, args.seed
            names, rows = study.run(args.replications, *size, args.out, report)
            study.write(names, rows, study.setting(*size), args.out)
    except OSError as error:
        return cannot_write(args.out, error)
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _pooling(args: argparse.Namespace, command: str) -> int:
    from maturity_model.fitting.command import missing_modules

    if lacking := missing_modules():
        say(f"maturity-model: {', '.join(lacking)} not installed; this study needs the extra fit")
        return USAGE
    from maturity_model.lab.studies import pooling, pooling_report, pooling_weight
    from maturity_model.lab.studies.pooling_worlds import Setting
    from maturity_model.population.constants import DEFAULT_WAY

    setting = Setting(
        pool=args.pool,
        held_out=args.tanks,
        weeks=args.weeks,
        seed=args.seed,
        draws=args.draws,
        tune=args.tune,
    )
    report = progress()
    try:
        folder = args.work
        kinds = pooling_weight.run(args.seed, args.weeks, folder, report, args.weight_clubs)
        rows = pooling.run(setting, args.clubs, folder, report, only_kept=args.only_kept)
        way = DEFAULT_WAY, pooling.AS_USED
        pooling_report.write(rows, kinds, setting, way, args.out)
    except OSError as error:
        return cannot_write(args.out, error)
    for v in pooling_report.verdicts(rows, *way, setting.seed):
        print(f"{'met' if v.met else 'missed'}: {v.what} ({v.mean:+.3f})")
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _identifiability(args: argparse.Namespace, command: str) -> int:
    from maturity_model.fitting.command import missing_modules

    if lacking := missing_modules():
        say(f"maturity-model: {', '.join(lacking)} not installed; this study needs the extra fit")
        return USAGE
    from maturity_model.lab.studies import identifiability as study
    from maturity_model.lab.studies import identifiability_report as report
    from maturity_model.lab.studies.identifiability_points import Setting

    setting = Setting(
        args.clubs, args.seed, args.tanks, args.weeks, args.longest, args.draws, args.tune
    )
    try:
        report.write(study.run(setting, args.work, progress()), setting, args.out)
    except OSError as error:
        return cannot_write(args.out, error)
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    studies = parser.add_subparsers(dest="study", required=True, metavar="STUDY")
    weight = studies.add_parser(
        "evidence-weight",
        help="which power on the likelihood predicts best",
        description="Simulate tanks with ways of their own, and score evidence weights on them. "
        "Takes some minutes.",
    )
    weight.add_argument("--out", type=Path, required=True, metavar="DIR")
    weight.add_argument("--tanks", type=whole(6, 100_000), default=240, metavar="N")
    weight.add_argument("--weeks", type=whole(10, 1000), default=60, metavar="N")
    weight.add_argument("--seed", type=whole(0, 2**32), default=7, metavar="SEED")
    weight.set_defaults(run_study=_evidence_weight)
    surprise = studies.add_parser(
        "surprise",
        help="false alarms of the surprises, and collapses they catch",
        description="Simulate tanks, some of which collapse, and count the alarms. "
        "Takes some minutes.",
    )
    surprise.add_argument("--out", type=Path, required=True, metavar="DIR")
    surprise.add_argument("--tanks", type=whole(6, 100_000), default=200, metavar="N")
    surprise.add_argument("--weeks", type=whole(10, 1000), default=60, metavar="N")
    surprise.add_argument("--seed", type=whole(0, 2**32), default=2028, metavar="SEED")
    surprise.set_defaults(run_study=_surprise)
    misfit = studies.add_parser(
        "misfit",
        help="how often a log is said to fit badly, with and without cause",
        description="Simulate tanks in worlds where the model is right, and where it is not, and "
        "ask whether their logs are said to fit badly. Takes some minutes.",
    )
    misfit.add_argument("--out", type=Path, required=True, metavar="DIR")
    misfit.add_argument("--tanks", type=whole(2, 100_000), default=40, metavar="N")
    misfit.add_argument("--own-tanks", type=whole(2, 100_000), default=200, metavar="N")
    misfit.add_argument("--case", action="append", default=[], metavar="NAME")
    misfit.add_argument("--seed", type=whole(0, 100_000), default=77, metavar="SEED")
    misfit.set_defaults(run_study=_misfit)
    practice = studies.add_parser(
        "practice",
        help="how practice's numbers were weighed with simulated ecologies",
        description="Shift practice until it tells the true phases of two simulated ecologies "
        "better, and score it on them and on a third. Takes about half an hour.",
    )
    practice.add_argument("--out", type=Path, required=True, metavar="DIR")
    practice.add_argument("--tanks", type=whole(10, 10_000), default=80, metavar="N")
    practice.add_argument("--scored", type=whole(10, 10_000), default=80, metavar="N")
    practice.add_argument(
        "--taught",
        type=Path,
        metavar="FILE",
        help="score the shifts of an earlier run (its shifts.csv) instead of teaching anew",
    )
    practice.set_defaults(run_study=_practice)
    reliability = studies.add_parser(
        "reliability",
        help="whether stated probabilities come true, and beat simpler ways of judging",
        description="Simulate tanks, state the phase and the risk of slipping back in every "
        "week, and compare with the truth. Takes some minutes.",
    )
    reliability.add_argument("--out", type=Path, required=True, metavar="DIR")
    # No fewer than the clubs of both halves.
    reliability.add_argument("--tanks", type=whole(60, 100_000), default=300, metavar="N")
    reliability.add_argument("--weeks", type=whole(10, 1000), default=60, metavar="N")
    reliability.add_argument("--seed", type=whole(0, 2**32), default=2030, metavar="SEED")
    reliability.set_defaults(run_study=_reliability)
    pooling = studies.add_parser(
        "pooling",
        help="which way of pooling finds the phases of further tanks (needs the extra 'fit')",
        description="Simulate clubs whose tanks have ways of their own, fit their pools in "
        "several ways, and score further tanks. Takes hours; fits are kept, and a rerun goes on.",
    )
    pooling.add_argument("--out", type=Path, required=True, metavar="DIR")
    pooling.add_argument(
        "--work",
        type=Path,
        default=Path("build", "pooling"),
        metavar="DIR",
        help="where fits and scores are kept (default: %(default)s)",
    )
    pooling.add_argument(
        "--only-kept", action="store_true", help="fit nothing, report what is kept"
    )
    for name, low, default in (
        ("clubs", 1, 2),
        ("pool", 5, 150),
        ("tanks", 2, 200),
        ("weeks", 10, 60),
        ("draws", 20, 250),
        ("tune", 50, 300),
        ("weight-clubs", 2, 12),
        ("seed", 0, 61),
    ):
        pooling.add_argument(f"--{name}", type=whole(low, 100_000), default=default, metavar="N")
    pooling.set_defaults(run_study=_pooling)
    learned = studies.add_parser(
        "identifiability",
        help="how many tanks and weeks until each parameter is learned (needs the extra 'fit')",
        description="Simulate clubs, fit them at several sizes, and say where each parameter's "
        "posterior is narrower than practice. Takes half an hour; fits are kept, and a rerun goes "
        "on.",
    )
    learned.add_argument("--out", type=Path, required=True, metavar="DIR")
    learned.add_argument(
        "--work",
        type=Path,
        default=Path("build", "identifiability"),
        metavar="DIR",
        help="where fits are kept (default: %(default)s)",
    )
    for name, low, default in (
        ("clubs", 1, 3),
        ("tanks", 5, 160),
        ("weeks", 6, 60),
        ("longest", 6, 104),
        ("draws", 20, 300),
        ("tune", 50, 300),
        ("seed", 0, 83),
    ):
        learned.add_argument(f"--{name}", type=whole(low, 100_000), default=default, metavar="N")
    learned.set_defaults(run_study=_identifiability)
    for name, text, replications, tanks, weeks, seed in (
        ("agreement", "weekly updates against full refits", 0, 20, 40, 53),
        ("coverage", "how often the fit's intervals hold the truth", 20, 60, 60, 47),
        ("calibration", "simulation-based calibration of the fit", 200, 8, 20, 31),
    ):
        of_fit = studies.add_parser(name, help=f"{text} (needs the extra 'fit')")
        of_fit.add_argument("--out", type=Path, required=True, metavar="DIR")
        of_fit.add_argument("--tanks", type=whole(2, 1000), default=tanks, metavar="N")
        of_fit.add_argument("--weeks", type=whole(6, 1000), default=weeks, metavar="N")
        of_fit.add_argument("--seed", type=whole(0, 2**31), default=seed, metavar="SEED")
        if replications:
            of_fit.add_argument(
                "--replications", type=whole(2, 100_000), default=replications, metavar="N"
            )
        else:
            of_fit.add_argument("--pool", type=whole(2, 1000), default=20, metavar="N")
            of_fit.add_argument("--draws", type=whole(50, 100_000), default=400, metavar="N")
        of_fit.set_defaults(run_study=_fit_study)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the chosen study; the exit code."""
    return int(args.run_study(args, command))
