"""The report: pages, tables and machine-readable records of an assessment."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model.report.files import csv_text, file_names, remove_stale, write_whole
from maturity_model.report.index_page import index_page
from maturity_model.report.machine import tank_record, to_json
from maturity_model.report.tank_page import phase_labels, tank_page
from maturity_model.report.text import text_summary

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment

__all__ = ["file_names", "text_summary", "write_reports"]


def write_reports(assessment: Assessment, out_dir: Path | str, command: str) -> list[Path]:
    """Write the report of an assessment into a folder.

    Parameters
    ----------
    assessment : Assessment
    out_dir : Path or str
        Made if it is not there. Files of other names in it are left alone.
    command : str
        The command that made the report, shown as provenance.

    Returns
    -------
    list of Path
        The files written: a page and a record for each tank, ``phase.csv``,
        ``regression.csv``, and ``index.html`` last.

    Raises
    ------
    OSError
        If a file cannot be written. Each file is then either the old or the new one.
    """
    out = Path(out_dir)
    names = file_names(tank.tank.name for tank in assessment.tanks)
    labels = phase_labels(assessment)
    # Everything is built before anything is written, so that a failure leaves the old report.
    files: dict[str, str] = {}
    for tank in assessment.tanks:
        name = names[tank.tank.name]
        files[f"{name}.html"] = tank_page(tank, assessment, command)
        files[f"{name}.json"] = to_json(tank_record(tank, assessment, command, labels))
    files["phase.csv"] = phase_csv(assessment)
    files["regression.csv"] = regression_csv(assessment)
    files["index.html"] = index_page(assessment, names, command)
    out.mkdir(parents=True, exist_ok=True)
    remove_stale(out)
    for name, text in files.items():
        write_whole(out / name, text)
    return [out / name for name in files]


def phase_csv(assessment: Assessment) -> str:
    """One row per tank, week and phase, probabilities in full precision."""
    lines = ["tank,week,date,phase,filtered,smoothed"]
    phases = [csv_text(p) for p in assessment.phases]
    for tank in assessment.tanks:
        name = csv_text(tank.tank.name)
        table = zip(
            tank.weeks.tolist(),
            tank.dates,
            tank.filtered.tolist(),
            tank.smoothed.tolist(),
            strict=True,
        )
        for week, date, filtered, smoothed in table:
            start = f"{name},{week},{date.isoformat()}"
            lines += [
                f"{start},{phase},{f!r},{s!r}"
                for phase, f, s in zip(phases, filtered, smoothed, strict=True)
            ]
    return "\n".join(lines) + "\n"


def regression_csv(assessment: Assessment) -> str:
    """One row per tank, week and horizon, probabilities in full precision."""
    lines = ["tank,week,date,horizon_weeks,probability"]
    for tank in assessment.tanks:
        name = csv_text(tank.tank.name)
        table = zip(tank.weeks.tolist(), tank.dates, tank.regression.tolist(), strict=True)
        for week, date, probabilities in table:
            start = f"{name},{week},{date.isoformat()}"
            lines += [
                f"{start},{horizon},{p!r}"
                for horizon, p in zip(tank.horizons, probabilities, strict=True)
            ]
    return "\n".join(lines) + "\n"
