"""``maturity-model guide``: a field guide to signs, phases and events."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import DONE, MISMATCH, cannot_write, refuse


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Write a field guide: a drawing of every sign, phase and event, where and how to look, "
        "what it is mistaken for and the test that tells them apart. One HTML file that works "
        "without a network and prints as a booklet."
    )
    parser.epilog = "Exit codes: 0 done; 2 usage; 4 wrong population."
    parser.add_argument("--out", type=Path, required=True, metavar="FILE")
    parser.add_argument(
        "--population",
        type=Path,
        metavar="FILE",
        help="a population for the charts (default: practice alone)",
    )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.population import PopulationError, PopulationMismatch, load_population
    from maturity_model.report.guide_page import guide_page
    from maturity_model.whole_files import write_file

    try:
        text = guide_page(load_population(args.population), command)
    except (PopulationError, PopulationMismatch) as error:
        return refuse(error, MISMATCH)
    try:
        args.out.parent.mkdir(parents=True, exist_ok=True)
        write_file(args.out, text)
    except OSError as error:
        return cannot_write(args.out, error)
    print(args.out)
    return DONE
