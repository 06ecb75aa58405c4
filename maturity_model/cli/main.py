"""Entry point: import the named command alone, run it, and turn failures into exit codes."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import os
import shlex
import sys
import warnings
from collections.abc import Sequence
from typing import Any

from maturity_model import __version__
from maturity_model.cli.common import DONE, INTERRUPTED, USAGE, say

#: One module per command, and its line in the list of commands.
COMMANDS = {
    "weekly": "read a logbook and write a report for every tank",
    "form": "write a form for the weekly check-in, to be filled in a browser",
    "serve": "show the form and the report to the devices at home",
    "add": "add what the form saved to a logbook",
    "correct": "correct one entry of a logbook",
    "new": "begin a logbook",
    "tank": "add a tank to a logbook",
    "kit": "add a test kit or a probe to a logbook",
    "tables": "turn a workbook into CSV files, to which 'add' can write",
    "guide": "write a field guide: what signs, phases and events look like",
    "template": "write a spreadsheet to log in",
    "fit": "learn a population from logbooks (needs the extra 'fit')",
    "pool": "gather logbooks into a pool that names nobody (needs the extra 'pool')",
    "score": "phase and risk for every tank of a pool (needs the extra 'pool')",
    "elicit": "make a population from the catalogue's priors",
    "simulate": "make a logbook with a known truth, from a simulated world",
    "validate": "score the program where the truth is known (needs the extra 'validate')",
    "study": "rerun a study whose result is committed under reports/",
}
#: Commands of the laboratory, the only way into it from outside.
LABORATORY = ("simulate", "validate", "study")


def _module(command: str) -> str:
    folder = "lab.cli" if command in LABORATORY else "cli"
    return f"maturity_model.{folder}.{command}"


def _parser(argv: Sequence[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="maturity-model",
        description="How mature is each marine tank, week by week, judged from its log.",
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, help_text in COMMANDS.items():
        command = commands.add_parser(name, help=help_text)
        # The others are only listed: importing and describing them all would slow each run.
        if name in argv:
            module = importlib.import_module(_module(name))
            module.add_options(command)
            command.set_defaults(run=module.run)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Default: ``sys.argv[1:]``.

    Returns
    -------
    int
        An exit code.
    """
    argv = sys.argv[1:] if argv is None else list(argv)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that knows ASCII only gets the rest as escapes, not a traceback.
            stream.reconfigure(errors="backslashreplace")
    try:
        args = _parser(argv).parse_args(argv)
        with warnings.catch_warnings():
            warnings.showwarning = _show_warning
            code = int(args.run(args, shlex.join(["maturity-model", *argv])))
        if sys.stdout is not None:
            sys.stdout.flush()
    except KeyboardInterrupt:
        say("maturity-model: interrupted; files already written are whole")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader closed the pipe (``... | head``). All files are written: a success.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        # Commands report their own files, so this is standard output.
        say(f"maturity-model: cannot write to standard output: {error.strerror or error}")
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return USAGE
    return code


_show_warning_of_python = warnings.showwarning


def _show_warning(
    message: Warning | str, category: type[Warning], *where: Any, **more: Any
) -> None:
    """Show a warning of this package as one line, like every other message."""
    if category.__module__.startswith("maturity_model."):
        say(f"maturity-model: {message}")
    else:
        _show_warning_of_python(message, category, *where, **more)
