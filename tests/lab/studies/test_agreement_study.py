"""Agreement of weekly updates with refits: its parts, the committed results, a tiny run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("nutpie", reason="the extra 'fit' is not installed")

from maturity_model.catalogue import load_catalogue
from maturity_model.lab.studies import agreement
from maturity_model.panel import build_panel
from maturity_model.population.priors import priors_from_catalogue

pytestmark = pytest.mark.fit

REPORTS = Path(__file__).parents[3] / "reports"
CATALOGUE = load_catalogue()
PRIORS = priors_from_catalogue(CATALOGUE)


def test_new_tanks_are_of_every_age() -> None:
    pool, new, as_of = agreement.simulate_club(CATALOGUE, 3, 4, 18, seed=8)
    assert len(pool.tanks) == 3
    for i, (name, age) in enumerate(zip(new.tanks, (6, 10, 14, 18), strict=True)):
        panel = build_panel(agreement.with_tank(pool, new, name), CATALOGUE, as_of)
        assert [t.name for t in panel.tanks] == [*pool.tanks, name]
        assert np.diff(panel.first).tolist() == [18, 18, 18, age]
        assert panel.tanks[-1].rock == "dry"
        alone = build_panel(new, CATALOGUE, as_of)
        for kind in ("signs", "readings"):
            a, b = getattr(panel, kind), getattr(alone, kind)
            x = a.codes[a.of_rows(int(panel.first[3]), int(panel.first[4]))[1]]
            y = b.codes[b.of_rows(int(alone.first[i]), int(alone.first[i + 1]))[1]]
            assert len(x) > 0
            assert (x == y).all()


def test_the_committed_updates_agree_with_refits() -> None:
    rows = agreement.read(REPORTS / "agreement")
    weekly, refit = (rows[[f"{how}_{p}" for p in PRIORS.phases]] for how in ("weekly", "refit"))
    distance = [
        agreement.total_variation(p, q)
        for p, q in zip(weekly.to_numpy(), refit.to_numpy(), strict=True)
    ]
    np.testing.assert_allclose(rows["distance"], distance, atol=2e-5)
    assert (rows["divergent"] == 0).all()
    assert len(rows) == 20
    assert np.mean(distance) < agreement.MEAN_LIMIT
    assert max(distance) < agreement.WORST_LIMIT
    assert agreement.agrees(rows)
