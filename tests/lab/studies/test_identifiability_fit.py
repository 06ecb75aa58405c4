"""How many tanks until each parameter is learned: its clubs, its priors, and a tiny run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("nutpie", reason="the extra 'fit' is not installed")

from maturity_model.catalogue import load_catalogue
from maturity_model.cli import main
from maturity_model.lab.studies import contraction as c
from maturity_model.lab.studies import identifiability as study
from maturity_model.lab.studies import identifiability_fits as fits
from maturity_model.lab.studies.identifiability_points import Point
from maturity_model.lab.studies.parameters import draw_truth, shared_names
from maturity_model.lab.studies.refit import filter_given
from maturity_model.lab.studies.settings import Identifiability
from maturity_model.population.priors import priors_from_catalogue

pytestmark = pytest.mark.fit

COMMITTED = Path(__file__).parents[3] / "reports" / "identifiability"
PRIORS = priors_from_catalogue(load_catalogue())
NAMES = shared_names(PRIORS)
TINY = Identifiability(clubs=1, seed=4, tanks=10, weeks=12, longest=26)


# Priors ----------------------------------------------------------------------------------


def test_every_parameter_is_in_one_group() -> None:
    keys = {c.group_of(name).key for name in NAMES}
    assert keys == {g.key for g in c.GROUPS}
    for name in NAMES:
        assert sum(name.startswith(g.parts) for g in c.GROUPS) == 1
    with pytest.raises(ValueError, match="no group"):
        c.group_of("depth")


def test_spreads_of_the_prior_are_the_catalogues() -> None:
    sd = fits.prior_sd()
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
    club = fits.make_club(TINY, 0)
    whole = fits.club_panel(club, Point(10, 12))
    part = fits.club_panel(club, Point(5, 12))
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
    short = fits.club_panel(club, Point(10, 6))
    assert np.diff(short.first).tolist() == [6] * 10


def test_tanks_that_are_no_part_of_it_tell_nothing() -> None:
    club = fits.make_club(TINY, 1)
    part = fits.club_panel(club, Point(5, 12))
    truth = draw_truth(part, np.random.default_rng(2))
    each = [filter_given(part, n, truth, PRIORS, 1.0).log_likelihood[-1, 0] for n in range(10)]
    assert max(each[:5]) < -1
    np.testing.assert_allclose(each[5:], 0.0, atol=1e-12)


def test_the_committed_parameters_are_todays() -> None:
    found = study.read(COMMITTED).contraction
    assert tuple(dict.fromkeys(found["parameter"])) == NAMES


# A tiny run ------------------------------------------------------------------------------


def test_the_command_makes_its_files(
    tmp_path: Path, prior_fits: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    sizes = "--clubs 2 --tanks 20 --weeks 10 --longest 13 --draws 80 --tune 150".split()
    words = ["study", "identifiability", *sizes, "--work", str(tmp_path / "w")]
    words += ["--out", str(tmp_path / "r")]
    assert main(words) == 0
    assert "how long phases last (3): not within 20\n" in capsys.readouterr().out
    assert {p.name for p in (tmp_path / "r").iterdir()} == {p.name for p in COMMITTED.iterdir()}
    results = study.read(tmp_path / "r")
    found = results.contraction
    assert tuple(dict.fromkeys(found["parameter"])) == NAMES
    assert found["club"].nunique() == 2
    at = {Point(*row) for row in found[list(Point._fields)].itertuples(index=False)}
    assert at == {
        *(Point(n, 10, w) for n in (5, 10, 20) for w in (0.4, 1.0)), Point(20, 13),
        Point(20, 10, judged=True),
    }  # fmt: skip
    # Draws of the prior have learned nothing: its variance, from 48 draws.
    assert abs(found["contraction"].mean()) < 0.05
    assert len(prior_fits) == 2 * len(at) + 1
    assert results.sampling["fits"].item() == 2 * len(at)
    assert len(results.checks) == len(NAMES)
    before = (tmp_path / "r" / "README.md").read_bytes()
    assert main(words) == 0
    assert (tmp_path / "r" / "README.md").read_bytes() == before
