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


@pytest.mark.parametrize(
    ("verdict", "said", "words"),
    [
        (
            "failed: <b>3</b> of 800 transitions diverged",
            "failed: &lt;b&gt;3&lt;/b&gt; of 800",
            "pooled fit that failed its checks",
        ),
        (
            None,
            "does not say whether the fit passed its checks",
            "pooled fit whose checks are not known",
        ),
    ],
    ids=["failed", "unknown"],
)
def test_a_failed_fit_is_said(tmp_path: Path, verdict: str | None, said: str, words: str) -> None:
    provenance = {} if verdict is None else {"diagnostics": verdict}
    page, record = weekly(tmp_path, provenance, "fitted")
    assert said in page
    assert words in record["statement"]
    warning = record["provenance"]["population"]["warning"]
    assert warning == (verdict or "its file does not say whether the fit passed its checks")


@pytest.mark.parametrize(
    ("provenance", "kind"),
    [({"diagnostics": "passed"}, "fitted"), ({"diagnostics": "failed: x"}, "elicited")],
)
def test_otherwise_nothing_is_said(tmp_path: Path, provenance: dict[str, str], kind: str) -> None:
    page, record = weekly(tmp_path, provenance, kind)
    assert "must not be trusted" not in page
    assert record["provenance"]["population"]["warning"] is None


@pytest.mark.parametrize("verdict", ["passed", "failed: Pareto k 1.9"])
def test_an_approximation_is_called_one_for_ever(tmp_path: Path, verdict: str) -> None:
    page, record = weekly(tmp_path, {"diagnostics": verdict, "method": "approximate"}, "fitted")
    found = record["provenance"]["population"]
    failed = verdict != "passed"
    words = "approximate fit that failed its checks" if failed else "approximate fit, for a first"
    assert words in record["statement"]
    assert words in page
    assert found["standing"] == ("approximate, failed" if failed else "approximate")
    assert found["warning"].startswith("an approximation, made for a first look")
    assert ("Pareto k 1.9" in page) == failed
    assert ("must not be trusted" in page) == failed
