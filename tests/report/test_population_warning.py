"""A population whose fit failed says so on every page, for ever."""

from __future__ import annotations

from dataclasses import replace

import pytest
from assessment.assessed import demo, practice

from maturity_model.assessment import assess
from maturity_model.report.machine import tank_record
from maturity_model.report.pages import tank_page
from maturity_model.report.wording import phase_labels

ROUGH = {"method": "approximate"}


@pytest.mark.parametrize(
    ("kind", "provenance", "standing", "words", "trusted"),
    [
        ("fitted", {"diagnostics": "passed"}, "passed", "(pooled fit)", True),
        ("elicited", {"diagnostics": "failed: x"}, "", "no pooled fit yet", True),
        ("fitted", {"diagnostics": "failed: <b>3</b> diverged"}, "failed", "failed its", False),
        ("fitted", {}, "unknown", "fit whose checks are not known", False),
        ("fitted", {"diagnostics": "passed", **ROUGH}, "approximate", "for a first look", True),
        ("fitted", {"diagnostics": "failed: <b>3</b>", **ROUGH}, "approximate, failed",
         "approximate fit that failed its checks", False),
    ],
)  # fmt: skip
def test_a_page_says_how_far_its_population_can_be_trusted(
    kind: str,
    provenance: dict[str, str],
    standing: str,
    words: str,
    trusted: bool,
) -> None:
    population = replace(practice(), name="club", kind=kind, provenance=provenance)
    assessment = assess(demo()[0], population, questions=False)
    tank = assessment.tanks[0]
    page = tank_page(tank, assessment, "cmd")
    record = tank_record(tank, assessment, "cmd", phase_labels(assessment))
    found = record["provenance"]["population"]
    assert found["standing"] == standing or kind == "elicited"
    assert words in record["statement"]
    assert ("must not be trusted" not in page) == trusted
    assert ("&lt;b&gt;3&lt;/b&gt;" in page) == ("<b>" in str(provenance))
    assert (found["warning"] is None) == (standing in ("", "passed"))
    if standing == "unknown":
        assert found["warning"] == "its file does not say whether the fit passed its checks"
