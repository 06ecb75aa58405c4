"""Results on file, the pages made of them, and the command."""

from __future__ import annotations

import csv
import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from maturity_model.cli.main import main
from maturity_model.lab.validation import optional, results, study
from maturity_model.lab.validation.cases import ECOLOGIES, Case, Settings, cases
from maturity_model.lab.validation.clubs import Club, World
from maturity_model.lab.validation.judges import BASELINES
from maturity_model.lab.validation.maturing import Outcomes
from maturity_model.lab.validation.pages import write
from maturity_model.lab.validation.results import CaseResult, key_of, load, save
from maturity_model.lab.validation.slips import Noticed
from maturity_model.lab.validation.study import CEILING, FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.sums import sums_of
from maturity_model.population.types import Population

PHASES = ("cycling", "bloom", "colonising", "mature")
NASTY = '<script>alert("1")</script> | `x` [a](b) & \u202e'


def made(seed: int = 0, item: str = "diatoms", tanks: int = 12) -> CaseResult:
    rng = np.random.default_rng(seed)
    truth = rng.integers(0, 4, (tanks, 50))

    def said(sharp: float) -> np.ndarray:
        p = rng.dirichlet(np.ones(4), truth.shape) + sharp * np.eye(4)[truth]
        return np.asarray(p / p.sum(axis=2, keepdims=True))

    sums = {j: sums_of(said(0.2), truth) for j in BASELINES}
    sums |= {CEILING: sums_of(said(1.0), truth), TOOL: sums_of(said(0.6), truth)}
    n = np.repeat(np.arange(tanks), 20)
    matured = Outcomes(
        n, n * 0, rng.random(len(n)), rng.random(len(n)) < 0.2, np.ones(len(n)), np.ones(len(n))
    )
    counts = Noticed(*rng.integers(1, 5, (5, tanks)).astype(float))
    rows = [
        {"kind": "weight", "item": "1", "log_score": -1.0, "ece": 0.1, "overconfidence": 0.1},
        {"kind": "without", "item": "nothing", "log_score": -1.0, "ece": 0.1,
         "overconfidence": 0.1},
        {"kind": "without", "item": item, "log_score": -0.5, "ece": 0.1, "overconfidence": 0.1},
        {"kind": "sign", "item": item, "phase": "bloom", "n": 500, "observed": 0.9,
         "expected": 0.2},
        {"kind": "reading", "item": item, "phase": "bloom", "n": 500, "observed": 3.0,
         "observed_sd": 1.0, "expected": 0.2, "expected_sd": 1.0},
        {"kind": "dwell", "item": "bloom", "n": 9, "open": 1, "observed": 30.0, "expected": 12.0},
        {"kind": "spread", "item": item, "n": 100, "ratio": 4.0},
    ]  # fmt: skip
    return CaseResult(
        np.repeat(np.arange(tanks // 2), 2),
        sums,
        {TOOL: matured},
        {TOOL: matured},
        {(TOOL, "phase"): counts, (TOOL, "alarm"): counts},
        {(TOOL, 4): rng.random((tanks, 5, study.PARTS)), (TOOL, 8): rng.random((tanks, 5, 150))},
        rows,
        {"evidence_weight": "0.4", "ceiling": "9 trees"},
    )


def three(title: str = "mechanistic") -> tuple[Case, ...]:
    return (
        Case("own", "own", "own", World("model", "club")),
        Case("mechanistic-typical", title, "mechanistic", World("mechanistic", "typical")),
        Case("broken-model-x", "broken", "broken", World("model", "club", ("x",))),
    )


def same(a: CaseResult, b: CaseResult) -> None:
    assert (a.club == b.club).all()
    assert (a.diagnosis, a.notes) == (b.diagnosis, b.notes)
    for name in ("sums", "matured", "matured_quiet", "noticed", "risk"):
        one, other = getattr(a, name), getattr(b, name)
        assert list(one) == list(other)
        for key in one:
            for x, y in zip(one[key], other[key], strict=True):
                np.testing.assert_array_equal(x, y)


def test_a_case_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "case.npz"
    save(made(), path)
    found = load(path)
    assert found is not None
    same(made(), found)
    assert [p.name for p in tmp_path.iterdir()] == ["case.npz"]


@pytest.mark.parametrize("damage", ["cut", "empty", "text", "none"])
def test_a_damaged_case_is_run_again(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "case.npz"
    save(made(), path)
    whole = path.read_bytes()
    if damage == "none":
        path.unlink()
    else:
        path.write_bytes({"cut": whole[: len(whole) // 2], "empty": b"", "text": b"hello"}[damage])
    assert load(path) is None


def test_nothing_on_file_is_ever_evaluated(tmp_path: Path) -> None:
    path = tmp_path / "case.npz"
    np.savez(path, club=np.array([{"a": 1}], dtype=object))
    assert load(path) is None


def test_a_run_takes_up_what_is_on_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from maturity_model.population import load_population

    calls: list[str] = []

    def worlds(case: Case, _: Settings) -> tuple[list[Club], list[Club]]:
        calls.append(case.name)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return [], []

    monkeypatch.setattr(study, "_worlds", worlds)
    monkeypatch.setattr(study, "score_case", lambda *_, **__: made(len(calls)))
    monkeypatch.setattr(study, "_versions", lambda: ("1",))
    settings, population = Settings(tanks=12), load_population()
    with pytest.raises(KeyboardInterrupt):
        study.run(three(), settings, population, tmp_path)
    again = study.run(three(), settings, population, tmp_path)
    assert calls == ["own", "mechanistic-typical", "mechanistic-typical", "broken-model-x"]
    kept = made(1)
    kept.notes["evidence_weight"] = "1"
    same(again["own"], kept)
    # Another seed, and for the model's own world another number of its tanks, run anew.
    study.run(three()[:2], settings._replace(own_tanks=90), population, tmp_path)
    assert calls[4:] == ["own"]
    study.run(three()[2:], settings._replace(seed=2), population, tmp_path)
    assert calls[5:] == ["broken-model-x"]


def test_a_pooled_fit_adds_to_a_case_without_running_it_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from maturity_model.lab.validation import pooled
    from maturity_model.population import load_population

    population, scored, fits = load_population(), [], []

    def fitted(world: World, _: Settings, judged: float, *__: object) -> Population:
        fits.append((world.preset, judged))
        verdict = "failed: too few draws" if judged else "passed"
        return replace(population, kind="fitted", provenance={"diagnostics": verdict})

    def add(result: CaseResult, *args: Any, **_: object) -> None:
        (found,) = args[2]
        scored.append(found.name)
        result.sums[found.name] = made(7).sums[TOOL]

    monkeypatch.setattr(study, "_worlds", lambda *_: ([], []))
    monkeypatch.setattr(study, "score_case", lambda *_, **__: made())
    monkeypatch.setattr(study, "score_forecasters", add)
    monkeypatch.setattr(study, "_versions", lambda: ("1",))
    monkeypatch.setattr(pooled, "fitted", fitted)
    settings = Settings(tanks=12, fit_tanks=5, fit_cases=("mechanistic-typical",))
    other = Case("mechanistic-slow", "slow", "mechanistic", World("mechanistic", "slow"))
    found = study.run((*three(), other), settings, population, tmp_path)
    assert fits == [("typical", 0.0), ("typical", 0.2)]
    assert scored == [FITTED, FITTED_JUDGED]
    with_fits, without = found["mechanistic-typical"], found["mechanistic-slow"]
    assert [j for j in with_fits.sums if j not in without.sums] == [FITTED, FITTED_JUDGED]
    assert with_fits.notes[FITTED].endswith("; the fit passed its checks")
    assert with_fits.notes[FITTED_JUDGED].endswith("; failed: too few draws")
    again = study.run((*three(), other), settings, population, tmp_path)
    assert len(fits) == len(scored) == 2
    assert list(again["mechanistic-typical"].sums) == list(with_fits.sums)
    study.run(three(), settings._replace(fit_draws=50), population, tmp_path)
    assert len(fits) == 4


def test_the_key_knows_the_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = key_of(("a",))
    assert before == key_of(("a",)) != key_of(("b",))
    monkeypatch.setattr(results, "code_digest", lambda: "other")
    assert key_of(("a",)) != before
    shown = {p.name for p in Path(results.__file__).parent.glob("*.py")}
    assert shown >= results.ONLY_SHOW
    # Every ecology's code is part of it, and all that it names is there.
    root = Path(results.__file__).parents[2]
    assert "lab/worlds" in results.SCORED_BY
    assert all((root / name).exists() for name in results.SCORED_BY)


class Reader(HTMLParser):
    """Collects tags and text."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report")
    found = {c.name: made(i, NASTY) for i, c in enumerate(three())}
    write(three(NASTY), Settings(tanks=12), found, PHASES, out, f"maturity-model {NASTY}")
    return out


def test_the_page_escapes(report: Path) -> None:
    page = (report / "index.html").read_text("utf-8")
    reader = Reader()
    reader.feed(page)
    assert "script" not in reader.tags
    assert "\u202e" not in page
    assert '<script>alert("1")' in reader.text
    # One style, pinned by its hash: none came along with a figure.
    assert reader.tags.count("style") == 1
    assert reader.tags.count("svg") == 1 + 2 * 3


def test_the_readme_escapes(report: Path) -> None:
    text = (report / "README.md").read_text("utf-8")
    body = text[: text.index("Made by")]
    assert "<script" not in body.replace("\\<script", "")
    tables = [line for line in body.splitlines() if line.startswith("|")]
    rows = [len(re.findall(r"(?<!\\)\|", line)) for line in tables]
    assert len(rows) > 30
    assert not re.search(r"(?<!\\)\[a(?<!\\)\]\(b\)", body)
    # Every row of a table has as many cells as the one above it.
    blocks = re.split(r"\n(?!\|)", body)
    for block in blocks:
        counts = {len(re.findall(r"(?<!\\)\|", x)) for x in block.splitlines() if x[:1] == "|"}
        assert len(counts) <= 1


def test_misses_are_loud(report: Path) -> None:
    text = (report / "README.md").read_text("utf-8")
    # A case whose tool is over-sure of nothing but far from calibrated: named in bold.
    assert "**MISSED: mechanistic-typical: calibration error" in text
    assert text.index("**MISSED") < text.index("## What was tried")
    assert 'class="missed"' in (report / "index.html").read_text("utf-8")


def test_what_was_not_run_is_named(report: Path) -> None:
    text = (report / "README.md").read_text("utf-8")
    (line,) = (x for x in text.splitlines() if x.startswith("NOT RUN"))
    assert "mechanistic-wide" in line
    assert "mesocosm-busy" in line
    assert "mechanistic-typical" not in line


def test_the_page_says_who_wrote_the_ecologies_and_which_were_weighed_with(report: Path) -> None:
    text = (report / "README.md").read_text("utf-8")
    tried = text[text.index("## What was tried") : text.index("## Scores")]
    assert "three ecologies, each written without sight of the others" in tried
    assert "mesocosm was never used for that" in tried


def test_figures_are_whole_and_named_apart(report: Path) -> None:
    ids: list[str] = []
    for path in sorted(report.glob("*.svg")):
        root = ET.fromstring(path.read_text("utf-8"))
        ids += [e.attrib["id"] for e in root.iter() if "id" in e.attrib]
        for number in re.findall(r"[xy12]=\"(-?[\d.]+|nan|inf)\"", path.read_text("utf-8")):
            assert np.isfinite(float(number))
    assert len(ids) == len(set(ids)) == 2 * (1 + 2 * 3)
    linked = re.findall(r"\]\(([\w.-]+\.svg)\)", (report / "README.md").read_text("utf-8"))
    assert sorted(linked) == sorted(p.name for p in report.glob("*.svg"))


def test_tables_hold_what_the_results_hold(report: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((report / "scores.csv").read_text("utf-8"))))
    assert len(rows) == 3 * 6
    s = made(0).sums[TOOL]
    row = next(r for r in rows if r["case"] == "own" and r["judge"] == TOOL)
    assert float(row["log_score"]) == pytest.approx(s.log.sum() / s.weeks.sum(), rel=1e-4)
    assert float(row["log_score_low"]) < float(row["log_score"]) < float(row["log_score_high"])
    ages = list(csv.DictReader(io.StringIO((report / "by_age.csv").read_text("utf-8"))))
    own = [r for r in ages if r["case"] == "own" and r["judge"] == TOOL]
    assert sum(int(r["tank_weeks"]) for r in own) == 12 * 50
    for name in ("by_phase", "reliability", "time_to_mature", "slips", "risk", "causes"):
        table = list(csv.reader(io.StringIO((report / f"{name}.csv").read_text("utf-8"))))
        assert len({len(r) for r in table}) == 1
        assert len(table) > 3
    causes = (report / "causes.csv").read_text("utf-8")
    assert '"<script>alert(""1"")</script> | `x`' in causes


def test_cases_are_chosen_by_name_and_group() -> None:
    every = cases()
    assert len({c.name for c in every}) == len(every) > 10
    assert [c.name for c in cases(["own"])] == ["own"]
    groups = [c.group for c in every]
    assert list(dict.fromkeys(groups)) == ["own", "mechanistic", "microcosm", "mesocosm", "broken"]
    assert groups == sorted(groups, key=groups.index)
    assert [c.name for c in cases(["microcosm", "mesocosm"])] == [
        "microcosm-usual", "mesocosm-usual", "mesocosm-slowburn", "mesocosm-busy",
    ]  # fmt: skip
    assert all(c.world == (c.group, c.name.partition("-")[2], ()) for c in cases(ECOLOGIES))
    assert {c.group for c in cases(["broken", "mechanistic-typical"])} == {"broken", "mechanistic"}
    with pytest.raises(ValueError, match="no case is called 'nothing'"):
        cases(["nothing"])


def test_a_missing_package_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(optional, "PACKAGES", {"nowhere_to_be_found": "scikit-learn"})
    assert main(["validate", "--out", str(tmp_path / "x")]) == 2
    assert "scikit-learn not installed; this needs the extra 'validate'" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()
    with pytest.raises(optional.MissingPackage, match="scikit-learn is not installed"):
        optional.need("nowhere_to_be_found.part")


def test_the_command_says_what_is_wrong_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(optional, "PACKAGES", {})
    out = str(tmp_path / "x")
    assert main(["validate", "--out", out, "--case", "nothing"]) == 2
    assert "no case is called 'nothing'" in capsys.readouterr().err
    assert main(["validate", "--out", out, "--tanks", "4", "--clubs", "5"]) == 2
    capsys.readouterr()
    chosen = ["--case", "own", "--case", "mesocosm", "--fit-case"]
    assert main(["validate", "--out", out, *chosen, "own"]) == 2
    assert "'own' is no ecology's case of this run" in capsys.readouterr().err
    assert main(["validate", "--out", out, *chosen, "microcosm-usual"]) == 2
    assert main(["validate", "--out", out, "--population", str(tmp_path / "none.nc")]) == 4


@pytest.mark.slow
def test_a_small_run_from_end_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("sklearn")
    pytest.importorskip("hmmlearn")
    out = tmp_path / "out"
    size = ["--tanks", "6", "--clubs", "3", "--weeks", "20", "--training", "12"]
    args = ["validate", "--out", str(out), *size, "--case", "own", "--case", "mechanistic-typical"]
    assert main(args) == 0
    assert (out / "README.md").is_file()
    assert len(list((out / ".cases").glob("*.npz"))) == 2
    first = {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()}
    capsys.readouterr()
    # A rerun takes up both cases and says the same.
    assert main(args) == 0
    assert {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()} == first
