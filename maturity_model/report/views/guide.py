"""The field guide: what each sign, phase and event looks like, and what to tell it from."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np

from maturity_model import __version__
from maturity_model._typing import Floats
from maturity_model.assessment.expected import phases_by_week, seen_by_phase, slip_by_phase
from maturity_model.catalogue import load_catalogue
from maturity_model.catalogue.guide import GuideEntry, MarkedText, load_guide
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.population.types import Population
from maturity_model.report import svg
from maturity_model.report.views.answer import meter, span_words
from maturity_model.report.views.calendar import Tick
from maturity_model.report.views.problems import ALWAYS, Safety
from maturity_model.report.views.provenance import Pair
from maturity_model.report.wording import listed, percent

#: The charts of phases reach this far, those of events look this far ahead.
_WEEKS = 104
_AHEAD = 8
#: Weeks that a chart of a phase is read out at.
_READ_OUT = (4, 12, 26, 52, 104)
_TICKS = (Tick("start", 0.0), Tick("½ year", 25.0), Tick("1 year", 50.0), Tick("1½ years", 75.0))
#: Headings of an entry's texts, in their order.
_LABELS = {
    "sign": {"where": "Where", "when": "When", "how": "How", "gone": "If it vanishes"},
    "phase": {"where": "Where", "how": "How", "when": "When", "gone": "If it goes back"},
    "event": {"where": "Then look", "how": "Log it", "when": "When", "gone": "Afterwards"},
}
_SECTIONS = {"sign": "Signs", "phase": "Phases", "event": "Events"}
_GLOVES = Safety(
    "",
    "Dry hands before you touch a plug or a switch. Gloves and eye protection with zoanthids, "
    "bristle worms and whatever you cannot name.",
    "common practice, no source",
)
_YEAR = re.compile(r".*?\b(?:19|20)[0-9]{2}\b")


@dataclass(frozen=True)
class Said:
    """A text, its heading, and the sources that it names; no source for common practice."""

    label: str
    text: str
    cited: str


@dataclass(frozen=True)
class Level:
    """A line of a small chart: a phase, and a chance as words and as a meter."""

    phase: int
    label: str
    percent: str
    meter: svg.Figure


@dataclass(frozen=True)
class GuideChart:
    """A small chart of what the population expects; ``weeks`` is drawn over two years."""

    title: str
    levels: tuple[Level, ...] = ()
    weeks: svg.Figure | None = None
    note: str = ""


@dataclass(frozen=True)
class EntryView:
    """One entry.

    Attributes
    ----------
    name, kind, label : str
        ``kind`` is 'sign', 'phase' or 'event'; ``name`` names the drawing too.
    latin, bar, meaning : str
        The taxon; the length of the scale bar; what makes a phase, or counts as an event. Empty
        where there is none.
    seen : Said
    caution : Said or None
    mistaken_for, texts : tuple of Said
    chart : GuideChart or None
        None where no population is at hand.
    """

    name: str
    kind: str
    label: str
    latin: str
    bar: str
    meaning: str
    seen: Said
    caution: Said | None
    mistaken_for: tuple[Said, ...]
    texts: tuple[Said, ...]
    chart: GuideChart | None = None


@dataclass(frozen=True)
class GuideView:
    """Everything in the guide."""

    title: str
    ticks: tuple[Tick, ...]
    sections: tuple[tuple[str, tuple[EntryView, ...]], ...]
    safety: tuple[Safety, ...]
    sources: tuple[str, ...]
    provenance: tuple[Pair, ...]
    foot: str


def guide_entry(name: str) -> EntryView:
    """The entry of a sign, a phase or an event, without its chart.

    Raises
    ------
    KeyError
        When the guide has no such entry, as for a club's own sign.
    """
    catalogue, entry = load_catalogue(), load_guide()[name]
    sign = catalogue.signs.get(name)
    phase, event = catalogue.phases.get(name), catalogue.events.get(name)
    kind = "sign" if sign else "phase" if phase else "event"
    labels = _LABELS[kind] | {"do_not": "Leave be"}
    return EntryView(
        name=name,
        kind=kind,
        label=next(known.label for known in (sign, phase, event) if known),
        latin=sign.taxon if sign else "",
        bar=entry.bar,
        meaning=phase.meaning if phase else f"{event.description}." if event else "",
        seen=_said("", entry.seen),
        caution=_said("Careful", entry.caution) if entry.caution else None,
        mistaken_for=tuple(_said(other.what, other.test) for other in entry.mistaken_for),
        texts=tuple(_said(label, getattr(entry, key)) for key, label in labels.items()),
    )


def _said(label: str, marked: MarkedText) -> Said:
    return Said(label, marked.text, "; ".join(_short(mark) for mark in _published(marked)))


def _published(marked: MarkedText) -> list[str]:
    sources = load_catalogue().sources
    return [mark for mark in marked.sources if sources[mark].standing != "common practice"]


def _short(mark: str) -> str:
    """Authors and year of a source."""
    found = _YEAR.match(load_catalogue().sources[mark].citation)
    return found[0] if found else mark


def guide_view(population: Population, command: str) -> GuideView:
    """What the guide shows.

    Parameters
    ----------
    population : Population
        For the charts.
    command : str
        The command that made it.

    Raises
    ------
    PopulationMismatch
        When the population knows other signs, phases or events.
    """
    charts = _charts(fit_to_catalogue(population, load_catalogue()))
    entries = [replace(guide_entry(name), chart=charts[name]) for name in load_guide()]
    learned = "a pool of logs" if population.kind == "fitted" else "rules of thumb of the authors"
    warning = f" Do not lean on it: {population.warning}." if population.warning else ""
    return GuideView(
        title="Field guide",
        ticks=_TICKS,
        sections=tuple(
            (title, tuple(e for e in entries if e.kind == kind))
            for kind, title in _SECTIONS.items()
        ),
        safety=(_GLOVES, *ALWAYS),
        sources=_sources(load_guide()),
        provenance=(
            ("Program", f"maturity-model {__version__}"),
            ("Command", command),
            ("Population", f"{population.name}, {population.kind}"),
            ("Its digest", f"sha256 {population.sha256}"),
        ),
        foot=f"The charts rest on {learned}.{warning} Not yet checked against real tanks. "
        "A vet and the law come first.",
    )


def _sources(entries: dict[str, GuideEntry]) -> tuple[str, ...]:
    """Every published source that the guide names, and how well it is known."""
    used: dict[str, None] = {}
    for entry in entries.values():
        texts = [getattr(entry, key) for key in ("seen", "where", "how", "when", "gone", "do_not")]
        texts += [entry.caution] if entry.caution else []
        for marked in (*texts, *(other.test for other in entry.mistaken_for)):
            used |= dict.fromkeys(_published(marked))
    sources = load_catalogue().sources
    return tuple(f"{sources[m].citation}; {sources[m].standing}." for m in sources if m in used)


def _charts(population: Population) -> dict[str, GuideChart]:
    catalogue = load_catalogue()
    labels = [phase.label for phase in catalogue.phases.values()]
    seen = seen_by_phase(population)
    charts = {
        name: GuideChart(
            "Seen at a careful look",
            _levels(labels, seen[:, g], range(len(labels))),
            note="Only in a tank with sand." if catalogue.signs[name].needs == "sand" else "",
        )
        for g, name in enumerate(population.signs)
    }
    dry = phases_by_week(population, "dry", 0.0, _WEEKS)
    live = phases_by_week(population, "live", 1.0, _WEEKS)
    for k, name in enumerate(population.phases):
        charts[name] = GuideChart(
            "Tanks in this phase, by age",
            weeks=_by_week(k, labels[k], dry[:, k], live[:, k]),
            note="Area: started with dry rock. Line: with live rock. Usual water changes, no "
            "mishap. The top is all tanks.",
        )
    quiet = slip_by_phase(population, None, _AHEAD)
    for e, name in enumerate(population.events):
        effects = (population.event_setback[e], population.event_collapse[e])
        charts[name] = (
            _slip(name, labels, slip_by_phase(population, name, _AHEAD), quiet)
            if np.any(effects)
            else GuideChart("Slip risk", note="It upsets nothing, as far as this program knows.")
        )
    return charts


def _levels(labels: list[str], chances: Floats, phases: range) -> tuple[Level, ...]:
    """A line for each phase; ``chances`` are low, median and high, shape (3, K)."""
    out = []
    for k in phases:
        low, p, high = chances[:, k].tolist()
        said = f"{labels[k]}: {percent(p)}, likely range {span_words(low, high)}"
        out.append(Level(k, labels[k], percent(p), meter(said, p, low, high, f"p{k}")))
    return tuple(out)


def _by_week(k: int, label: str, dry: Floats, live: Floats) -> svg.Figure:
    """A phase's share of all tanks over two years."""
    edge = [(float(week), 1.0 - p) for week, p in enumerate(dry.tolist())]
    over = [(float(week), 1.0 - p) for week, p in enumerate(live.tolist())]
    said = listed([f"{percent(float(dry[week]))} in week {week}" for week in _READ_OUT])
    return svg.Figure(
        "weeks",
        f"{label}, of tanks started with dry rock: {said}.",
        float(_WEEKS),
        1.0,
        (
            svg.Path(f"p{k}", svg.area([(0.0, 1.0), *edge, (float(_WEEKS), 1.0)])),
            svg.Path("best", svg.line(*over)),
        ),
    )


def _slip(name: str, labels: list[str], after: Floats, quiet: Floats) -> GuideChart:
    """The risk of slipping back after an event, from each phase that can."""
    above = range(1, len(labels))
    event = load_catalogue().events[name]
    amount = event.reference_amount
    once = f" Reckoned with {amount:g} {event.amount_means}." if amount is not None else ""
    without = listed([f"{percent(float(quiet[1, k]))} in {labels[k].lower()}" for k in above])
    return GuideChart(
        f"Slip risk, {_AHEAD} weeks",
        _levels(labels, after, above),
        note=f"Without it {without}.{once}",
    )
