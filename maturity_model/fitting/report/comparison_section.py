"""The section of the researcher's report that says what each part of the model buys."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from maturity_model.fitting.report.figures import Figure, Interval, interval_figure
from maturity_model.fitting.report.sections import caution, signed
from maturity_model.report.html import esc, section, table, unordered
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    from maturity_model.fitting.comparison import Comparison

#: Quantiles of the standard normal at 5, 25, 50, 75 and 95 %.
_NORMAL = (-1.6448536269514722, -0.6744897501960817, 0.0, 0.6744897501960817, 1.6448536269514722)
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


def comparison_figures(comparison: Comparison) -> list[Figure]:
    """One figure for each target: dots, with intervals of 50 % and 90 %."""
    out = []
    for target, (title, _) in TARGETS.items():
        lines = [
            Interval(
                d.variant.label + (" (not to be trusted)" if d.doubts else ""),
                "",
                tuple(d.difference + z * d.standard_error for z in _NORMAL),
            )
            for d in comparison.differences
            if d.target == target and math.isfinite(d.standard_error)
        ]
        # The fit itself, without which 0 might lie outside the figure.
        fit = [Interval(comparison.scores[0].variant.label, "", (0.0,) * 5)] if lines else []
        out.append(
            interval_figure(
                f"comparison_{target}",
                f"What each part buys: {title.lower()}",
                "ELPD less that of the fit; left of 0 the variant predicts worse",
                fit + lines,
            )
        )
    return [f for f in out if f is not None]


def comparison_section(comparison: Comparison, figures: Sequence[Figure]) -> str:
    """Variants of the model on the same panel."""
    differences = comparison.differences
    doubts = list(dict.fromkeys(doubt for d in differences for doubt in d.doubts))
    before = "<p>Comparisons that rest on these are not to be trusted.</p>"
    warning = caution(doubts, before) if doubts else ""
    rows = (
        [
            esc(d.variant.label),
            esc(TARGETS[d.target][0]),
            signed(d.difference, 1),
            f"{d.standard_error:.1f}" if math.isfinite(d.standard_error) else "–",
            signed(d.difference / d.answers, 4),
            f"{d.tanks}",
            d.verdict,
        ]
        for d in differences
    )
    compared = table(
        "Variant less the fit itself",
        ["Variant", "Predicted", "ELPD difference", "Standard error", "Per answer", "Tanks",
         "The variant"],
        rows,
    )  # fmt: skip
    targets = dict.fromkeys(d.target for d in differences)
    meaning = unordered(f"{esc(TARGETS[t][0])}: {TARGETS[t][1]}." for t in targets)
    refitted = {s.variant.label: int((s.left_out > 0).sum()) for s in comparison.scores}
    again = "; ".join(f"{esc(k)}: {plural(n, 'tank')}" for k, n in refitted.items() if n)
    worst = max((int(s.left_out.max()) for s in comparison.scores), default=0)
    note = (
        f"Where weights could not be trusted the variant was fitted again without the tank ({again}"
        f"; at most {plural(worst, 'tank')} left out of one fit, and a tank left out together with "
        "others is predicted from a little less). "
        if again
        else ""
    )
    return section(
        "comparison",
        "What each part buys",
        f"{warning}<p>Each variant was fitted to the same log, and asked to predict each tank from "
        "the others. A negative difference is what the part that was left out buys; it is told "
        "apart from nothing where it is more than two standard errors. Geometric dwell also "
        "gives up that signs change gradually, as there are no stages to do it in.</p>"
        f'{meaning}<div class="scroll">{compared}</div>',
        "".join(f.html for f in figures),
        f'<p class="small">{note}Standard errors are over tanks, of paired differences. Given '
        f"answers enter at the evidence weight (ω = {comparison.evidence_weight:g}); answers that "
        "are predicted are scored by their plain likelihood. Tanks of one keeper share that "
        "keeper’s skill. Each tank’s score is in comparison_tanks.csv.</p>",
    )
