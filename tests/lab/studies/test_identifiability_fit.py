"""How many tanks until each parameter is learned: its clubs, its priors, and a tiny run."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("nutpie", reason="the extra 'fit' is not installed")

from maturity_model.catalogue import load_catalogue
from maturity_model.cli import main
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.lab.studies import contraction as c
from maturity_model.lab.studies import identifiability as study
from maturity_model.lab.studies.identifiability_points import Point, Setting
from maturity_model.lab.studies.identifiability_tables import read_contraction
from maturity_model.lab.studies.refit import Refitter, filter_given
from maturity_model.lab.studies.replications import draw_truth, shared_names
from maturity_model.panel import Panel
from maturity_model.population.priors import priors_from_catalogue

pytestmark = pytest.mark.fit

COMMITTED = Path(__file__).parents[3] / "reports" / "identifiability"
CATALOGUE = load_catalogue()
PRIORS = priors_from_catalogue(CATALOGUE)
NAMES = shared_names(PRIORS)
TINY = Setting(clubs=3, seed=4, tanks=10, weeks=12, longest=26)


# Priors ----------------------------------------------------------------------------------


def test_every_parameter_is_in_one_group() -> None:
    keys = {c.group_of(name).key for name in NAMES}
    assert keys == {g.key for g in c.GROUPS}
    for name in NAMES:
        assert sum(name.startswith(g.parts) for g in c.GROUPS) == 1
    with pytest.raises(ValueError, match="no group"):
        c.group_of("depth")


def test_spreads_of_the_prior_are_the_catalogues() -> None:
    sd = dict(zip(NAMES, study.prior_sd(CATALOGUE, PRIORS, NAMES), strict=True))
    event = PRIORS.events.index("crash")
    for name, wanted in (
        ("log_advance[bloom]", PRIORS.log_advance_sd[1]),
        ("log_setback[mature]", 0.5),
        ("event_setback[crash]", PRIORS.event_sd[event]),
        ("event_memory[crash]", PRIORS.event_memory_sd[event]),
        ("sign_logit[diatoms, bloom]", PRIORS.sign_logit_sd[PRIORS.signs.index("diatoms")]),
        ("reading_sd[nitrate, mature]", 0.15),
        ("pace_sd", PRIORS.pace_sd.sd),
    ):
        assert sd[name] == pytest.approx(wanted, rel=0.02), name
    # A share's spread in log-odds is about its own over p (1 - p).
    a = PRIORS.judge_accuracy
    assert sd["judge_accuracy"] == pytest.approx(a.sd / (a.mean * (1 - a.mean)), rel=0.05)


# Clubs -----------------------------------------------------------------------------------


def test_a_smaller_club_is_a_part_of_the_largest() -> None:
    club = study.make_club(TINY, 0, CATALOGUE, PRIORS)
    whole = study.club_panel(club, Point(10, 12), CATALOGUE)
    part = study.club_panel(club, Point(5, 12), CATALOGUE)
    assert np.diff(whole.first).tolist() == [12] * 10
    assert np.diff(part.first).tolist() == [12] * 5 + [1] * 5
    assert [t.keeper for t in part.tanks[:3]] == ["keeper-0", "keeper-0", "keeper-1"]
    rows = int(part.first[5])
    for kind in ("signs", "readings"):
        a, b = getattr(part, kind), getattr(whole, kind)
        np.testing.assert_array_equal(
            a.codes[a.of_rows(0, rows)[1]], b.codes[b.of_rows(0, rows)[1]]
        )
        assert a.row.max() < rows
    np.testing.assert_array_equal(part.impulse[:rows], whole.impulse[:rows])
    assert not part.impulse[rows:].any()
    assert len(part.judgements.row) == 0
    short = study.club_panel(club, Point(10, 6), CATALOGUE)
    assert np.diff(short.first).tolist() == [6] * 10


def test_tanks_that_are_no_part_of_it_tell_nothing() -> None:
    club = study.make_club(TINY, 1, CATALOGUE, PRIORS)
    part = study.club_panel(club, Point(5, 12), CATALOGUE)
    truth = draw_truth(part, np.random.default_rng(2))
    each = [filter_given(part, n, truth, PRIORS, 1.0).log_likelihood[-1, 0] for n in range(10)]
    assert max(each[:5]) < -1
    np.testing.assert_allclose(each[5:], 0.0, atol=1e-12)


def test_a_fifth_of_the_tanks_is_judged() -> None:
    club = study.make_club(TINY, 0, CATALOGUE, PRIORS)
    panel = study.club_panel(club, Point(10, 12, judged=True), CATALOGUE)
    judged = {x.tank for x in panel.logbook.checkins if x.judged_phase}
    assert judged == {panel.tanks[0].name, panel.tanks[5].name}
    assert all(x.judged_phase for x in panel.logbook.checkins if x.tank in judged)


def test_clubs_differ_and_come_again() -> None:
    one, again, other = (study.make_club(TINY, n, CATALOGUE, PRIORS) for n in (0, 0, 1))
    assert one.book.checkins == again.book.checkins
    np.testing.assert_array_equal(one.truth, again.truth)
    assert (one.truth != other.truth).all()
    assert [e.date for e in one.book.events] != [e.date for e in other.book.events]


def test_the_committed_parameters_are_todays() -> None:
    found = read_contraction(COMMITTED / "contraction.csv", 60)
    assert found.names == NAMES


# A tiny run ------------------------------------------------------------------------------


class Draws:
    """Draws of the prior, as if nothing had been learned."""

    chains, divergent, seconds = 1, 0, 1.0

    def __init__(self, panel: Panel, seed: int):
        truths = [draw_truth(panel, np.random.default_rng([seed, i])) for i in range(40)]
        self.draws = {k: np.concatenate([t[k] for t in truths], axis=-1) for k in truths[0]}


@pytest.fixture
def fitted(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Evidence weights of all fits, none of which is made."""
    weights: list[float] = []

    def fit(self: Refitter, panel: Panel, plan: SamplingPlan) -> Draws:
        weights.append(self.evidence_weight)
        return Draws(panel, plan.seed)

    monkeypatch.setattr(Refitter, "fit", fit)
    return weights


def test_finished_fits_are_taken_up(tmp_path: Path, fitted: list[float]) -> None:
    setting = Setting(clubs=1, seed=4, tanks=5, weeks=8, longest=8)
    first = study.run(setting, tmp_path)
    assert fitted == [0.4, 1.0]
    again = study.run(setting, tmp_path)
    assert len(fitted) == 2
    for point, fits in first.fits.items():
        for a, b in zip(fits[0], again.fits[point][0], strict=True):
            np.testing.assert_array_equal(a, b)
    # A damaged file, or one of other parameters, costs one fit.
    one, other = sorted(tmp_path.glob("*.json"))
    one.write_text("{", encoding="utf-8")
    kept = json.loads(other.read_text(encoding="utf-8"))
    other.write_text(json.dumps(kept | {"mean": [1.0]}), encoding="utf-8")
    study.run(setting, tmp_path)
    assert len(fitted) == 4
    study.run(Setting(clubs=1, seed=4, tanks=5, weeks=8, longest=8, draws=301), tmp_path)
    assert len(fitted) == 6


def test_the_command_makes_its_files(
    tmp_path: Path, fitted: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["study", "identifiability", "--out", str(tmp_path / "r")]
    words += ["--work", str(tmp_path / "w")]
    sizes = {"clubs": 2, "tanks": 20, "weeks": 10, "longest": 13, "draws": 80, "tune": 150}
    for name, n in sizes.items():
        words += [f"--{name}", str(n)]
    assert main(words) == 0
    assert "README.md" in capsys.readouterr().out
    assert {p.name for p in (tmp_path / "r").iterdir()} == {
        "README.md", "checks.csv", "contraction.csv", "contraction.svg", "tanks.csv",
    }  # fmt: skip
    found = read_contraction(tmp_path / "r" / "contraction.csv", 10)
    assert found.names == NAMES
    assert found.clubs == 2
    assert set(found.at) == {
        *(Point(n, 10, w) for n in (5, 10, 20) for w in (0.4, 1.0)), Point(20, 13),
        Point(20, 10, judged=True),
    }  # fmt: skip
    # Draws of the prior have learned nothing: its variance, from 40 draws.
    assert abs(np.mean(list(found.at.values()))) < 0.05
    assert len(fitted) == 2 * len(found.at) + 1
    before = (tmp_path / "r" / "README.md").read_bytes()
    assert main(words) == 0
    assert (tmp_path / "r" / "README.md").read_bytes() == before


@pytest.mark.long
@pytest.mark.slow
def test_signs_are_learned_and_events_are_not(tmp_path: Path) -> None:
    setting = Setting(clubs=1, seed=4, tanks=20, weeks=40, longest=40, draws=100, tune=150)
    made = study.Study(setting, tmp_path, lambda _: None)
    club = study.make_club(setting, 0, CATALOGUE, PRIORS)
    found = made.fit(club, 0, Point(20, 40, 1.0))
    left = c.contraction(found.sd, study.prior_sd(CATALOGUE, PRIORS, NAMES))
    mean = {
        g.key: float(np.mean([x for n, x in zip(NAMES, left, strict=True) if c.group_of(n) == g]))
        for g in c.GROUPS
    }
    assert mean["signs"] > 0.4
    assert mean["levels"] > 0.4
    # Nobody judges, and events are few.
    for key in ("memory", "judges"):
        assert abs(mean[key]) < 0.3
    # The truth is where the posterior is.
    assert np.mean(((found.mean - found.truth) / found.sd) ** 2) == pytest.approx(1, abs=0.4)
