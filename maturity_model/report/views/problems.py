"""Problems of a log and standing cautions, as a keeper reads them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.report.plain_text import cut
from maturity_model.report.wording import plain_dates

if TYPE_CHECKING:
    from maturity_model.assessment.cautions import Caution
    from maturity_model.logbook.types import Problem

_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class ProblemLine:
    """One problem: whether it was used, where it stands, what is wrong and how to mend it."""

    tag: str
    place: str
    value: str
    what: str
    mend: str
    tank: str = ""


@dataclass(frozen=True)
class Safety:
    """Something to heed, and who says so."""

    title: str
    text: str
    authority: str
    urgent: bool = False


#: Shown on every page.
ALWAYS = (
    Safety("", "The law on animal welfare and a vet come before anything on this page.", ""),
    Safety("", "Never release livestock, plants, rock or tank water outdoors.", "US FWS"),
    Safety(
        "",
        "Electricity near salt water: a residual-current device on every circuit, and unplug "
        "before hands go in.",
        "CPSC; BS 7671",
    ),
    Safety(
        "",
        "Zoanthids can carry palytoxin: never scrub them, scrape them dry or boil their rock.",
        "CDC MMWR 64(31), 2015",
    ),
    Safety(
        "",
        "Mycobacterium marinum: gloves, no open cuts in the water; tell the doctor about the tank.",
        _PRACTICE,
    ),
    Safety(
        "",
        "Disturbing a deep old sand bed can free hydrogen sulphide: small parts at a time, "
        "windows open.",
        _PRACTICE,
    ),
    Safety("", "Stony corals and giant clams need permits to cross a border.", "CITES"),
)


def problem_lines(problems: Sequence[Problem], *, named: bool = False) -> tuple[ProblemLine, ...]:
    """Lines for problems; ``named``: each with its tank."""
    return tuple(
        ProblemLine(
            "noted" if p.severity != "error" else f"{p.scope} not used",
            cut(p.place, 200),
            cut(p.value or "", 80),
            cut(p.what, 400),
            cut(p.mend, 400),
            cut(p.tank or "", 80) if named else "",
        )
        for p in problems
    )


def cautions_of(cautions: Sequence[Caution], as_of: dt.date) -> tuple[Safety, ...]:
    """Cautions that a log calls for, urgent ones first."""
    ordered = sorted(cautions, key=lambda c: c.level != "urgent")
    return tuple(
        Safety(c.title, plain_dates(c.text, as_of), c.authority, c.level == "urgent")
        for c in ordered
    )
