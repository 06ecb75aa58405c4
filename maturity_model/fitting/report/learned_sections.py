"""Sections of the researcher's report about what a fit learned: figures of quantities."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from maturity_model.fitting.report.figures import Figure, Interval, interval_figure
from maturity_model.report.html import section

if TYPE_CHECKING:
    from maturity_model.fitting.summary import Quantity


class _Chart(NamedTuple):
    """A figure of what was learned: which quantities, and where each line stands."""

    name: str
    title: str
    unit: str
    quantities: tuple[str, ...]
    # Group and label of a line, from quantity, item and phase as a reader knows them.
    place: Callable[[str, str, str], tuple[str, str]]
    log: bool = True
    floor: float = 1e-6


def _item_phase(quantity: str, item: str, phase: str) -> tuple[str, str]:
    return item, phase


#: Of each section: its title, what to know, and its figures.
_LEARNED: dict[str, tuple[str, str, tuple[_Chart, ...]]] = {
    "sojourn": (
        "How long the phases last",
        "Grey below: the prior. Fast and slow tanks differ from the usual by the spread of pace.",
        (
            _Chart("sojourn", "Weeks in each phase", "weeks, without setbacks", ("sojourn",),
                   lambda quantity, item, phase: (phase, item)),
            _Chart("setbacks", "Setbacks and collapses without events", "per year",
                   ("setback_rate", "collapse_rate"),
                   lambda quantity, item, phase: (quantity.removesuffix("_rate"), phase)),
        ),
    ),
    "detection": (
        "What is seen when",
        "At a careful look, nothing recorded lately.",
        (_Chart("detection", "Detection by sign and phase",
                "probability of seeing it at a careful look", ("detection",), _item_phase, False),),
    ),
    "persistence": (
        "What was seen is seen again",
        "Beyond what the phase explains.",
        (_Chart("persistence", "Persistence",
                "odds ratio of seeing a sign that was seen every week", ("persistence",),
                _item_phase),),
    ),
    "tank_signs": (
        "Tanks differ in what they show",
        "Spread over tanks of a tank’s own shift of a sign’s log-odds, whatever its phase.",
        (_Chart("tank_signs", "Tank-level sign effects", "standard deviation of log-odds",
                ("sign_tank_sd",), _item_phase, False),),
    ),
    "kits": (
        "Readings",
        "The spread holds the kit’s noise and what differs between tanks; the width of a colour "
        "step comes on top.",
        (
            _Chart("kit_noise", "Spread of readings, kit and tank together",
                   "standard deviation of the logarithm", ("kit_noise",), _item_phase, False),
            _Chart("reading_level", "Median reading by phase",
                   "mg/L; less than 0.01 is drawn there", ("reading_level",), _item_phase,
                   floor=0.01),
        ),
    ),
    "keepers": (
        "Keepers",
        "Only the signs that are easy to overlook tell of skill.",
        (_Chart("skill", "Keepers", "odds ratio of seeing a small sign, against usual skill",
                ("skill",), _item_phase),),
    ),
    "events": (
        "What events do",
        "1 changes nothing; below 1 on advance slows maturing, above 1 on setback and collapse is "
        "worse. Associations in logs, not experiments.",
        (_Chart("events", "Events", "hazard ratio at the reference amount, just after it",
                ("event_advance", "event_setback", "event_collapse"),
                lambda quantity, item, phase: (item, quantity.removeprefix("event_"))),),
    ),
    "husbandry": (
        "Husbandry",
        "1 changes nothing. Associations in logs, not experiments.",
        (_Chart("husbandry", "Husbandry", "hazard ratio on advance per unit of the covariate",
                ("husbandry",), _item_phase),),
    ),
}  # fmt: skip


def quantity_figures(
    quantities: Sequence[Quantity], names: dict[str, str]
) -> dict[str, list[Figure]]:
    """Figures of what was learned, by section."""

    def draw(chart: _Chart) -> Figure | None:
        lines = []
        for kind in chart.quantities:
            for q in quantities:
                if q.quantity == kind:
                    item, phase = names.get(q.item, q.item), names.get(q.phase, q.phase)
                    place = chart.place(kind, item, phase)
                    lines.append(Interval(*place, q.quantiles, q.prior))
        if chart.name == "events":
            lines.sort(key=lambda line: line.group)
        return interval_figure(
            chart.name, chart.title, chart.unit, lines, log=chart.log, floor=chart.floor
        )

    return {
        key: [figure for chart in charts if (figure := draw(chart)) is not None]
        for key, (_, _, charts) in _LEARNED.items()
    }


def learned_sections(figures: dict[str, list[Figure]]) -> str:
    """What was learned, from :func:`quantity_figures`."""
    return "".join(
        section(key, title, f"<p>{text}</p>", *(f.html for f in figures[key]))
        for key, (title, text, _) in _LEARNED.items()
        if figures[key]
    )
