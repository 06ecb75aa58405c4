"""What a fit learned, as figures in sections."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, NamedTuple

from maturity_model.fitting.report.figures import Figure, interval_figure

if TYPE_CHECKING:
    import pandas as pd


class Learned(NamedTuple):
    """A section: its id, its title, what to know, and its figures."""

    key: str
    title: str
    text: str
    figures: tuple[Figure, ...]


class _Chart(NamedTuple):
    # A figure of some quantities; `named` are the columns that name its rows, by their heading.
    name: str
    title: str
    unit: str
    quantities: tuple[str, ...]
    named: dict[str, str]
    log: bool = True
    floor: float = 1e-6


_SIGN_PHASE = {"Sign": "item", "Phase": "phase"}
_ANALYTE_PHASE = {"Analyte": "item", "Phase": "phase"}
_EVENT_MOVES = ("event_advance", "event_setback", "event_collapse")
#: Of each section: its title, what to know, and its figures.
_SECTIONS: dict[str, tuple[str, str, tuple[_Chart, ...]]] = {
    "sojourn": (
        "How long the phases last",
        "Grey below: the prior. Fast and slow tanks differ from the usual by the spread of pace.",
        (
            _Chart("sojourn", "Weeks in each phase", "weeks, without setbacks", ("sojourn",),
                   {"Phase": "phase", "Tank": "item"}),
            _Chart("setbacks", "Setbacks and collapses without events", "per year",
                   ("setback_rate", "collapse_rate"), {"Move": "move", "Phase": "phase"}),
        ),
    ),
    "detection": (
        "What is seen when",
        "At a careful look, nothing recorded lately.",
        (_Chart("detection", "Detection by sign and phase",
                "probability of seeing it at a careful look", ("detection",), _SIGN_PHASE, False),),
    ),
    "persistence": (
        "What was seen is seen again",
        "Beyond what the phase explains.",
        (_Chart("persistence", "Persistence",
                "odds ratio of seeing a sign that was seen every week", ("persistence",),
                {"Sign": "item"}),),
    ),
    "tank_signs": (
        "Tanks differ in what they show",
        "Spread over tanks of a tank’s own shift of a sign’s log-odds, whatever its phase.",
        (_Chart("tank_signs", "Tank-level sign effects", "standard deviation of log-odds",
                ("sign_tank_sd",), {"Sign": "item"}, False),),
    ),
    "kits": (
        "Readings",
        "The spread holds the kit’s noise and what differs between tanks; the width of a colour "
        "step comes on top.",
        (
            _Chart("kit_noise", "Spread of readings, kit and tank together",
                   "standard deviation of the logarithm", ("kit_noise",), _ANALYTE_PHASE, False),
            _Chart("reading_level", "Median reading by phase",
                   "mg/L; less than 0.01 is drawn there", ("reading_level",), _ANALYTE_PHASE,
                   floor=0.01),
        ),
    ),
    "keepers": (
        "Keepers",
        "Only the signs that are easy to overlook tell of skill.",
        (_Chart("skill", "Keepers", "odds ratio of seeing a small sign, against usual skill",
                ("skill",), {"Keeper": "item"}),),
    ),
    "events": (
        "What events do",
        "1 changes nothing; below 1 on advance slows maturing, above 1 on setback and collapse is "
        "worse. Associations in logs, not experiments.",
        (_Chart("events", "Events", "hazard ratio at the reference amount, just after it",
                _EVENT_MOVES, {"Event": "item", "Move": "move"}),),
    ),
    "husbandry": (
        "Husbandry",
        "1 changes nothing. Associations in logs, not experiments.",
        (_Chart("husbandry", "Husbandry", "hazard ratio on advance per unit of the covariate",
                ("husbandry",), {"Covariate": "item", "Phase": "phase"}),),
    ),
}  # fmt: skip


def learned_sections(quantities: pd.DataFrame, names: Mapping[str, str]) -> Iterator[Learned]:
    """Sections of what :func:`.summarise` found, those without figures left out."""
    moves = quantities["quantity"].str.removeprefix("event_").str.removesuffix("_rate")
    shown = quantities.assign(move=moves)
    for column in ("item", "phase"):
        shown[column] = shown[column].map(lambda name: names.get(name, name))
    for key, (title, text, charts) in _SECTIONS.items():
        figures = []
        for chart in charts:
            order = {quantity: i for i, quantity in enumerate(chart.quantities)}
            rows = shown[shown["quantity"].isin(chart.quantities)]
            # By kind of quantity, and events by their name before that.
            rows = rows.sort_values("quantity", key=lambda q: q.map(order), kind="stable")
            if chart.name == "events":
                rows = rows.sort_values("item", kind="stable")
            figures.append(
                interval_figure(
                    chart.name, chart.title, chart.unit, rows, chart.named,
                    log=chart.log, floor=chart.floor,
                )
            )  # fmt: skip
        if found := tuple(f for f in figures if f is not None):
            yield Learned(key, title, text, found)
