"""``maturity-model elicit``: a population from the catalogue's priors."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import DONE, cannot_write, integer, share


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    from maturity_model.population.constants import (
        DEFAULT_DRAWS,
        DEFAULT_EVIDENCE_WEIGHT,
        DEFAULT_SEED,
    )

    parser.description = (
        "Draw a population from the catalogue's priors and write it as NetCDF. "
        "With the default options it is the population that ships with the program."
    )
    parser.add_argument("--out", type=Path, required=True, metavar="FILE")
    parser.add_argument("--draws", type=integer(32, 100_000), default=DEFAULT_DRAWS, metavar="N")
    parser.add_argument("--seed", type=integer(0, 2**32), default=DEFAULT_SEED, metavar="SEED")
    parser.add_argument(
        "--evidence-weight",
        type=share,
        default=DEFAULT_EVIDENCE_WEIGHT,
        metavar="W",
        help="as chosen by the study in reports/evidence_weight (default: %(default)s)",
    )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.catalogue import load_catalogue
    from maturity_model.population import elicit_population, save_population

    population = elicit_population(
        load_catalogue(), args.evidence_weight, n_draws=args.draws, seed=args.seed
    )
    try:
        save_population(population, args.out)
    except OSError as error:
        return cannot_write(args.out, error)
    print(f"{args.out}: {population.n_draws} draws from the catalogue's priors")
    return DONE
