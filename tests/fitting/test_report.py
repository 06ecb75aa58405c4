"""What a fit learned, predictive checks, and the researcher's report."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")

from fitting.fitted_example import (
    EVIL,
    FORMULA,
    PRIORS,
    dressed,
    example,
    panel,
    report_of_example,
    truth,
)
from report.page_tree import check_page, parse

from maturity_model.fitting.pooled_fit import shared_names, stack_chains
from maturity_model.fitting.power_scaling import NOTABLE
from maturity_model.fitting.predictive_checks import mean_run_length, predictive_checks
from maturity_model.fitting.report import page as report_page
from maturity_model.fitting.summary import LEVELS, summarise
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices
from maturity_model.population.types import take_draws

TEMPLATES = Path(report_page.__file__).parent / "templates"
pytestmark = pytest.mark.fit


def summary(**changes: np.ndarray) -> pd.DataFrame:
    """What the example learned, with some of its draws changed."""
    posterior = example().posterior
    draws = stack_chains(posterior, [*shared_names(posterior), "pace", "skill"])
    keepers = tuple(str(k) for k in posterior["keeper"].values)
    return summarise(draws | changes, example().prior, PRIORS, keepers)


def test_sojourn_is_the_chains_own() -> None:
    log_advance = np.array([-0.7, -1.5, -2.0, -2.5])
    chain = StagedChain(4, 3)
    advance, none = np.exp(log_advance)[:, None], np.zeros((4, 1))
    matrix = transition_matrices(move_probabilities(advance, none, none)[:, 0], chain)
    found = summary(log_advance=np.tile(log_advance, (200, 1)))
    usual = found[(found["quantity"] == "sojourn") & (found["item"] == "usual")]
    for k in range(3):
        weeks, p = 0.0, np.eye(12)[3 * k]
        for _ in range(5000):
            weeks += p[3 * k : 3 * k + 3].sum()
            p = p @ matrix
        assert usual["mean"].iloc[k] == pytest.approx(weeks, rel=1e-9)
    assert tuple(usual["phase"]) == PRIORS.phases[:3]


def test_every_part_is_there_once() -> None:
    found = summary()
    assert not found.duplicated(["quantity", "item", "phase"]).any()
    assert {"sojourn", "detection", "persistence", "kit_noise", "skill", "event_setback",
            "husbandry", "judge_accuracy", "pace_sd"} <= set(found["quantity"])  # fmt: skip
    assert set(found["parameter"]) <= set(example().diagnostics.checks["parameter"])
    assert (np.diff(found[[*LEVELS]], axis=1) >= 0).all()
    by_name = found.set_index(["quantity", "item", "phase"])
    logit = example().posterior["sign_logit"].sel(sign="copepods", phase="bloom").values.ravel()
    expected = (1 / (1 + np.exp(-logit))).mean()
    assert by_name.loc["detection", "copepods", "bloom"]["mean"] == pytest.approx(expected)


def test_runs() -> None:
    values = np.array([[1, 1, -1, 1, 0, 1], [0, 0, -1, -1, -1, -1]], float)
    # What was not asked does not break a run: three, then one.
    assert mean_run_length(values) == pytest.approx(2)
    assert mean_run_length(np.zeros((2, 3))) == 0


@pytest.mark.parametrize(("shift", "least", "most"), [(0.0, 0, 0.25), (1.5, 0.5, 1)])
def test_the_true_model_passes_and_a_false_one_does_not(
    shift: float, least: float, most: float
) -> None:
    of = panel(16, 40, 0.6)
    drawn = take_draws(truth(), np.zeros(40, dtype=np.int64))
    posterior, _ = dressed(replace(drawn, sign_logit=drawn.sign_logit + shift), of)
    draws = stack_chains(posterior, [*shared_names(posterior), "pace", "skill"])
    checks = predictive_checks(of, PRIORS, draws, seed=3, draws=40)
    assert set(checks["check"]) == {"prevalence", "reading", "run_length"}
    signs = checks[checks["check"] != "reading"]
    assert least <= (~signs["observed"].between(signs["q05"], signs["q95"])).mean() <= most


# The report ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return report_of_example(tmp_path_factory.mktemp("pooled") / "report").parent


def test_page_is_closed_and_escaped(report: Path) -> None:
    html = (report / "index.html").read_text("utf-8")
    page = parse(html)
    check_page(page)
    assert not page.find("script")
    assert EVIL in page.text
    (policy,) = (n.attributes["content"] for n in page.find("meta") if "http-equiv" in n.attributes)
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert not any(name.startswith("on") for n in page.walk() for name in n.attributes)
    # This "fit" has too few draws; the page says so first.
    assert page.text.index("Checks failed") < page.text.index("Did the phases")
    assert [n.attributes["id"] for n in page.find("section")] == [
        "verdict", "drift", "sojourn", "detection", "persistence", "kits", "keepers", "events",
        "husbandry", "priors", "scaling", "predictive", "loo", "fit",
    ]  # fmt: skip


def test_nothing_in_a_template_turns_text_into_markup() -> None:
    sources = [p.read_text("utf-8") for p in TEMPLATES.iterdir() if p.suffix != ".css"]
    assert len(sources) == 3
    for source in sources:
        assert not re.search(r"\|\s*safe|autoescape|\sstyle=|<script|\son\w+=", source)


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
    tables = {p.stem: pd.read_csv(p, keep_default_na=False) for p in report.glob("*.csv")}
    assert set(tables) == {"parameters", "predictive", "loo", "drift", "power_scaling"}
    parameters, expected = tables["parameters"], summary()
    assert parameters["quantity"].tolist() == expected["quantity"].tolist()
    np.testing.assert_allclose(parameters["q50"], expected["q50"], rtol=1e-5)
    assert (parameters["r_hat"].astype(float) > 0.9).all()
    keepers = parameters.loc[parameters["quantity"] == "skill", "item"].tolist()
    assert EVIL in keepers
    # A spreadsheet must not take it for a formula.
    assert f"'{FORMULA}" in keepers
    assert tables["loo"]["tank"].tolist() == [t.name for t in panel().tanks]
    assert tables["drift"]["phase"].tolist() == list(PRIORS.phases)
    scaled = tables["power_scaling"]
    assert set(scaled["parameter"]) <= set(example().diagnostics.checks["parameter"])
    variables = set(scaled["parameter"].str.partition("[")[0])
    assert {"sign_logit", "log_advance", "reading_mean", "pace_sd"} <= variables
    prior, data = scaled["prior_sensitivity"], scaled["likelihood_sensitivity"]
    assert ((scaled["diagnosis"] != "") == (prior >= NOTABLE)).all()
    assert (
        (scaled["diagnosis"] == "the prior decides") == ((prior >= NOTABLE) & (data < NOTABLE))
    ).all()
    assert tables["predictive"]["p"].astype(float).between(0, 1).all()
