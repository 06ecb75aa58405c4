"""``maturity-model simulate``: a logbook with a known truth."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import DONE, USAGE, cannot_write, folder, integer, refuse, share

#: What the command writes, and so may replace.
_OWN = {"tanks.csv", "checkins.csv", "events.csv", "kits.csv", "truth.csv"}


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    from maturity_model.lab.worlds import BROKEN, WORLDS, presets

    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.description = (
        "Simulate a club of tanks and write what its keepers would have logged, and in\n"
        "truth.csv the true phase of every tank at the end of every week."
    )
    parser.epilog = "\n".join(
        [f"Ranges of the {world} world:\n" + _listed(presets(world)) for world in WORLDS]
        + ["Assumptions that --break breaks:\n" + _listed(BROKEN)]
        + ["Exit codes: 0 done; 2 usage; 130 interrupted."]
    )
    parser.add_argument(
        "--world",
        choices=WORLDS,
        required=True,
        help="the program's own model, or an ecology that knows nothing of it",
    )
    for option, least, most, usual, words in (
        ("tanks", 1, 100_000, 60, "of the club"),
        ("weeks", 1, 520, 60, "run to the end of week N"),
        ("seed", 0, 2**32, 1, "seed"),
        ("batch", 0, 2**32, 0, "another batch holds other tanks of the same world"),
    ):
        parser.add_argument(
            f"--{option}",
            type=integer(least, most),
            default=usual,
            metavar="N",
            help=f"{words} (default: %(default)s)",
        )
    parser.add_argument(
        "--range",
        default="",
        metavar="NAME",
        help="ranges of the parameters (see below; default: the first)",
    )
    parser.add_argument(
        "--break",
        dest="broken",
        action="append",
        default=[],
        metavar="NAME",
        help="break an assumption (see below); may be given again",
    )
    for option, chance, words in (
        ("judged", 0.0, "share of tanks whose phase an experienced keeper judges now and then"),
        ("judge-accuracy", 0.8, "how often a fresh judgement is right"),
    ):
        parser.add_argument(
            f"--{option}",
            type=share,
            default=chance,
            metavar="SHARE",
            help=f"{words} (default: %(default)s)",
        )
    parser.add_argument("--out", type=folder, required=True, metavar="DIR")
    parser.add_argument("--force", action="store_true", help="replace an earlier simulation in DIR")


def _listed(entries: dict[str, str]) -> str:
    return "\n".join(f"  {name:<14} {meaning}" for name, meaning in entries.items())


def _in_the_way(out: Path, force: bool) -> str:
    # Why the folder must not be written to; empty where it may.
    if not out.exists():
        return ""
    if not out.is_dir():
        return "is not a folder"
    held = {path.name for path in out.iterdir()}
    if not held:
        return ""
    if other := sorted(held - _OWN):
        return f"holds {other[0]!r}, which no simulation wrote; choose another folder"
    if "truth.csv" not in held:
        return "holds a logbook that no simulation wrote; choose another folder"
    return "" if force else "holds an earlier simulation; replace it with --force"


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.lab.worlds import PHASES, simulate

    try:
        why = _in_the_way(args.out, args.force)
    except OSError as error:
        return cannot_write(args.out, error)
    if why:
        return refuse(f"{args.out} {why}", USAGE)
    try:
        club = simulate(
            args.world,
            args.tanks,
            args.weeks,
            args.seed,
            batch=args.batch,
            preset=args.range,
            broken=args.broken,
            judged=args.judged,
            judge_accuracy=args.judge_accuracy,
        )
    except ValueError as error:
        return refuse(error, USAGE)
    try:
        club.write(args.out)
        for name in _OWN - club.files.keys() - {"truth.csv"}:
            (args.out / name).unlink(missing_ok=True)
    except OSError as error:
        return cannot_write(args.out, error)
    shares = ", ".join(f"{name} {(club.truth == k).mean():.0%}" for k, name in enumerate(PHASES))
    print(
        f"{args.out}: {len(club.logbook.tanks)} tanks to the end of week {args.weeks}, "
        f"{len(club.logbook.checkins)} check-ins; tank-weeks: {shares}"
    )
    return DONE
