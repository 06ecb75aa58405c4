"""Whether a fit moved its parameters, and whether its phases still mean what they meant.

Phases are latent: nothing in the likelihood keeps the third phase the bloom. Two things
are compared. What a phase shows (its table of signs and readings) with the catalogue's table
of every phase; and, where somebody judged phases, what the signs and readings alone say
with what was judged.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import expit

from maturity_model._typing import Floats
from maturity_model.fitting.tank_likelihood import smoothed_without_judgements
from maturity_model.population.judgements import confusion
from maturity_model.population.priors import Priors
from maturity_model.population.types import Population

if TYPE_CHECKING:
    from maturity_model.panel import Panel


# Limits. All are the authors' own, no source.
#: Prior standard deviations that a parameter may move.
MAX_SHIFT = 4.0
#: Share of draws in which a phase must look like itself rather than like another.
MIN_OWN_SHARE = 0.5
#: Least separation of two fitted phases, as a share of that in the catalogue.
MIN_SEPARATION = 0.25
#: Judgements needed; standard errors, and share, by which agreement may fall short.
MIN_JUDGED, MAX_ERRORS, MAX_SHORTFALL = 20, 3.0, 0.1
#: Points of a density's grid.
_GRID = 1024


@dataclass(frozen=True)
class JudgedAgreement:
    """What was judged, against signs and readings alone.

    Attributes
    ----------
    observed : float
        Mean probability that signs and readings gave to what was then judged.
    expected : float
        What that would be if the phases meant to the model what they mean to judges.
    standard_error : float
        Of their difference; tanks count as clusters.
    """

    judgements: int
    tanks: int
    observed: float
    expected: float
    standard_error: float

    @property
    def disagrees(self) -> bool:
        """Whether agreement falls short by more than the judges' confusion allows."""
        short = self.expected - self.observed
        return (
            self.judgements >= MIN_JUDGED
            and short > MAX_SHORTFALL
            and short > MAX_ERRORS * self.standard_error
        )


@dataclass(frozen=True)
class Drift:
    """What the drift check found.

    Attributes
    ----------
    overlaps, phases : pandas.DataFrame
        From :func:`overlaps` and :func:`phase_drift`.
    separation : ndarray, shape (K, K)
        Distance between fitted phases as a share of that in the catalogue; 1 on the diagonal.
    judged : JudgedAgreement or None
        None where nothing was judged.
    """

    overlaps: pd.DataFrame
    phases: pd.DataFrame
    separation: Floats
    judged: JudgedAgreement | None

    @cached_property
    def problems(self) -> tuple[str, ...]:
        """Failed gates, in words."""
        return tuple(_problems(self))


def _density(draws: Floats, edges: Floats) -> Floats:
    # Binned kernel density with Silverman's bandwidth, summing to 1.
    n, width = len(draws), edges[1] - edges[0]
    low, high = np.quantile(draws, [0.25, 0.75])
    spread = min(float(draws.std()), float(high - low) / 1.34) or float(draws.std())
    bandwidth = max(0.9 * spread * n**-0.2, width)
    reach = min(int(4 * bandwidth / width) + 1, _GRID // 2 - 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * width / bandwidth) ** 2)
    counts = np.histogram(draws, edges)[0].astype(np.float64)
    smooth = np.convolve(counts, kernel / kernel.sum(), mode="same")
    return np.asarray(smooth / smooth.sum())


def overlap_of(prior: Floats, posterior: Floats) -> float:
    """Area that two densities share, from draws of each."""
    both = np.concatenate([prior, posterior])
    low, high = float(both.min()), float(both.max())
    if high <= low:
        return 1.0
    pad = 0.1 * (high - low)
    edges = np.linspace(low - pad, high + pad, _GRID + 1)
    return float(np.minimum(_density(prior, edges), _density(posterior, edges)).sum())


def overlaps(
    labels: Mapping[str, list[str]], prior: Mapping[str, Floats], posterior: Mapping[str, Floats]
) -> pd.DataFrame:
    """Each parameter before and after the data, from draws of shape (D, ...).

    ``labels`` name a variable's scalars.

    Returns
    -------
    pandas.DataFrame
        ``parameter``, its ``prior_mean``, ``prior_sd``, ``mean`` and ``sd``; the ``shift`` of the
        mean, in prior standard deviations; and ``overlap``, the area that the two densities share,
        0 to 1: 1 when the data said nothing.
    """
    rows = []
    for name, each in labels.items():
        before = prior[name].reshape(len(prior[name]), -1)
        after = posterior[name].reshape(len(posterior[name]), -1)
        for label, a, b in zip(each, before.T, after.T, strict=True):
            if a.std() >= 1e-12:
                rows.append((label, a.mean(), a.std(), b.mean(), b.std(), overlap_of(a, b)))
    columns = ["parameter", "prior_mean", "prior_sd", "mean", "sd", "overlap"]
    found = pd.DataFrame(rows, columns=columns)
    return found.assign(shift=(found["mean"] - found["prior_mean"]) / found["prior_sd"])


def _distance(a: tuple[Floats, ...], b: tuple[Floats, ...]) -> Floats:
    # Bhattacharyya distance of what two phases show, summed over signs and readings.
    # Each: log-odds (G, ...), means (A, ...), standard deviations (A, ...).
    p, q = expit(a[0]), expit(b[0])
    signs = -np.log(np.sqrt(p * q) + np.sqrt((1 - p) * (1 - q)))
    total = a[2] ** 2 + b[2] ** 2
    readings = (a[1] - b[1]) ** 2 / (4 * total) + 0.5 * np.log(total / (2 * a[2] * b[2]))
    return np.asarray(signs.sum(axis=0) + readings.sum(axis=0))


def phase_distances(population: Population, priors: Priors) -> tuple[Floats, Floats, Floats]:
    """Distances between what phases show.

    From fitted phase k to the catalogue's phase j, shape (K, K, D); between fitted phases, (K, K,
    D); between the catalogue's, (K, K).
    """
    fitted = (population.sign_logit, population.reading_mean, population.reading_sd)
    known = tuple(
        x[:, :, None] for x in (priors.sign_logit, priors.reading_mean, priors.reading_sd)
    )

    def pairs(a: tuple[Floats, ...], b: tuple[Floats, ...]) -> Floats:
        left, right = tuple(x[:, :, None] for x in a), tuple(x[:, None, :] for x in b)
        return _distance(left, right)

    return pairs(fitted, known), pairs(fitted, fitted), pairs(known, known)[:, :, 0]


def phase_drift(population: Population, priors: Priors) -> tuple[pd.DataFrame, Floats]:
    """Compare each phase's fitted tables with the catalogue's.

    Returns
    -------
    pandas.DataFrame
        By ``phase``: how far it ``moved``, root mean square over signs and readings in prior
        standard deviations, and what moved ``most``, names and distances, largest first; the share
        of draws in which it looks more like the catalogue's phase of its name than like any other
        (``own_share``); the catalogue's phase that it looks like most apart from its own
        (``nearest_other``), and how much farther that one is, as a share of what it was in the
        catalogue (``margin``): 1 unmoved, 0 halfway, negative when closer to the other.
    separation : ndarray, shape (K, K)
        As in :class:`Drift`.
    """
    to, within, known = phase_distances(population, priors)
    sign_moves = (population.sign_logit.mean(axis=2) - priors.sign_logit).T / priors.sign_logit_sd
    means = population.reading_mean.mean(axis=2)
    reading_moves = (means - priors.reading_mean).T / priors.reading_mean_sd
    moves = np.hstack([sign_moves, reading_moves])
    names = (*priors.signs, *priors.analytes)
    rows = []
    for k, phase in enumerate(priors.phases):
        mean = to[k].mean(axis=1)
        near = int(np.where(np.arange(len(mean)) == k, np.inf, mean).argmin())
        order = np.argsort(-np.abs(moves[k]), kind="stable")[:5]
        rows.append(
            {
                "phase": phase,
                "moved": np.sqrt((moves[k] ** 2).mean()),
                "most": tuple((names[i], float(moves[k, i])) for i in order),
                "own_share": (to[k].argmin(axis=0) == k).mean(),
                "nearest_other": priors.phases[near],
                "margin": (mean[near] - mean[k]) / known[k, near],
            }
        )
    separation = within.mean(axis=2) / np.where(known > 0, known, 1.0)
    np.fill_diagonal(separation, 1.0)
    return pd.DataFrame(rows), separation


def judged_agreement(panel: Panel, priors: Priors, phases: Floats) -> JudgedAgreement | None:
    """Compare judgements with phases found without them.

    The judges' accuracy is the prior's, not the fit's: a fit whose phases have drifted
    explains disagreement by poor judges. ``phases``, (R, K), are from
    :func:`.tank_likelihood.smoothed_without_judgements`.
    """
    judged = panel.judgements
    if not len(judged.row):
        return None
    found = judged.codes[judged.code]
    # A repeated judgement is not predicted from the one before it: where that one disagreed,
    # its repetition would count as agreement. Tanks as clusters allow for repetitions.
    p = phases[judged.row]
    chance = p @ confusion(priors.judge_accuracy.mean, len(priors.phases))[:, :, 0]
    got = p[np.arange(len(p)), found["phase"]]
    mean = (chance * p).sum(axis=1)
    variance = (chance * p**2).sum(axis=1) - mean**2
    tank = np.searchsorted(panel.first, judged.row, side="right") - 1
    by_tank = np.bincount(tank, got - mean, len(panel.tanks))[np.unique(tank)]
    n = len(by_tank)
    clustered = n * float(by_tank.var(ddof=1)) if n > 1 else 0.0
    error = np.sqrt(max(clustered, float(variance.sum()))) / len(got)
    return JudgedAgreement(len(got), n, float(got.mean()), float(mean.mean()), float(error))


def check_drift(panel: Panel, population: Population, priors: Priors, found: pd.DataFrame) -> Drift:
    """Judge whether a fit's phases kept their meaning; ``found`` is from :func:`overlaps`."""
    phases, separation = phase_drift(population, priors)
    judged = None
    if len(panel.judgements.row):
        without = smoothed_without_judgements(panel, population, population.evidence_weight)
        judged = judged_agreement(panel, priors, without)
    return Drift(found, phases, separation, judged)


def _problems(drift: Drift) -> Iterator[str]:
    shift = drift.overlaps.set_index("parameter")["shift"]
    # "not <=" also catches NaN.
    far = shift[~(shift.abs() <= MAX_SHIFT)]
    if len(far):
        worst = far.abs().fillna(np.inf).idxmax()
        yield (
            f"{len(far)} parameters left what practice allows, farthest {worst} "
            f"({far[worst]:+.1f} prior standard deviations, limit {MAX_SHIFT:g})"
        )
    for p in drift.phases.itertuples():
        if not p.own_share >= MIN_OWN_SHARE:
            yield (
                f"the fitted phase {p.phase} looks more like the catalogue's {p.nearest_other} in "
                f"{1 - p.own_share:.0%} of the draws"
            )
    for (i, one), (j, other) in combinations(enumerate(drift.phases["phase"]), 2):
        if not drift.separation[i, j] >= MIN_SEPARATION:
            yield (
                f"the fitted phases {one} and {other} can hardly be told apart "
                f"({drift.separation[i, j]:.0%} of the catalogue's distance)"
            )
    judged = drift.judged
    if judged is not None and judged.disagrees:
        yield (
            f"signs and readings gave what was judged {judged.observed:.0%} on average, where "
            f"the judges' accuracy would have it {judged.expected:.0%}"
        )
