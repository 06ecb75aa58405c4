"""``maturity-model fit``: learn a population from logbooks."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import USAGE, integer, refuse, share_or_auto


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    from maturity_model.population.constants import FIT_WEIGHT

    parser.description = (
        "Fit the pooled model to logbooks and pools by Hamiltonian Monte Carlo and write the "
        "population as NetCDF. Finished chains are kept: an interrupted fit goes on where it "
        "stopped. Exit code 5 when a check fails: convergence, or the drift of the phases."
    )
    parser.add_argument(
        "logbook", type=Path, nargs="+", metavar="LOGBOOK", help="a logbook, or a pool"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="FILE")
    parser.add_argument(
        "--report", type=Path, metavar="DIR", help="also write a report for researchers"
    )
    parser.add_argument("--draws", type=integer(50, 100_000), default=1200, metavar="N")
    parser.add_argument("--tune", type=integer(50, 100_000), default=500, metavar="N")
    parser.add_argument("--chains", type=integer(1, 64), default=4, metavar="N")
    parser.add_argument("--cores", type=integer(1, 64), default=2, metavar="N")
    parser.add_argument("--seed", type=integer(0, 2**32), default=1, metavar="SEED")
    parser.add_argument(
        "--evidence-weight",
        type=share_or_auto,
        default="auto",
        metavar="W",
        help="power on the likelihood, 0 to 1, of the fit and of the weekly reports made with it; "
        f"auto: {FIT_WEIGHT:g} in the fit, and the pool chooses it for the reports (default: auto)",
    )
    _add_sources(parser)
    parser.add_argument(
        "--tank-signs",
        action="store_true",
        help="let tanks differ in the log-odds of each sign, whatever their phase",
    )
    parser.add_argument(
        "--compare",
        action="store_true",
        help="then fit variants of the model, with shorter chains, and say what each part buys",
    )
    parser.add_argument(
        "--approximate",
        action="store_true",
        help="for a first look, in about a minute: a normal law at the mode, reweighted; "
        "the file says so",
    )
    parser.add_argument(
        "--key-file",
        type=Path,
        metavar="FILE",
        help="a secret of 16 bytes or more: only with it are keepers of the pool recognised "
        "(without it, whoever holds the population can try names against it)",
    )


def _add_sources(parser: argparse.ArgumentParser) -> None:
    for option, what in (
        ("--signs", "how often signs are seen"),
        ("--moves", "how tanks move"),
        ("--readings", "what kits read"),
    ):
        parser.add_argument(
            option,
            choices=("auto", "practice", "learned"),
            default="auto",
            help=f"{what} in the weekly reports made with it; auto: as the pool says where that "
            "tells its judged phases better than practice does, otherwise as practice says "
            "(default: %(default)s)",
        )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.population.members import SecretError, read_secret

    try:
        secret = read_secret(args.key_file) if args.key_file else b""
    except SecretError as error:
        return refuse(f"--key-file: {error}", USAGE)
    if args.approximate and (args.report or args.compare):
        return refuse("--report and --compare need a full fit, without --approximate", USAGE)
    from maturity_model.fitting.command import fit_command
    from maturity_model.fitting.options import ModelOptions
    from maturity_model.fitting.sampling import SamplingPlan, choose_sampler

    plan = SamplingPlan(
        draws=args.draws,
        tune=args.tune,
        chains=args.chains,
        seed=args.seed,
        sampler=choose_sampler(),
        cores=args.cores,
    )

    return fit_command(
        args.logbook,
        args.out,
        plan=plan,
        evidence_weight=args.evidence_weight,
        signs=args.signs,
        moves=args.moves,
        readings=args.readings,
        options=ModelOptions(tank_signs=args.tank_signs, judgement_weight=1.0),
        compare=args.compare,
        secret=secret,
        approximate=args.approximate,
        report=args.report,
        command=command,
    )
