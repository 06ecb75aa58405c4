"""What the commands share: exit codes, messages, and argument types."""

from __future__ import annotations

import argparse
import datetime as dt
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

#: Exit codes, as documented in the README.
DONE, USAGE, LOG_ERRORS, MISMATCH, DIAGNOSTICS, INTERRUPTED = 0, 2, 3, 4, 5, 130
#: Lines of a list that are written to standard error.
MAX_LISTED = 40


def say(message: str) -> None:
    """Write a message to standard error; control characters, as names may hold, are replaced."""
    shown = "".join(c if c.isprintable() or c == "\n" else "\ufffd" for c in message)
    try:
        print(shown, file=sys.stderr)
    except OSError:
        # The disk behind it is full, say. The exit code still tells how the command ended.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())


def say_first(lines: Sequence[object], rest: str = "more") -> None:
    """Write lines to standard error: the first :data:`MAX_LISTED`, and how many are left."""
    for line in lines[:MAX_LISTED]:
        say(str(line))
    if len(lines) > MAX_LISTED:
        say(f"... and {len(lines) - MAX_LISTED} {rest}")


def progress() -> Callable[[str], None]:
    """Return a function that reports progress on standard error if that is a terminal."""
    show = sys.stderr.isatty()
    return lambda message: say(message) if show else None


def refuse(why: object, code: int) -> int:
    """Say why the command ends here; return its exit code."""
    say(f"maturity-model: {why}")
    return code


def cannot_write(path: Path, error: OSError) -> int:
    """Say that a file could not be written; return the exit code for it."""
    return refuse(f"cannot write to {path}: {error.strerror or error}", USAGE)


def date(text: str) -> dt.date:
    """Argument type: an ISO date."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date like 2026-03-31") from None


def folder(text: str) -> Path:
    """Argument type: a folder, named."""
    if not text.strip():
        raise argparse.ArgumentTypeError("name a folder; use . for this one")
    return Path(text)


def share(text: str) -> float:
    """Argument type: a number between 0 and 1."""
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number between 0 and 1")
    return value


def share_or_auto(text: str) -> float | None:
    """Argument type: a number between 0 and 1, or ``auto``, which becomes None."""
    return None if text == "auto" else share(text)


def add_population(parser: argparse.ArgumentParser) -> None:
    """Add the option that names a population."""
    parser.add_argument(
        "--population", type=Path, metavar="FILE", help="a population (default: practice alone)"
    )


def add_evidence_weight(parser: argparse.ArgumentParser) -> None:
    """Add the option that weighs the evidence in place of the population."""
    parser.add_argument(
        "--evidence-weight",
        type=share,
        metavar="W",
        help="power on the likelihood of signs and readings, 0 to 1 (default: the population's)",
    )


def integer(low: int, high: int) -> Callable[[str], int]:
    """Argument type: an integer from ``low`` to ``high``."""

    def number(text: str) -> int:
        # Longer texts exceed every limit here, and int() of a very long one would be slow.
        if not (text.isascii() and text.isdecimal() and len(text) <= 20) or not (
            low <= int(text) <= high
        ):
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
        return int(text)

    return number
