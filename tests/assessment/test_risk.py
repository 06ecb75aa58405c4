"""Risk of slipping back, as things stand and what if, against all futures."""

from __future__ import annotations

import numpy as np
import pytest
from assessment.small_tank import a_log, event, lively, over_future, practice, present, what_if

from maturity_model.assessment.risk import event_plans, slip_probability, slip_risks
from maturity_model.catalogue import load_catalogue

CATALOGUE = load_catalogue()
LOG = a_log(6, [event(1, "water_change", 10.0), event(20, "deep_clean"), event(38, "crash")])


@pytest.mark.parametrize(
    ("text", "stages", "horizons"),
    [
        (None, 1, (2, 4)),
        ("crash", 1, (2, 4)),
        ("overfeeding=4", 1, (2, 4)),
        ("water_change=35/1w", 1, (2, 4)),
        ("water_change=none", 1, (2, 4)),
        ("livestock_added=5/1w + water_change=60", 1, (2, 4)),
        ("crash + water_change=35/1w", 3, (1, 2)),
    ],
)
def test_risk_equals_the_enumeration(
    text: str | None, stages: int, horizons: tuple[int, int]
) -> None:
    here = present(LOG, lively(0, 7, stages=stages))
    plan = what_if(text)

    def count(paths: np.ndarray, probability: np.ndarray) -> np.ndarray:
        phases = here.mixture.chain.phase_of[paths]
        lower = phases[:, 1:] < phases[:, :1]
        return np.array([probability @ lower[:, :h].any(axis=1) for h in horizons])

    wanted = over_future(here, horizons[-1], plan, count)
    found = slip_probability(here, plan, horizons)
    np.testing.assert_allclose(found, wanted, rtol=0, atol=1e-10)
    assert found.min() > 1e-3


def test_the_baseline_is_the_risk_that_the_filter_gives() -> None:
    here = present(a_log(20, [event(100, "overfeeding", 4.0)]), practice(), nodes=(5, 3))
    by_filter = here.mixture.risk(here.hazards.advance, here.hazards.ahead(8), (4, 8))
    np.testing.assert_allclose(slip_probability(here), by_filter[-1], rtol=0, atol=1e-12)


def test_events_raise_the_risk_and_the_more_the_larger() -> None:
    here = present(a_log(20, rock="live"), practice(), nodes=(5, 3))
    base, *rest = slip_risks(here)
    assert base.plan is None
    assert [c.mean for c in base.change] == [0.0, 0.0]
    assert [r.plan.steps[0].kind for r in rest] == [
        k for k in CATALOGUE.events if k != "water_change"
    ]
    for risk in rest:
        for change, value, baseline in zip(risk.change, risk.risk, base.risk, strict=True):
            assert change.mean > 1e-3
            assert change.mean == pytest.approx(value.mean - baseline.mean, abs=1e-12)
            assert value.low <= value.mean <= value.high
        assert risk.risk[0].mean <= risk.risk[1].mean
    some, more, most = (
        slip_probability(here, what_if(f"overfeeding={a}")) @ here.weight for a in (1.5, 2, 4)
    )
    assert (some < more).all()
    assert (more < most).all()
    assert (slip_probability(here, what_if("overfeeding=1")) == slip_probability(here)).all()


@pytest.mark.parametrize(
    ("days", "amount", "text"), [(14, 20.0, "water_change=20/2w"), (7, 12.0, "water_change=12/1w")]
)
def test_a_plan_equal_to_present_husbandry_changes_nothing(
    days: int, amount: float, text: str
) -> None:
    log = a_log(20, [event(n, "water_change", amount) for n in range(3, 139, days)])
    here = present(log, practice(), nodes=(5, 3))
    base = slip_probability(here)
    np.testing.assert_allclose(slip_probability(here, what_if(text)), base, rtol=0, atol=1e-12)
    changed = slip_probability(here, what_if("water_change=none"))
    assert np.abs(changed - base).max() > 1e-6


def test_plans_of_one_s_own_come_last() -> None:
    here = present(LOG, lively(0, 1))
    mine = (what_if("water_change=none"), what_if("crash"))
    found = slip_risks(here, mine, (1, 3))
    assert tuple(r.plan for r in found[-2:]) == mine
    assert len(found) == 1 + len(event_plans(here)) + 2
    assert all(len(r.risk) == len(r.change) == 2 for r in found)
    assert found[-1].risk == next(r for r in found if r.plan and r.plan.text == "crash").risk
