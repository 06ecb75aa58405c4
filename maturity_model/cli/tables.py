"""``maturity-model tables``: a workbook as a folder of CSV files."""

from __future__ import annotations

import argparse
from pathlib import Path

from maturity_model.cli.common import DONE, LOG_ERRORS, USAGE, cannot_write, folder, refuse


def add_options(parser: argparse.ArgumentParser) -> None:
    """Describe the command."""
    parser.description = (
        "Write the sheets of a workbook as the CSV files of a new logbook, which holds the same "
        "log and which 'maturity-model add' can change. The workbook stays as it is."
    )
    parser.epilog = "Exit codes: 0 done; 2 usage; 3 the workbook cannot be used."
    parser.add_argument("workbook", type=Path, metavar="WORKBOOK", help="or a folder with one")
    parser.add_argument("folder", type=folder, metavar="FOLDER", help="the folder to make")


def run(args: argparse.Namespace, command: str) -> int:
    """Run the command; the exit code."""
    from maturity_model.logbook import LogbookError
    from maturity_model.logbook.begin import BeginError
    from maturity_model.logbook.to_files import NotTheSameError, to_files

    try:
        made, left = to_files(args.workbook, args.folder)
    except (LogbookError, NotTheSameError) as error:
        return refuse(error, LOG_ERRORS)
    except BeginError as error:
        return refuse(error, USAGE)
    except OSError as error:
        return cannot_write(args.folder, error)
    for path in made:
        print(path)
    if left:
        print(f"Not part of the log, and left behind: {', '.join(left)}")
    print(f"From now on the log is {args.folder}; put the workbook away.")
    return DONE
