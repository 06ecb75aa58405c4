"""What must hold, and whether it does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.lab.validation.cases import ECOLOGIES, Case
from maturity_model.lab.validation.judges import BASELINES
from maturity_model.lab.validation.maturing import coverage, resampled_coverage
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.study import CEILING, FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.sums import (
    Sums,
    calibration_error,
    interval,
    log_score,
    resampled_calibration_error,
    resampled_log_score,
    resamplings,
    share_of_the_way,
    units,
)

#: Seed of the resamplings; of coverage there are fewer, for each is an estimate of its own.
SEED, OF_COVERAGE = 17, 300


class Hold(NamedTuple):
    """One thing that must hold.

    Attributes
    ----------
    case : str
    what : str
    low, high : float
        It holds from ``low`` to ``high``, ends included; infinite where there is no end.
    value : float
        As found; nan when it was not run, or could not be known.
    interval : tuple of float
        5 % and 95 % points under resampling.
    """

    case: str
    what: str
    low: float
    high: float
    value: float
    interval: tuple[float, float]

    @property
    def met(self) -> bool | None:
        """Whether the value lies within; None where it is not known."""
        if not np.isfinite(self.value):
            return None
        return bool(self.low <= self.value <= self.high)

    @property
    def sure(self) -> bool:
        """Whether all of the interval tells the same."""
        low, high = self.interval
        if self.met is None or not (np.isfinite(low) and np.isfinite(high)):
            return False
        if self.met:
            return bool(self.low <= low and high <= self.high)
        return bool(high < self.low or low > self.high)

    @property
    def verdict(self) -> str:
        """In words."""
        if self.met is None:
            return "not known"
        return ("met" if self.met else "MISSED") + ("" if self.sure else ", could be chance")

    @property
    def wanted(self) -> str:
        """The range in words."""
        if np.isinf(self.high):
            return f"at least {self.low:g}"
        if np.isinf(self.low):
            return f"at most {self.high:g}"
        return f"{self.low:g} to {self.high:g}"


class Group(NamedTuple):
    """Tanks that are judged together: one case, or several.

    Attributes
    ----------
    name : str
    sums : dict of str to Sums
    times : ndarray, shape (n, N)
        Resamplings.
    unit : str
        What is resampled.
    """

    name: str
    sums: dict[str, Sums]
    times: Floats
    unit: str

    def score(self, judge: str) -> float:
        """Log score."""
        return log_score(self.sums[judge])

    def scores(self, judge: str) -> Floats:
        """Log score in each resampling."""
        return resampled_log_score(self.sums[judge], self.times)

    def way(self, judge: str) -> tuple[float, tuple[float, float]]:
        """Share of the way from age alone to the ceiling, and its interval."""
        point = [np.array(self.score(j)) for j in (judge, "age", CEILING)]
        drawn = [self.scores(j) for j in (judge, "age", CEILING)]
        return float(share_of_the_way(*point)), interval(share_of_the_way(*drawn))

    def gain(self, judge: str, other: str) -> tuple[float, tuple[float, float]]:
        """Log score less that of another judge on the same weeks, and its interval."""
        drawn = self.scores(judge) - self.scores(other)
        return self.score(judge) - self.score(other), interval(drawn)

    def error(self, judge: str) -> tuple[float, tuple[float, float]]:
        """Calibration error, and its interval."""
        drawn = resampled_calibration_error(self.sums[judge], self.times)
        return calibration_error(self.sums[judge]), interval(drawn)


def pooled(cases: Sequence[Case]) -> dict[str, list[Case]]:
    """The cases of each ecology that are judged together too, where there are several.

    Returns
    -------
    dict of str to list of Case
        By the name that they go by together.
    """
    found = {f"{e}, all presets": [c for c in cases if c.group == e] for e in ECOLOGIES}
    return {name: own for name, own in found.items() if len(own) > 1}


def group(name: str, results: Sequence[CaseResult]) -> Group:
    """Several cases as one; judges that all of them have."""
    judges = [j for j in results[0].sums if all(j in r.sums for r in results)]
    sums = {}
    for judge in judges:
        parts = zip(*(r.sums[judge] for r in results), strict=True)
        sums[judge] = Sums(*(np.concatenate(part) for part in parts))
    starts = np.cumsum([0, *(int(r.club.max()) + 1 for r in results)])
    club = np.concatenate([r.club + s for r, s in zip(results, starts, strict=False)])
    unit, what = units(len(club), club)
    return Group(name, sums, resamplings(unit, SEED), what)


_NAN = float("nan")
_NOT_RUN = _NAN, (_NAN, _NAN)
_INF = float("inf")


def _own(case: str, result: CaseResult) -> list[Hold]:
    found = group(case, [result])
    out = [Hold(case, "calibration error", -_INF, 0.02, *found.error(TOOL))]
    matured = result.matured_quiet[TOOL]
    times = found.times[:OF_COVERAGE]
    drawn = resampled_coverage(matured, 0.9, times)
    what = "coverage of the 90 % interval of the time to mature"
    out.append(Hold(case, what, 0.88, 0.92, coverage(matured, 0.9), interval(drawn)))
    return out


#: Log scores that differ by less are the same: other numbers of the same draws do.
SAME = 0.002


def _ecology(found: Group) -> list[Hold]:
    name, out = found.name, []
    for baseline in BASELINES:
        what = f"log score gained over {baseline.replace('_', ' ')}"
        out.append(Hold(name, what, 0.0, _INF, *found.gain(TOOL, baseline)))
    out.append(Hold(name, "share of the way to the ceiling", 0.5, _INF, *found.way(TOOL)))
    out.append(Hold(name, "calibration error", -_INF, 0.05, *found.error(TOOL)))
    learned, judged = ((j in found.sums) for j in (FITTED, FITTED_JUDGED))
    gain = found.gain(FITTED, TOOL) if learned else _NOT_RUN
    out.append(Hold(name, "log score gained by an unlabelled pooled fit", -SAME, _INF, *gain))
    error = found.error(FITTED_JUDGED) if judged else _NOT_RUN
    way = found.way(FITTED_JUDGED) if judged else _NOT_RUN
    what = "with a fifth judged, "
    out.append(Hold(name, f"{what}calibration error", -_INF, 0.03, *error))
    out.append(Hold(name, f"{what}share of the way to the ceiling", 2 / 3, _INF, *way))
    return out


def evaluate(cases: Sequence[Case], results: Mapping[str, CaseResult]) -> list[Hold]:
    """Everything that must hold, of the cases that were run.

    Parameters
    ----------
    cases : sequence of Case
    results : mapping of str to CaseResult
        By name of the case.

    Returns
    -------
    list of Hold
        In the order of the cases; those of an ecology first all together.
    """
    out: list[Hold] = []
    together = {own[0].name: (name, own) for name, own in pooled(cases).items()}
    for case in cases:
        if case.group == "own":
            out += _own(case.name, results[case.name])
        elif case.group in ECOLOGIES:
            if case.name in together:
                name, own = together[case.name]
                out += _ecology(group(name, [results[c.name] for c in own]))
            out += _ecology(group(case.name, [results[case.name]]))
        else:
            gain = group(case.name, [results[case.name]]).gain(TOOL, "age")
            out.append(Hold(case.name, "log score gained over age", 0.0, _INF, *gain))
    return out
