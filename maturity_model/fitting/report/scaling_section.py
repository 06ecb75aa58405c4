"""How much a fit leans on its prior and on its data, in the researcher's report."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from maturity_model.fitting.report.pooled_sections import MAX_WORST
from maturity_model.report.html import esc, section, table
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    from maturity_model.fitting.power_scaling import Sensitivity


def scaling_rows(found: Sensitivity) -> tuple[str, Iterator[list[object]]]:
    """Head and rows of the tidy table; every parameter."""
    rows: Iterator[list[object]] = (
        [name, float(found.prior[i]), float(found.likelihood[i]), found.verdict(i)]
        for i, name in enumerate(found.names)
    )
    return "parameter,prior_sensitivity,likelihood_sensitivity,diagnosis", rows


def scaling_section(found: Sensitivity) -> str:
    """What moves with the prior, and what with the data."""
    from maturity_model.fitting.power_scaling import NOTABLE, RELIABLE

    def most(values: list[float], caption: str) -> str:
        order = sorted(range(len(values)), key=lambda i: -values[i])[:MAX_WORST]
        rows = [
            [
                f"<code>{esc(found.names[i])}</code>", f"{found.prior[i]:.2f}",
                f"{found.likelihood[i]:.2f}", esc(found.verdict(i)),
            ]
            for i in order
        ]  # fmt: skip
        head = ["Parameter", "To the prior", "To the data", ""]
        return f'<div class="scroll">{table(caption, head, rows)}</div>'

    verdicts = [found.verdict(i) for i in range(len(found.names))]
    prior_led, torn = (verdicts.count(v) for v in ("the prior decides", "prior and data disagree"))
    worst = max(found.khat)
    # "not <=" also catches what is not a number.
    doubt = (
        f" Pareto k̂ of the weights is {worst:.2f}, above {RELIABLE:g}: do not rely on this table."
        if not worst <= RELIABLE
        else ""
    )
    return section(
        "scaling",
        "Does the answer rest on the prior or on the data?",
        f"<p>The prior, or the likelihood, of what tanks share was raised to a power slightly "
        f"beside 1; a sensitivity is how fast a parameter then moves, and from {NOTABLE:g} on it "
        f"is worth a look. Of {plural(len(found.names), 'parameter')}, the prior decides "
        f"{prior_led}, and on {torn} prior and data disagree.{doubt}</p>",
        most(found.prior.tolist(), "Most sensitive to the prior; all are in power_scaling.csv"),
        most(found.likelihood.tolist(), "Most sensitive to the data"),
        '<p class="small">Kallioinen, Paananen, Bürkner and Vehtari 2023, Statistics and Computing '
        "34, 57. Pace and skill are integrated out, so their spreads count as priors of tanks "
        "and keepers, not as what is scaled.</p>",
    )
