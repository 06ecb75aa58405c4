"""What each part of the model buys, as figures and a table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd
from scipy.stats import norm

from maturity_model.fitting.report.figures import Figure, interval_figure
from maturity_model.fitting.report.tables import signed, table
from maturity_model.fitting.summary import LEVELS
from maturity_model.report.views.tables import Table
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    from maturity_model.fitting.comparison import Comparison

#: Titles of the targets, and what a difference on them means.
TARGETS = {
    "log": ("All answers", "how well all answers of a tank are predicted"),
    "signs": (
        "Signs",
        "how well a tank’s signs are predicted. The fit is also given that tank’s readings, and "
        "learned from everybody’s; the variant knows of none",
    ),
    "readings": (
        "Readings",
        "how well a tank’s readings are predicted. The fit is also given that tank’s signs, and "
        "learned from everybody’s; the variant knows of none",
    ),
    "judgements": (
        "Judged phases",
        "how well a tank’s judged phases are predicted from what else is known of it: of all "
        "targets the one that asks about the phase itself",
    ),
}


@dataclass(frozen=True)
class ComparisonView:
    """The section on variants of the model.

    ``doubts`` say why some of it is not to be trusted; ``meanings`` are of the targets; ``refits``
    says which variants were fitted again without some tanks, if any; ``weight`` is the evidence
    weight of answers that are given.
    """

    doubts: tuple[str, ...]
    table: Table
    meanings: tuple[tuple[str, str], ...]
    refits: str
    weight: str
    figures: tuple[Figure, ...]


def comparison_view(comparison: Comparison) -> ComparisonView:
    """What the section on variants of the model shows."""
    found = comparison.differences
    return ComparisonView(
        doubts=tuple(dict.fromkeys(doubt for doubts in found["doubts"] for doubt in doubts)),
        table=table(
            "Variant less the fit itself",
            found,
            {
                "Variant": lambda d: d.label,
                "Predicted": lambda d: TARGETS[d.target][0],
                "ELPD difference": lambda d: signed(d.difference, 1),
                "Standard error": lambda d: (
                    "–" if pd.isna(d.standard_error) else f"{d.standard_error:.1f}"
                ),
                "Per answer": lambda d: signed(d.difference / d.answers, 4),
                "Tanks": lambda d: str(d.tanks),
                "The variant": lambda d: d.verdict,
            },
        ),
        meanings=tuple(TARGETS[target] for target in found["target"].unique()),
        refits=_refits(comparison),
        weight=f"ω = {comparison.evidence_weight:g}",
        figures=tuple(_figures(found, comparison.scores[0].variant.label)),
    )


def _refits(comparison: Comparison) -> str:
    refitted = {s.variant.label: int((s.left_out > 0).sum()) for s in comparison.scores}
    again = "; ".join(f"{label}: {plural(n, 'tank')}" for label, n in refitted.items() if n)
    most = max(int(s.left_out.max()) for s in comparison.scores)
    return f"{again}; at most {plural(most, 'tank')} left out of one fit" if again else ""


def _figures(found: pd.DataFrame, fit: str) -> Iterator[Figure]:
    # Dots with intervals of 50 % and 90 %, for each target.
    for target, (title, _) in TARGETS.items():
        rows = found[(found["target"] == target) & found["standard_error"].notna()]
        if rows.empty:
            continue
        doubted = rows["doubts"].map(len) > 0
        label = rows["label"].where(~doubted, rows["label"] + " (not to be trusted)")
        spread = {q: rows["standard_error"] * norm.ppf(p) for q, p in LEVELS.items()}
        quantiles = {q: rows["difference"] + wide for q, wide in spread.items()}
        # The fit itself, without which 0 might lie outside the figure.
        itself = pd.DataFrame([{"label": fit, **dict.fromkeys(LEVELS, 0.0)}])
        drawn = pd.concat([itself, pd.DataFrame({"label": label, **quantiles})])
        figure = interval_figure(
            f"comparison_{target}",
            f"What each part buys: {title.lower()}",
            "ELPD less that of the fit; left of 0 the variant predicts worse",
            drawn,
            {"Variant": "label"},
        )
        if figure is not None:
            yield figure
