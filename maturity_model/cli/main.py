"""Entry point: finds the command, imports it alone, and turns what goes wrong into an exit code."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import os
import shlex
import sys
from collections.abc import Sequence

from maturity_model import __version__
from maturity_model.cli.common import DONE, INTERRUPTED, USAGE, say

#: One module per command, and its line in the list of commands.
COMMANDS = {
    "weekly": "read a logbook and write a report for every tank",
    "form": "write a form for the weekly check-in, to be filled in a browser",
    "add": "add what the form saved to a logbook",
    "new": "begin a logbook",
    "template": "write a spreadsheet to log in (needs the extra 'sheets')",
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


def _watched() -> bool:
    # By a profiler, a debugger or a measure of coverage, which has something to say at the end.
    if sys.getprofile() is not None or sys.gettrace() is not None or sys.flags.interactive:
        return True
    # Since Python 3.12 they may use this instead.
    monitoring = getattr(sys, "monitoring", None)
    return monitoring is not None and any(monitoring.get_tool(i) for i in range(6))


def _leave(code: int) -> None:
    # The system takes the memory of a process back at once; the interpreter would give back
    # hundreds of thousands of objects one by one first.
    if not _watched():
        if sys.stderr is not None:
            sys.stderr.flush()
        os._exit(code)


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
    alone = argv is None
    argv = sys.argv[1:] if argv is None else list(argv)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that knows ASCII only gets the rest as escapes, not a traceback.
            stream.reconfigure(errors="backslashreplace")
    try:
        args = _parser(argv).parse_args(argv)
        code = int(args.run(args, shlex.join(["maturity-model", *argv])))
        if sys.stdout is not None:
            sys.stdout.flush()
        if alone and getattr(args, "leave_at_once", False):
            _leave(code)
    except KeyboardInterrupt:
        say("maturity-model: interrupted; files already written are whole")
        return INTERRUPTED
    except BrokenPipeError:
        # Whoever read the output has enough; the files were written before it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        # Whatever belongs to a file is told where it happens: this is standard output.
        say(f"maturity-model: cannot write to standard output: {error.strerror or error}")
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return USAGE
    return code
