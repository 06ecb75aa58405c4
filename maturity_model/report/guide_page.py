"""The page of the field guide."""

from __future__ import annotations

from pathlib import Path

from maturity_model.population import Population
from maturity_model.report.guide import drawing_style
from maturity_model.report.pages import render
from maturity_model.report.views.guide import guide_view

_SHEET = Path(__file__).with_name("templates") / "guide.css"


def guide_page(population: Population, command: str) -> str:
    """The field guide, with charts of what the population expects.

    Raises
    ------
    PopulationMismatch
        When the population knows other signs, phases or events.
    """
    view = guide_view(population, command)
    style = drawing_style() + _SHEET.read_text("utf-8")
    return render("guide.html", view, view.ticks, style=style)
