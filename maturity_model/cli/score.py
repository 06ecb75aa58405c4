"""``maturity-model score``: phase and risk for every tank of a pool."""

from __future__ import annotations

import argparse
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model.cli.common import (
    DONE,
    LOG_ERRORS,
    MISMATCH,
    USAGE,
    add_evidence_weight,
    add_population,
    cannot_write,
    folder,
    integer,
    progress,
    refuse,
    say,
)
from maturity_model.cli.refused import list_problems, log_errors

if TYPE_CHECKING:
    from maturity_model.logbook import Logbook


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Filter every tank of a pool and write P(phase) and P(slipping back within 4 and 8 "
        "weeks), week by week, as Parquet files, some tanks in each, with a manifest. Memory "
        "does not grow with the pool. Run again after an interruption, it goes on."
    )
    parser.epilog = (
        "Exit codes: 0 done; 2 usage; 3 a logbook cannot be read, or what weekly ends with 3 for; "
        "4 population or pool cannot be used, or they do not fit together; 130 interrupted."
    )
    parser.add_argument("source", type=Path, metavar="POOL", help="a pool, or a logbook")
    parser.add_argument("--out", type=folder, required=True, metavar="SCORES")
    add_population(parser)
    parser.add_argument(
        "--draws",
        type=integer(1, 100_000),
        metavar="N",
        help="use N draws of the population, evenly spaced (default: all)",
    )
    add_evidence_weight(parser)
    parser.add_argument(
        "--workers", type=integer(1, 1024), default=1, metavar="N", help="processes (default: 1)"
    )
    parser.add_argument(
        "--threads",
        type=integer(1, 1024),
        metavar="N",
        help="threads in each process (default: the cores, shared among the processes)",
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="a Dask scheduler whose workers see the same files (needs the extra 'cluster')",
    )
    parser.add_argument(
        "--state",
        type=folder,
        metavar="DIR",
        help="keep there where the filter of each tank stands (1.6 kB for each of its draws); the "
        "next run filters its new weeks alone, and tanks that were edited from their start",
    )
    parser.add_argument(
        "--tanks-per-file", type=integer(1, 100_000), default=512, metavar="N",
        help="tanks in one file, and in memory together (default: %(default)s)",
    )  # fmt: skip
    parser.add_argument(
        "--force", action="store_true", help="replace scores made with other settings"
    )


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook import LogbookError
    from maturity_model.pooling import PoolError
    from maturity_model.population import PopulationError, PopulationMismatch
    from maturity_model.scoring import ScoringError, score

    try:
        report = score(
            args.source,
            args.out,
            population=args.population,
            draws=args.draws,
            evidence_weight=args.evidence_weight,
            workers=args.workers,
            threads=args.threads,
            scheduler=args.scheduler,
            state=args.state,
            part_tanks=args.tanks_per_file,
            force=args.force,
            progress=progress(),
        )
    except LogbookError as error:
        return refuse(error, LOG_ERRORS)
    except (PopulationError, PopulationMismatch, PoolError) as error:
        return refuse(error, MISMATCH)
    except ScoringError as error:
        return refuse(error, USAGE)
    except OSError as error:
        return cannot_write(args.out, error)
    earlier = f", {report.kept} of them from an earlier run" if report.kept else ""
    print(
        f"{args.out}: {report.tanks:,} tanks, {report.tank_weeks:,} tank-weeks, {report.draws} "
        f"draws, in {report.parts:,} files{earlier}; {report.seconds:,.1f} s"
    )
    if report.warning:
        say(
            "maturity-model: the population behind these scores must not be trusted as it is: "
            + report.warning
        )
    return DONE if report.logbook is None else _tell(report.logbook)


def _tell(logbook: Logbook) -> int:
    """Say what was wrong with a logbook and which tanks have ended; the exit code."""
    today = dt.date.today()
    list_problems(logbook)
    for tank in logbook.tanks.values():
        if tank.gone(today):
            say(f"{tank.name}: ended on {tank.ended}, and is scored up to that day")
    return log_errors(logbook, today, "scored")
