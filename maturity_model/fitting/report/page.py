"""The researcher's report on a pooled fit: a page, its figures as files, and tidy CSV."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from maturity_model.fitting.report.analyses import analyse
from maturity_model.fitting.report.view import fit_view
from maturity_model.logbook.formulas import without_formula
from maturity_model.report.pages import environment, render
from maturity_model.whole_files import write_file

if TYPE_CHECKING:
    import pandas as pd

    from maturity_model.fitting.comparison import Comparison
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.pooled_fit import FitResult

_TEMPLATES = Path(__file__).with_name("templates")


def write_report(
    result: FitResult,
    loo: LeaveOneOut,
    folder: Path,
    command: str,
    comparison: Comparison | None = None,
) -> Path:
    """Write ``index.html``, ``figures/*.svg`` and ``*.csv`` into a folder; the path of the page.

    The command that made the fit stands at the end of the page; the comparison is with variants of
    the model.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    analyses = analyse(result, loo, comparison)
    page = fit_view(analyses, command)
    (folder / "figures").mkdir(parents=True, exist_ok=True)
    picture = environment(_TEMPLATES).get_template("figure.svg")
    charts = (_TEMPLATES / "charts.css").read_text("utf-8")
    for figure in page.figures:
        svg = picture.render(figure=figure, style=Markup(charts))
        write_file(folder / "figures" / f"{figure.name}.svg", svg)
    for name, frame in analyses.frames().items():
        write_csv(folder / f"{name}.csv", frame)
    rules = (_TEMPLATES / "fit.css").read_text("utf-8") + charts
    html = render("fit.html", page, folder=_TEMPLATES, style=rules)
    write_file(folder / "index.html", html)
    return folder / "index.html"


def write_csv(path: Path, frame: pd.DataFrame) -> None:
    """Write a frame without its index, numbers with six digits; missing values are empty."""

    def safe(cell: object) -> object:
        if isinstance(cell, tuple):
            cell = "; ".join(cell)
        return without_formula(cell) if isinstance(cell, str) else cell

    write_file(path, frame.map(safe).to_csv(index=False, float_format="%.6g", lineterminator="\n"))
