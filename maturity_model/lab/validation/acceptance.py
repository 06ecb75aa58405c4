"""Acceptance criteria, and whether the results pass them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.lab.validation.cases import ECOLOGIES, Case
from maturity_model.lab.validation.forecasters import BASELINES, FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.scores import NOT_RUN, Estimate, Verification, estimate
from maturity_model.lab.validation.time_to_mature import NEXT_EVENT, RESAMPLES, coverage

#: Log scores that differ by less are equal: Monte Carlo error, from other draws of the same
#: population.
SAME = 0.002
#: Name, least, most, and the values of the sample and its bootstrap samples.
_Criterion = tuple[str, float, float, Floats]


@dataclass(frozen=True)
class Criterion:
    """A range that an estimate must lie in, for one case or for several by their common name.

    Both ends pass; they are infinite where there is no end. The estimate's value is nan when it
    was not run, or could not be known.
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
    """Cases of an ecology that are judged together too, by the name that they go by then."""
    together = {f"{e}, all presets": [c for c in cases if c.group == e] for e in ECOLOGIES}
    return {name: presets for name, presets in together.items() if len(presets) > 1}


def verify(cases: Sequence[Case], results: Mapping[str, CaseResult]) -> dict[str, Verification]:
    """Verify the phase forecasts of every case, and of the presets of an ecology together."""
    named = {c.name: [c] for c in cases} | pooled_presets(cases)
    return {
        name: Verification([results[c.name].forecasts for c in some])
        for name, some in named.items()
    }


def _own(v: Verification, result: CaseResult) -> Iterator[_Criterion]:
    t = result.times
    times = t[(t["forecaster"] == TOOL) & (t["until"] == NEXT_EVENT)]
    covered = coverage(times, 0.9, v.weights[: 1 + RESAMPLES])
    yield "calibration error", -np.inf, 0.02, v.calibration_error(TOOL)
    yield "coverage of the 90 % interval of the time to mature", 0.88, 0.92, covered


def _ecology(v: Verification) -> Iterator[_Criterion]:
    run, judged, way = v.summary.index, "with a fifth judged", "share of the way to the ceiling"
    for b in BASELINES:
        yield f"log score gained over {b.replace('_', ' ')}", 0.0, np.inf, v.gain(TOOL, b)
    yield way, 0.5, np.inf, v.skill(TOOL)
    yield "calibration error", -np.inf, 0.05, v.calibration_error(TOOL)
    gain = v.gain(FITTED, TOOL) if FITTED in run else NOT_RUN
    yield "log score gained by an unlabelled pooled fit", -SAME, np.inf, gain
    error = v.calibration_error(FITTED_JUDGED) if FITTED_JUDGED in run else NOT_RUN
    yield f"{judged}, calibration error", -np.inf, 0.03, error
    skill = v.skill(FITTED_JUDGED) if FITTED_JUDGED in run else NOT_RUN
    yield f"{judged}, {way}", 2 / 3, np.inf, skill


def evaluate(
    cases: Sequence[Case],
    results: Mapping[str, CaseResult],
    verified: Mapping[str, Verification],
) -> list[Criterion]:
    """Evaluate all criteria of the cases that were run, in their order.

    Those of all presets of an ecology come before its first. ``verified`` is of :func:`verify`.
    """
    out: list[Criterion] = []

    def add(name: str, criteria: Iterable[_Criterion]) -> None:
        out.extend(Criterion(name, what, a, b, estimate(x)) for what, a, b, x in criteria)

    together = {presets[0].name: name for name, presets in pooled_presets(cases).items()}
    for case in cases:
        v = verified[case.name]
        if case.group == "own":
            add(case.name, _own(v, results[case.name]))
        elif case.group in ECOLOGIES:
            if name := together.get(case.name):
                add(name, _ecology(verified[name]))
            add(case.name, _ecology(v))
        else:
            add(case.name, [("log score gained over age", 0.0, np.inf, v.gain(TOOL, "age"))])
    return out


def criteria_table(criteria: Sequence[Criterion]) -> pd.DataFrame:
    """Criteria as ``case, what, least, most, value, low, high, verdict``; open ends are nan."""
    columns = ["case", "what", "least", "most", "value", "low", "high", "verdict"]
    rows = [(c.case, c.what, c.least, c.most, *c.estimate, c.verdict) for c in criteria]
    return pd.DataFrame(rows, columns=columns).replace([np.inf, -np.inf], np.nan)
