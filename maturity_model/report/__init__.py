"""The report: pages, tables and machine-readable records of an assessment.

``views/`` say what a page shows, as words and figures without HTML; ``templates/`` show it, and
``pages.py`` brings them together; ``svg.py`` writes every picture. ``wording.py`` holds the words,
``likelihood_words.py`` those for researchers; ``machine.py`` and ``question_record.py`` make the
JSON. The form is such a page too, with a script. Nothing here computes a probability, and
templates escape text from a log. JSON keys and CSV columns are a contract; words and layout are
not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from maturity_model.file_names import file_names
from maturity_model.report.files import csv_text, remove_stale_pages
from maturity_model.report.machine import report_record, tank_record, to_json
from maturity_model.report.pages import index_page, tank_page, withdrawn_page
from maturity_model.report.text import text_summary
from maturity_model.report.wording import phase_labels
from maturity_model.whole_files import remove_leftovers, staged_files

if TYPE_CHECKING:
    import numpy as np

    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.logbook.photos import KeptPhoto

__all__ = ["file_names", "report_json", "text_summary", "withdraw_report", "write_reports"]

_PHASE_HEAD = "tank,week,date,phase,filtered,smoothed\n"
_REGRESSION_HEAD = "tank,week,date,horizon_weeks,probability\n"

#: Seconds after which no run can still be at the same file; each takes milliseconds.
STALE_AFTER = 60.0


def write_reports(
    assessment: Assessment,
    out_dir: Path | str,
    command: str,
    photos: Mapping[str, Sequence[KeptPhoto]] = MappingProxyType({}),
) -> list[Path]:
    """Write the report of an assessment into a folder.

    Parameters
    ----------
    assessment : Assessment
    out_dir : Path or str
        Made if it is not there. Pages of tanks that an earlier report had and this one has
        not are removed, with their records; other files are left alone.
    command : str
        The command that made the report, shown as provenance.
    photos : mapping of str to sequence of KeptPhoto
        By tank, as :func:`maturity_model.logbook.photos.kept_photos` finds them.

    Returns
    -------
    list of Path
        The files written: a page and a record for each tank, ``phase.csv``,
        ``regression.csv``, and ``index.html`` last.

    Raises
    ------
    OSError
        If a file cannot be written; the old report is then untouched. Where only putting the
        new files in their places fails, each file is either the old or the new one.
    """
    out = Path(out_dir)
    names = file_names(tank.tank.name for tank in assessment.tanks)
    labels = phase_labels(assessment)
    out.mkdir(parents=True, exist_ok=True)
    remove_leftovers(out, older_than=STALE_AFTER)
    # A page is written as soon as it is built, so that memory does not grow with the tanks,
    # and all take their places when all are there, so that a failure leaves the old report.
    with staged_files(out) as files:
        for tank in assessment.tanks:
            name = names[tank.tank.name]
            shots = photos.get(tank.tank.name, ())
            files.write(f"{name}.html", tank_page(tank, assessment, command, shots))
            files.write(f"{name}.json", to_json(tank_record(tank, assessment, command, labels)))
        files.write("phase.csv", phase_csv(assessment))
        files.write("regression.csv", regression_csv(assessment))
        files.write("index.html", index_page(assessment, names, command))
    remove_stale_pages(out, names.values())
    return [out / name for name in files.names]


def withdraw_report(out_dir: Path | str, why: str, command: str) -> bool:
    """Put in the place of an older report that nothing could be assessed.

    What it permits may no longer be true, and its reader may not see the message of the run
    that failed. Pages and records of its tanks are removed; other files are left alone.

    Parameters
    ----------
    why : str
        Plain text; it may quote the log.

    Returns
    -------
    bool
        False: there is no older report, and nothing was written.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    out = Path(out_dir)
    if not (out / "index.html").is_file():
        return False
    with staged_files(out) as files:
        files.write("phase.csv", _PHASE_HEAD)
        files.write("regression.csv", _REGRESSION_HEAD)
        files.write("index.html", withdrawn_page(why, command))
    remove_stale_pages(out, ())
    return True


def report_json(assessment: Assessment, command: str) -> str:
    """Everything on the pages of all tanks in machine form, in one line."""
    return to_json(report_record(assessment, command))


def phase_csv(assessment: Assessment) -> Iterator[str]:
    """One row per tank, week and phase, probabilities in full precision; tank by tank."""
    yield _PHASE_HEAD
    for tank in assessment.tanks:
        yield _by_week(tank, assessment.phases, tank.filtered, tank.smoothed)


def regression_csv(assessment: Assessment) -> Iterator[str]:
    """One row per tank, week and horizon, probabilities in full precision; tank by tank."""
    yield _REGRESSION_HEAD
    for tank in assessment.tanks:
        yield _by_week(tank, tank.horizons, tank.regression)


def _by_week(tank: TankAssessment, keys: Sequence[object], *columns: np.ndarray) -> str:
    """Rows of a tank, by week and key, with a number of each column (T, keys)."""
    name, keys = csv_text(tank.tank.name), [csv_text(str(key)) for key in keys]
    weeks = zip(tank.weeks.tolist(), tank.dates, *(c.tolist() for c in columns), strict=True)
    return "".join(
        f"{name},{week},{date.isoformat()},{key},{','.join(map(repr, numbers))}\n"
        for week, date, *rows in weeks
        for key, *numbers in zip(keys, *rows, strict=True)
    )
