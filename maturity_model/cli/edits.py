"""What the commands that change a logbook share: how each failure is reported."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from maturity_model.cli.common import DONE, LOG_ERRORS, USAGE, cannot_write, refuse, say_first


def run_edit(edit: Callable[[], None], logbook: Path, nothing_done: str) -> int:
    """Run a change of a logbook; return the exit code."""
    from maturity_model.logbook.begin import BeginError
    from maturity_model.logbook.edit import EditError
    from maturity_model.whole_files import LockedError

    try:
        edit()
    except EditError as error:
        say_first(error.lines)
        return refuse(nothing_done, LOG_ERRORS)
    except BeginError as error:
        say_first([str(error)])
        return refuse(nothing_done, LOG_ERRORS)
    except (EOFError, LockedError) as error:
        return refuse(error, USAGE)
    except OSError as error:
        return cannot_write(logbook, error)
    return DONE
