"""``maturity-model study``: rerun what is committed under ``reports/``."""

from __future__ import annotations

import argparse
import dataclasses
import importlib
import importlib.util
from pathlib import Path

from maturity_model.cli.common import DONE, USAGE, cannot_write, integer, progress, refuse
from maturity_model.lab.studies.settings import STUDIES, Setting


def _lacking(fits: bool) -> str:
    # Which packages are missing, and the extra that brings them; empty where none is.
    from maturity_model.fitting.command import missing_modules

    absent = [n for n in ("pandas", "matplotlib", "scipy") if importlib.util.find_spec(n) is None]
    for names, extra in ((missing_modules() if fits else (), "fit"), (absent, "validate")):
        if names:
            return f"{', '.join(names)} not installed; this study needs the extra {extra}"
    return ""


def _run(args: argparse.Namespace, command: str) -> int:
    """Run a study of the registry."""
    kind: type[Setting] = args.kind
    if lacking := _lacking(kind.fits):
        return refuse(lacking, USAGE)
    module = kind.study.replace("-", "_")
    study = importlib.import_module(f"maturity_model.lab.studies.{module}")
    setting = kind(**{f.name: getattr(args, f.name) for f in dataclasses.fields(kind)})
    try:
        results = study.run(setting, args.work, args.processes, progress())
        study.page(results, setting).write(args.out)
    except OSError as error:
        return cannot_write(args.out, error)
    for line in study.summary(results, setting):
        print(line)
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def _misfit(args: argparse.Namespace, command: str) -> int:
    if lacking := _lacking(fits=False):
        return refuse(lacking, USAGE)
    from maturity_model.lab.validation import misfits as study
    from maturity_model.lab.validation.cases import cases
    from maturity_model.population import load_population

    try:
        chosen = cases(args.case)
    except ValueError as error:
        return refuse(error, USAGE)
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
    if lacking := _lacking(fits=False):
        return refuse(lacking, USAGE)
    from maturity_model.lab.validation import practice as study

    try:
        taught = study.read_shifts(args.taught) if args.taught else None
    except (OSError, UnicodeDecodeError, ValueError) as error:
        return refuse(f"cannot use {args.taught}: {error}", USAGE)
    try:
        found = study.run(args.tanks, args.scored, progress(), taught)
        study.write(found, args.tanks, args.scored, args.out, command)
    except OSError as error:
        return cannot_write(args.out, error)
    print(f"Report: {args.out / 'README.md'}")
    return DONE


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command: a subcommand for each study."""
    parser.description = (
        "Rerun a study and write its page. Some take minutes, those that need the extra 'fit' up "
        "to hours: these keep what is finished, and a rerun takes it up."
    )
    studies = parser.add_subparsers(dest="study", required=True, metavar="STUDY")

    def add(name: str, about: str) -> argparse.ArgumentParser:
        study = studies.add_parser(name, help=about, description=f"{about[0].upper()}{about[1:]}.")
        study.add_argument("--out", type=Path, required=True, metavar="DIR")
        return study

    for kind, about in STUDIES.items():
        study = add(kind.study, about + (" (needs the extra 'fit')" if kind.fits else ""))
        study.add_argument(
            "--work",
            type=Path,
            default=Path("build", kind.study) if kind.fits else None,
            metavar="DIR",
            help="keep finished results here, for a rerun (default: %(default)s)",
        )
        study.add_argument("--processes", type=integer(1, 256), default=1, metavar="N")
        for field in dataclasses.fields(kind):
            option = f"--{field.name.replace('_', '-')}"
            if field.type == "bool":
                study.add_argument(option, action="store_true")
            else:
                limits = integer(field.metadata["least"], field.metadata["most"])
                study.add_argument(option, type=limits, default=field.default, metavar="N")
        study.set_defaults(run_study=_run, kind=kind)
    misfit = add("misfit", "how often a log is said to fit badly, with and without cause")
    misfit.add_argument("--tanks", type=integer(2, 100_000), default=40, metavar="N")
    misfit.add_argument("--own-tanks", type=integer(2, 100_000), default=200, metavar="N")
    misfit.add_argument("--case", action="append", default=[], metavar="NAME")
    misfit.add_argument("--seed", type=integer(0, 100_000), default=77, metavar="SEED")
    misfit.set_defaults(run_study=_misfit)
    practice = add("practice", "how practice's numbers were weighed with simulated ecologies")
    practice.add_argument("--tanks", type=integer(10, 10_000), default=80, metavar="N")
    practice.add_argument("--scored", type=integer(10, 10_000), default=80, metavar="N")
    practice.add_argument(
        "--taught",
        type=Path,
        metavar="FILE",
        help="score the shifts of an earlier run (its shifts.csv) instead of learning them again",
    )
    practice.set_defaults(run_study=_practice)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the chosen study; the exit code."""
    return int(args.run_study(args, command))
