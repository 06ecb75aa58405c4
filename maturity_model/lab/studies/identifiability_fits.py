"""Clubs of several sizes, and what a fit of each leaves of the prior.

Clubs are drawn from the model's own world, their parameters from the priors, and fitted as
``maturity-model fit`` fits them. What a posterior is to be held against is the law of the
prior, from :mod:`maturity_model.population.elicit`. Needs the extra ``fit``, with nutpie.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.convergence import ess_bulk, r_hat
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.predictive_draws import Outcomes
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.lab.studies.contraction import on_prior_scale
from maturity_model.lab.studies.identifiability_points import (
    CHECK_CHAINS,
    CHECK_LENGTH,
    HABITS,
    ONE_JUDGED_IN,
    Point,
)
from maturity_model.lab.studies.parameters import (
    draw_log,
    draws_of,
    shared_names,
    shared_values,
)
from maturity_model.lab.studies.refit import Refitter
from maturity_model.lab.studies.replications import design_club
from maturity_model.lab.studies.settings import Identifiability
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import priors_from_catalogue

#: Draws and seed of the prior.
PRIOR_DRAWS, PRIOR_SEED = 100_000, 20261125


class Club(NamedTuple):
    """A club at its largest, every tank judged, and its shared parameters, shape (Q,)."""

    book: Logbook
    truth: Floats


@cache
def prior_sd() -> pd.Series:
    """Standard deviation of each parameter's prior, by name, on its scale."""
    catalogue = load_catalogue()
    priors = priors_from_catalogue(catalogue)
    names = shared_names(priors)
    population = elicit_population(catalogue, 1.0, n_draws=PRIOR_DRAWS, seed=PRIOR_SEED)
    draws = on_prior_scale(names, shared_values(draws_of(population), priors))
    return pd.Series(draws.std(axis=1), index=list(names))


@cache
def make_club(setting: Identifiability, number: int) -> Club:
    """Simulate a club of usual habits; every number has its own parameters and design."""
    catalogue = load_catalogue()
    priors = priors_from_catalogue(catalogue)
    seed = int(np.random.SeedSequence([setting.seed, number]).generate_state(1)[0]) // 2
    habits = replace(HABITS, weeks=max(setting.weeks, setting.longest))
    panel = design_club(setting.tanks, seed, habits, catalogue)
    rng = np.random.default_rng([setting.seed, number, 1])
    truth, book = draw_log(panel, Outcomes.of(panel, priors), priors, rng)
    return Club(book, shared_values(truth, priors)[:, 0])


def club_panel(club: Club, point: Point) -> Panel:
    """The first tanks and weeks of a club, as a panel of all its tanks.

    One compiled model then serves every size: a tank that begins on the last day and is
    never looked at tells nothing.
    """
    book = club.book
    start = next(iter(book.tanks.values())).started
    end = start + dt.timedelta(days=7 * point.weeks - 1)
    names = list(book.tanks)
    kept = frozenset(names[: point.tanks])
    judged = frozenset(names[: point.tanks : ONE_JUDGED_IN] if point.judged else ())
    checkins = (
        c if c.tank in judged else replace(c, judged_phase=None)
        for c in book.checkins
        if c.tank in kept
    )
    # What is later than the end, the panel leaves out.
    part = replace(
        book,
        tanks={n: t if n in kept else replace(t, started=end) for n, t in book.tanks.items()},
        checkins=tuple(checkins),
        events=tuple(e for e in book.events if e.tank in kept),
    )
    return build_panel(part, book.catalogue, end)


@cache
def refitter(weight: float) -> Refitter:
    """The fits of one evidence weight, whose models are compiled once in each process."""
    priors = priors_from_catalogue(load_catalogue())
    return Refitter(priors, weight, ModelOptions(judgement_weight=1.0))


def fit_point(
    setting: Identifiability, number: int, point: Point, long: bool = False
) -> pd.DataFrame:
    """Fit one point of one club: a row for each parameter.

    ``mean`` and ``sd`` of the posterior, the ``truth`` that the club was simulated with and the
    prior's ``prior_sd``, all on the scale of the priors; effective draws ``ess``; and, the same in
    all rows, the largest ``r_hat``, of halves of the chain or of chains, ``divergent`` transitions
    and ``seconds`` of sampling. A ``long`` fit has :data:`CHECK_CHAINS` chains,
    :data:`CHECK_LENGTH` times as long.
    """
    club, fits = make_club(setting, number), refitter(point.weight)
    seed = int(np.random.SeedSequence([setting.seed, number, 2]).generate_state(1)[0]) // 2
    plan = SamplingPlan(setting.draws, setting.tune, chains=1, seed=seed, cores=1)
    if long:
        length = CHECK_LENGTH * setting.draws
        plan = replace(plan, draws=length, chains=CHECK_CHAINS, seed=seed + 1)
    fit = fits.fit(club_panel(club, point), plan)
    names = shared_names(fits.priors)
    values = on_prior_scale(names, shared_values(fit.draws, fits.priors))
    chains = values.reshape(len(values), fit.chains, -1).transpose(1, 2, 0)
    return pd.DataFrame(
        {
            "club": number + 1,
            **point._asdict(),
            "long": long,
            "parameter": names,
            "mean": values.mean(axis=1),
            "sd": values.std(axis=1, ddof=1),
            "truth": on_prior_scale(names, club.truth[:, None])[:, 0],
            "prior_sd": prior_sd()[list(names)].to_numpy(),
            "ess": np.asarray(ess_bulk(chains)),
            "r_hat": float(np.max(r_hat(chains))),
            "divergent": fit.divergent,
            "seconds": fit.seconds,
        }
    )
