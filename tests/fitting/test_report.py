"""What a fit learned, predictive checks, and the researcher's report."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")

from command_logs import rows
from fitting.fitted_example import EVIL, FORMULA, PRIORS, dressed, example, panel, truth
from report.page_tree import parse

from maturity_model.fitting.command import leave_tanks_out
from maturity_model.fitting.pooled_fit import shared_names, stack_chains
from maturity_model.fitting.power_scaling import NOTABLE
from maturity_model.fitting.predictive_checks import mean_run_length, predictive_checks
from maturity_model.fitting.report.page import write_report
from maturity_model.fitting.summary import Quantity, summarise
from maturity_model.population.types import take_draws

pytestmark = pytest.mark.fit


def quantities() -> tuple[Quantity, ...]:
    posterior = example().posterior
    draws = stack_chains(posterior, [*shared_names(posterior), "pace", "skill"])
    keepers = tuple(str(k) for k in posterior["keeper"].values)
    return summarise(draws, example().prior, PRIORS, keepers)


def test_sojourn_is_the_chains_own() -> None:
    from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

    log_advance = np.array([-0.7, -1.5, -2.0, -2.5])
    chain = StagedChain(4, 3)
    advance, none = np.exp(log_advance)[:, None], np.zeros((4, 1))
    matrix = transition_matrices(move_probabilities(advance, none, none)[:, 0], chain)
    first = {k: np.zeros(12) for k in range(3)}
    found = {q.phase: q for q in summarise_one(log_advance) if q.item == "usual"}
    for k, start in first.items():
        start[3 * k] = 1
        weeks, p = 0.0, start
        for _ in range(5000):
            weeks += p[3 * k : 3 * k + 3].sum()
            p = p @ matrix
        assert found[PRIORS.phases[k]].mean == pytest.approx(weeks, rel=1e-9)


def summarise_one(log_advance: np.ndarray) -> tuple[Quantity, ...]:
    posterior = example().posterior
    draws = stack_chains(posterior, shared_names(posterior))
    draws["log_advance"] = np.tile(log_advance, (len(draws["log_advance"]), 1))
    kept = summarise(draws, example().prior, PRIORS)
    return tuple(q for q in kept if q.quantity == "sojourn")


def test_every_part_is_there_once() -> None:
    found = quantities()
    assert len({(q.quantity, q.item, q.phase) for q in found}) == len(found)
    kinds = {q.quantity for q in found}
    assert {"sojourn", "detection", "persistence", "kit_noise", "skill", "event_setback",
            "husbandry", "judge_accuracy", "pace_sd"} <= kinds  # fmt: skip
    known = {c.name for c in example().diagnostics.checks}
    assert {q.parameter for q in found} <= known
    for q in found:
        assert list(q.quantiles) == sorted(q.quantiles)
    (one,) = (
        q for q in found if (q.quantity, q.phase) == ("detection", "bloom") and q.item == "copepods"
    )
    logit = example().posterior["sign_logit"].sel(sign="copepods", phase="bloom").values.ravel()
    assert one.mean == pytest.approx((1 / (1 + np.exp(-logit))).mean())


def test_runs() -> None:
    values = np.array([[1, 1, -1, 1, 0, 1], [0, 0, -1, -1, -1, -1]], float)
    # What was not asked does not break a run: three, then one.
    assert mean_run_length(values) == pytest.approx(2)
    assert mean_run_length(np.zeros((2, 3))) == 0


def outside(shift: float) -> float:
    of = panel(16, 40, 0.6)
    drawn = take_draws(truth(), np.zeros(40, dtype=np.int64))
    drawn = replace(drawn, sign_logit=drawn.sign_logit + shift)
    posterior, _ = dressed(drawn, of)
    draws = stack_chains(posterior, [*shared_names(posterior), "pace", "skill"])
    checks = predictive_checks(of, PRIORS, draws, seed=3, draws=40)
    assert {c.check for c in checks} == {"prevalence", "reading", "run_length"}
    signs = [c for c in checks if c.check != "reading"]
    return float(np.mean([c.outside for c in signs]))


def test_the_true_model_passes_and_a_false_one_does_not() -> None:
    assert outside(0.0) < 0.25
    assert outside(1.5) > 0.5


# The report ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pooled") / "report"
    result = example()
    return write_report(result, leave_tanks_out(result), folder, "fit <b>&").parent


def test_page_is_closed_and_escaped(report: Path) -> None:
    html = (report / "index.html").read_text("utf-8")
    page = parse(html)
    tags = list(page.walk())
    assert not page.find("script")
    assert EVIL in page.text
    (policy,) = (n.attributes["content"] for n in tags if "http-equiv" in n.attributes)
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    names = {name for n in tags for name in n.attributes}
    assert not any(name == "style" or name.startswith("on") for name in names)
    ids = [n.attributes["id"] for n in tags if "id" in n.attributes]
    assert len(ids) == len(set(ids))
    # This "fit" has too few draws; the page says so first.
    assert page.text.index("Checks failed") < page.text.index("Did the phases")
    for word in ("How long the phases last", "What is seen when", "Keepers", "What events do",
                 "What the data changed", "rest on the prior or on the data",
                 "leave one tank out"):  # fmt: skip
        assert word in page.text


def test_figures_are_files(report: Path) -> None:
    names = {p.stem for p in (report / "figures").iterdir()}
    assert {"sojourn", "detection", "persistence", "kit_noise", "skill", "events", "husbandry",
            "run_lengths", "prevalence_01", "reading_01"} <= names  # fmt: skip
    for path in (report / "figures").iterdir():
        root = ET.parse(path).getroot()
        tags = {e.tag.rpartition("}")[2] for e in root.iter()}
        assert tags <= {"svg", "title", "style", "rect", "text", "line", "circle"}
        for element in root.iter():
            for name, value in element.attrib.items():
                if name in ("x", "y", "x1", "x2", "y1", "y2", "cx", "cy"):
                    assert math.isfinite(float(value.rstrip("%")))
    keepers = ET.parse(report / "figures" / "skill.svg").getroot()
    assert any(e.text == EVIL for e in keepers.iter())


def test_tidy_tables(report: Path) -> None:
    found = rows(report / "parameters.csv")
    assert len(found) == len(quantities())
    for row, q in zip(found, quantities(), strict=True):
        assert row["quantity"] == q.quantity
        assert float(row["q50"]) == pytest.approx(q.quantiles[2], rel=1e-5)
        assert float(row["r_hat"]) > 0.9
    keepers = [r["item"] for r in found if r["quantity"] == "skill"]
    assert EVIL in keepers
    # A spreadsheet must not take it for a formula.
    assert f"'{FORMULA}" in keepers
    loo = rows(report / "loo.csv")
    assert [r["tank"] for r in loo] == [t.name for t in panel().tanks]
    assert len(rows(report / "drift.csv")) == 4
    scaled = rows(report / "power_scaling.csv")
    known = {c.name for c in example().diagnostics.checks}
    assert {r["parameter"] for r in scaled} <= known
    assert {"sign_logit", "log_advance", "reading_mean", "pace_sd"} <= {
        r["parameter"].partition("[")[0] for r in scaled
    }
    for row in scaled:
        prior, data = float(row["prior_sensitivity"]), float(row["likelihood_sensitivity"])
        assert (row["diagnosis"] != "") == (prior >= NOTABLE)
        assert (row["diagnosis"] == "the prior decides") == (prior >= NOTABLE > data)
    checks = rows(report / "predictive.csv")
    assert all(0 <= float(r["p"]) <= 1 for r in checks)
