"""What goes with a fitted population's draws."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from population.edited_files import documents as documents_in

from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.model_inputs import to_json
from maturity_model.population import load_population, save_population
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import Spread, priors_from_catalogue

CATALOGUE = load_catalogue()
PRIORS = priors_from_catalogue(CATALOGUE)


def test_priors_survive() -> None:
    # Strict JSON: no bare Infinity.
    found = json.loads(to_json(PRIORS), parse_constant=pytest.fail)
    for f in dataclasses.fields(PRIORS):
        value, want = found[f.name], getattr(PRIORS, f.name)
        if isinstance(want, np.ndarray):
            np.testing.assert_array_equal(np.asarray(value, dtype=np.float64), want)
        elif isinstance(want, Spread):
            assert Spread(float(value["mean"]), float(value["sd"])) == want
        else:
            assert (tuple(value) if isinstance(value, list) else value) == want
    assert set(found) == {f.name for f in dataclasses.fields(PRIORS)}


def test_documents_lie_in_the_file(tmp_path: Path) -> None:
    made = elicit_population(CATALOGUE, 0.5, n_draws=32, seed=1)
    kept = {"catalogue": to_json(CATALOGUE), "priors": to_json(PRIORS)}
    save_population(made, tmp_path / "club.nc", kept)
    assert documents_in(tmp_path / "club.nc") == kept
    again = load_population(tmp_path / "club.nc")
    np.testing.assert_array_equal(again.sign_logit, made.sign_logit)
    found = json.loads(kept["catalogue"])
    sign = next(iter(CATALOGUE.signs.values()))
    detection = found["signs"][sign.name]["detection"]
    assert [d["value"] for d in detection] == [d.value for d in sign.detection]
    assert [d["source"] for d in detection] == [d.source for d in sign.detection]
    assert set(found["sources"]) == set(CATALOGUE.sources)
