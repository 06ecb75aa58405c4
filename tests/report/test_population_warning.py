"""A population whose fit failed says so on every page, for ever."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.cli import main
from maturity_model.population import elicit_population, save_population

DEMO = Path(__file__).parents[2] / "data" / "demo"


def weekly(tmp_path: Path, provenance: dict[str, str], kind: str) -> tuple[str, dict]:
    made = elicit_population(load_catalogue(), 0.4, n_draws=32, seed=2)
    path = tmp_path / "club.nc"
    save_population(replace(made, name="club", kind=kind, provenance=provenance), path)
    out = tmp_path / "out"
    assert main(["weekly", str(DEMO), "--population", str(path), "--out", str(out)]) in (0, 3)
    record = next(p for p in sorted(out.glob("*.json")) if "statement" in json.loads(p.read_text()))
    page = record.with_suffix(".html").read_text("utf-8")
    return page, json.loads(record.read_text("utf-8"))


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
    tmp_path: Path,
    kind: str,
    provenance: dict[str, str],
    standing: str,
    words: str,
    trusted: bool,
) -> None:
    page, record = weekly(tmp_path, provenance, kind)
    found = record["provenance"]["population"]
    assert found["standing"] == standing or kind == "elicited"
    assert words in record["statement"]
    assert ("must not be trusted" not in page) == trusted
    assert ("&lt;b&gt;3&lt;/b&gt;" in page) == ("<b>" in str(provenance))
    assert (found["warning"] is None) == (standing in ("", "passed"))
    if standing == "unknown":
        assert found["warning"] == "its file does not say whether the fit passed its checks"
