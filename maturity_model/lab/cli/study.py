"""``maturity-model study``: rerun what is committed under ``reports/``."""

from __future__ import annotations

import argparse
import dataclasses
import importlib
from pathlib import Path

from maturity_model.cli.common import DONE, USAGE, cannot_write, integer, progress, refuse
from maturity_model.lab.studies.settings import STUDIES, Setting
from maturity_model.lab.validation.optional import lacking_packages


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command: a subcommand for each study."""
    parser.description = (
        "Rerun a study and write its page. Some take minutes, those that need the extra 'fit' up "
        "to hours: these keep what is finished, and a rerun takes it up."
    )
    studies = parser.add_subparsers(dest="study", required=True, metavar="STUDY")

    for kind, about in STUDIES.items():
        words = about + (" (needs the extra 'fit')" if kind.fits else "")
        study = studies.add_parser(
            kind.study, help=words, description=f"{words[0].upper()}{words[1:]}."
        )
        study.add_argument("--out", type=Path, required=True, metavar="DIR")
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
            if field.type.startswith("tuple"):
                study.add_argument(option, action="append", default=[], metavar="NAME")
            else:
                limits = integer(field.metadata["least"], field.metadata["most"])
                study.add_argument(option, type=limits, default=field.default, metavar="N")
        study.set_defaults(kind=kind)


def run(args: argparse.Namespace, command: str) -> int:
    """Run the chosen study; the exit code."""
    kind: type[Setting] = args.kind
    if lacking := lacking_packages(kind.fits):
        return refuse(lacking, USAGE)
    from maturity_model.lab.validation.cases import UnknownCase

    module = kind.study.replace("-", "_")
    study = importlib.import_module(f"maturity_model.lab.studies.{module}")
    given = {f.name: getattr(args, f.name) for f in dataclasses.fields(kind)}
    setting = kind(**{k: tuple(v) if isinstance(v, list) else v for k, v in given.items()})
    try:
        results = study.run(setting, args.work, args.processes, progress())
        study.page(results, setting).write(args.out)
    except UnknownCase as error:
        return refuse(error, USAGE)
    except OSError as error:
        return cannot_write(args.out, error)
    for line in study.summary(results, setting):
        print(line)
    print(f"Report: {args.out / 'README.md'}")
    return DONE
