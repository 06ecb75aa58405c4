"""Acceptance criteria, and whether the results pass them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from maturity_model.lab.validation.cases import ECOLOGIES, Case
from maturity_model.lab.validation.forecasters import BASELINES, FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.scores import NOT_RUN, Estimate, Verification, estimate
from maturity_model.lab.validation.time_to_mature import NEXT_EVENT, RESAMPLES, coverage

_INF = float("inf")
#: Log scores that differ by less are equal: Monte Carlo error, from other draws of the same
#: population.
SAME = 0.002


@dataclass(frozen=True)
class Criterion:
    """A range that an estimate must lie in.

    Attributes
    ----------
    case : str
        Or several cases, by the name that they go by together.
    what : str
    least, most : float
        Both ends pass; infinite where there is no end.
    estimate : Estimate
        Its value is nan when it was not run, or could not be known.
    """

    case: str
    what: str
    least: float
    most: float
    estimate: Estimate

    @property
    def passed(self) -> bool | None:
        """Whether the value lies within; None where it is not known."""
        if not np.isfinite(self.estimate.value):
            return None
        return bool(self.least <= self.estimate.value <= self.most)

    @property
    def conclusive(self) -> bool:
        """Whether the whole interval says the same."""
        _, low, high = self.estimate
        if self.passed is None or not (np.isfinite(low) and np.isfinite(high)):
            return False
        if self.passed:
            return bool(self.least <= low and high <= self.most)
        return bool(high < self.least or low > self.most)

    @property
    def verdict(self) -> str:
        """In words."""
        if self.passed is None:
            return "not known"
        words = "met" if self.passed else "MISSED"
        return words if self.conclusive else f"{words}, could be chance"


def pooled_presets(cases: Sequence[Case]) -> dict[str, list[Case]]:
    """Cases of an ecology that are judged together as well, where there are several.

    Returns
    -------
    dict of str to list of Case
        By the name that they go by together.
    """
    together = {f"{e}, all presets": [c for c in cases if c.group == e] for e in ECOLOGIES}
    return {name: presets for name, presets in together.items() if len(presets) > 1}


def verify(cases: Sequence[Case], results: Mapping[str, CaseResult]) -> dict[str, Verification]:
    """Verify the phase forecasts of every case, and of the presets of an ecology together."""
    named = {c.name: [c] for c in cases} | pooled_presets(cases)
    return {
        name: Verification([results[c.name].forecasts for c in some])
        for name, some in named.items()
    }


def _own(case: str, v: Verification, result: CaseResult) -> list[Criterion]:
    times = result.times[
        (result.times["forecaster"] == TOOL) & (result.times["until"] == NEXT_EVENT)
    ]
    covered = estimate(coverage(times, 0.9, v.weights[: 1 + RESAMPLES]))
    what = "coverage of the 90 % interval of the time to mature"
    return [
        Criterion(case, "calibration error", -_INF, 0.02, estimate(v.calibration_error(TOOL))),
        Criterion(case, what, 0.88, 0.92, covered),
    ]


def _ecology(case: str, v: Verification) -> list[Criterion]:
    fitted, judged = (name in v.forecasters for name in (FITTED, FITTED_JUDGED))
    gains = [
        (f"log score gained over {b.replace('_', ' ')}", estimate(v.gain(TOOL, b)))
        for b in BASELINES
    ]
    way = "share of the way to the ceiling"
    rows = [
        *((what, 0.0, _INF, gain) for what, gain in gains),
        (way, 0.5, _INF, estimate(v.skill(TOOL))),
        ("calibration error", -_INF, 0.05, estimate(v.calibration_error(TOOL))),
        (
            "log score gained by an unlabelled pooled fit", -SAME, _INF,
            estimate(v.gain(FITTED, TOOL)) if fitted else NOT_RUN,
        ),
        (
            "with a fifth judged, calibration error", -_INF, 0.03,
            estimate(v.calibration_error(FITTED_JUDGED)) if judged else NOT_RUN,
        ),
        (
            f"with a fifth judged, {way}", 2 / 3, _INF,
            estimate(v.skill(FITTED_JUDGED)) if judged else NOT_RUN,
        ),
    ]  # fmt: skip
    return [Criterion(case, *row) for row in rows]


def evaluate(
    cases: Sequence[Case],
    results: Mapping[str, CaseResult],
    verified: Mapping[str, Verification] | None = None,
) -> list[Criterion]:
    """Evaluate all criteria of the cases that were run.

    Parameters
    ----------
    cases : sequence of Case
    results : mapping of str to CaseResult
        By name of the case.
    verified : mapping of str to Verification, optional
        See :func:`verify`.

    Returns
    -------
    list of Criterion
        In the order of the cases; those of all presets of an ecology before its first.
    """
    verified = verify(cases, results) if verified is None else verified
    out: list[Criterion] = []
    together = {presets[0].name: name for name, presets in pooled_presets(cases).items()}
    for case in cases:
        v = verified[case.name]
        if case.group == "own":
            out += _own(case.name, v, results[case.name])
        elif case.group in ECOLOGIES:
            if name := together.get(case.name):
                out += _ecology(name, verified[name])
            out += _ecology(case.name, v)
        else:
            gain = estimate(v.gain(TOOL, "age"))
            out.append(Criterion(case.name, "log score gained over age", 0.0, _INF, gain))
    return out


def criteria_table(criteria: Sequence[Criterion]) -> pd.DataFrame:
    """Criteria as ``case, what, least, most, value, low, high, verdict``; open ends are nan."""
    columns = ["case", "what", "least", "most", "value", "low", "high", "verdict"]
    rows = [(c.case, c.what, c.least, c.most, *c.estimate, c.verdict) for c in criteria]
    return pd.DataFrame(rows, columns=columns).replace([np.inf, -np.inf], np.nan)
