"""A pooled fit within a validation: what is handed on is what the fit command would hand on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from maturity_model.lab.validation.cases import ECOLOGIES, Settings, cases, is_fitted
from maturity_model.lab.validation.clubs import World
from maturity_model.lab.validation.pooled_fit import fitted
from maturity_model.population import load_population


def test_only_what_was_asked_for_is_fitted() -> None:
    every = {c.name: c for c in cases()}
    two = Settings(fit_tanks=9, fit_cases=("mechanistic-wide", "own"))
    assert [n for n, c in every.items() if is_fitted(c, two)] == ["mechanistic-wide"]
    assert not any(is_fitted(c, Settings()) for c in every.values())
    all_of_them = {n for n, c in every.items() if is_fitted(c, Settings(fit_tanks=9))}
    assert all_of_them == {n for n, c in every.items() if c.group in ECOLOGIES}
    assert {"mechanistic-typical", "microcosm-usual", "mesocosm-busy"} <= all_of_them


@pytest.mark.fit
@pytest.mark.long
def test_a_small_fit_is_kept_and_used_as_the_command_would(tmp_path: Path) -> None:
    world = World("mechanistic", "typical")
    settings = Settings(clubs=2, fit_tanks=8, weeks=26, fit_draws=50, fit_tune=60, fit_chains=1,
                        fit_moves="practice")  # fmt: skip
    found = fitted(world, settings, 0.5, tmp_path)
    default = load_population()
    assert found.kind == "fitted"
    said = found.provenance
    # Four judged tanks are too few to choose by.
    assert {said["signs"], said["moves"], said["readings"]} == {"practice"}
    assert np.isin(found.outlier, default.outlier).all()
    # How keepers judge is learned all the same.
    assert not np.isin(found.judge_repeat, default.judge_repeat).any()
    assert float(said["weekly_evidence_weight"]) == pytest.approx(found.evidence_weight)
    assert "sign_shift_variance" in said
    assert int(said["tanks"]) == 8

    def refuse(*_: object) -> None:
        raise AssertionError("fitted again")

    again = fitted(world, settings, 0.5, tmp_path, refuse)
    np.testing.assert_array_equal(again.sign_logit, found.sign_logit)
    # Other judgements, or other moves, are another fit.
    for other, judged in ((settings, 0.0), (settings._replace(fit_moves="learned"), 0.5)):
        with pytest.raises(AssertionError, match="fitted again"):
            fitted(world, other, judged, tmp_path, refuse)
