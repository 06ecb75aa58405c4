"""Whether the weekly update of a new tank agrees with a full refit that includes it.

The weekly path mixes over the draws of a population fitted without the tank, reweighted by
the tank's likelihood, with pace and skill integrated by quadrature. The refit samples
everything again, the tank in the pool. Both say the phase in the log's last week.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.fitting.pooled_fit import MAX_DRAWS
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.fitting.to_population import make_population
from maturity_model.lab.studies.refit import Refit, Refitter, filter_given
from maturity_model.lab.studies.replications import thinned
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.whole_files import write_file

#: Wanted: so many new tanks; and total variation on average, and at worst.
TANKS = 20
MEAN_LIMIT, WORST_LIMIT = 0.03, 0.10
#: Age of the youngest new tank, weeks; the oldest is as old as the pool.
YOUNGEST = 6
#: Two chains are enough to tell how much is noise of the sampler.
CHAINS = 2


class Agreement(NamedTuple):
    """One new tank.

    Attributes
    ----------
    tank : str
    weeks : int
        Its age.
    weekly, refit : ndarray, shape (K,)
        P(phase in the last week | log).
    distance : float
        Total variation between them.
    noise : float
        Total variation between the first and the second half of the refit's draws.
    khat : float
        Pareto k of the weekly update's weights.
    power : float
        Share of the tank's log-likelihood that the weights carry; 1 is all of it.
    divergent : int
        In the refit.
    seconds : float
        Of the refit's sampling.
    """

    tank: str
    weeks: int
    weekly: Floats
    refit: Floats
    distance: float
    noise: float
    khat: float
    power: float
    divergent: int
    seconds: float


def total_variation(p: Floats, q: Floats) -> float:
    """Half the sum of absolute differences of two distributions."""
    return float(np.abs(np.asarray(p) - q).sum() / 2)


def simulate_club(
    catalogue: Catalogue, n_pool: int, n_new: int, weeks: int, seed: int
) -> tuple[Logbook, Logbook, dt.date]:
    """A pool and new tanks of the same club, and the last day.

    The new tanks begin with dry rock, since the compiled model is tied to where its tanks
    begin, and later than the pool: their ages spread evenly from :data:`YOUNGEST` to
    ``weeks``.

    Returns
    -------
    pool, new : Logbook
    as_of : date
    """
    truth = elicit_population(catalogue, 1.0, n_draws=1, seed=seed)
    rng = np.random.default_rng(seed)
    pool = simulate_logbook(truth, catalogue, n_pool, rng, Habits(weeks=weeks), one_draw=True)
    habits = Habits(weeks=weeks, rocks=(1.0, 0.0, 0.0))
    new = simulate_logbook(truth, catalogue, n_new, rng, habits, one_draw=True)
    began = next(iter(pool.logbook.tanks.values())).started
    as_of = began + dt.timedelta(days=7 * weeks - 1)
    ages = np.linspace(min(YOUNGEST, weeks), weeks, n_new).round().astype(int)
    later = {
        name: dt.timedelta(days=7 * (weeks - int(age)))
        for name, age in zip(new.logbook.tanks, ages, strict=True)
    }

    def moved(rows: tuple[Any, ...]) -> list[Any]:
        out = [replace(r, tank=f"new-{r.tank}", date=r.date + later[r.tank]) for r in rows]
        return sorted((r for r in out if r.date <= as_of), key=lambda r: r.date)

    tanks = {
        f"new-{name}": replace(
            t, name=f"new-{name}", keeper=f"new-{t.keeper}", started=t.started + later[name]
        )
        for name, t in new.logbook.tanks.items()
    }
    book = replace(
        new.logbook,
        tanks=tanks,
        checkins=tuple(moved(new.logbook.checkins)),
        events=tuple(moved(new.logbook.events)),
    )
    return pool.logbook, book, as_of


def with_tank(pool: Logbook, new: Logbook, name: str) -> Logbook:
    """The pool's logbook and one new tank, which comes last."""
    return replace(
        pool,
        tanks={**pool.tanks, name: new.tanks[name]},
        checkins=_merged(pool.checkins, new.checkins, name),
        events=_merged(pool.events, new.events, name),
    )


def _merged(pool: tuple[Any, ...], new: tuple[Any, ...], name: str) -> tuple[Any, ...]:
    return tuple(sorted([*pool, *(r for r in new if r.tank == name)], key=lambda r: r.date))


def present_phase(panel: Panel, n: int, refit: Refit, refitter: Refitter) -> tuple[Floats, float]:
    """P(phase in the last week) of tank n after a refit, shape (K,), and its noise."""
    found = filter_given(panel, n, refit.draws, refitter.priors, refitter.evidence_weight)
    each = found.chain.by_phase(found.states[-1], axis=0)
    first, second = np.array_split(each, 2, axis=1)
    return each.mean(axis=1), total_variation(first.mean(axis=1), second.mean(axis=1))


def run(
    n_new: int,
    n_pool: int,
    weeks: int,
    seed: int,
    draws: int = 500,
    say: Callable[[str], None] = lambda _: None,
) -> list[Agreement]:
    """Compare weekly updates with refits, one new tank at a time.

    Parameters
    ----------
    n_new, n_pool, weeks, seed : int
    draws : int
        Of each of the two chains of a fit.
    say : callable
        Told about progress.

    Returns
    -------
    list of Agreement
    """
    catalogue = load_catalogue()
    refitter = Refitter(priors_from_catalogue(catalogue), DEFAULT_EVIDENCE_WEIGHT)
    pool, new, as_of = simulate_club(catalogue, n_pool, n_new, weeks, seed)
    plan = SamplingPlan(draws, tune=300, chains=CHAINS, seed=seed, cores=1)
    base = refitter.fit(build_panel(pool, catalogue, as_of), plan)
    say(f"pool: {base.seconds:.0f} s, {base.divergent} divergent")
    population = make_population(
        thinned(base.draws, min(MAX_DRAWS, base.n_draws)),
        refitter.priors,
        name="without the tank",
        kind="fitted",
        evidence_weight=refitter.evidence_weight,
    )
    out = []
    for i, name in enumerate(new.tanks):
        panel = build_panel(with_tank(pool, new, name), catalogue, as_of)
        n = n_pool
        found, _ = filter_tank(make_tables(panel, population), n)
        weekly = found.phases()[-1]
        again = refitter.fit(panel, replace(plan, seed=seed + 1 + i))
        refit, noise = present_phase(panel, n, again, refitter)
        out.append(
            Agreement(
                name,
                int(panel.first[n + 1] - panel.first[n]),
                weekly,
                refit,
                total_variation(weekly, refit),
                noise,
                float(found.trusted.khat_full[-1]),
                float(found.trusted.power[-1]),
                again.divergent,
                again.seconds,
            )
        )
        say(f"{name}: total variation {out[-1].distance:.4f}, {again.seconds:.0f} s")
    return out


def agrees(results: list[Agreement]) -> bool:
    """Whether the distances are as small as wanted."""
    distance = [r.distance for r in results]
    return bool(np.mean(distance) < MEAN_LIMIT and max(distance) < WORST_LIMIT)


def write(
    results: list[Agreement], out: Path, n_pool: int, weeks: int, seed: int, draws: int = 500
) -> None:
    """Write ``tanks.csv`` and ``README.md``.

    Parameters
    ----------
    results : list of Agreement
    out : Path
    n_pool, weeks, seed, draws : int
        As given to :func:`run`.
    """
    out.mkdir(parents=True, exist_ok=True)
    phases = tuple(load_catalogue().phases)
    head = [f"{how}_{phase}" for how in ("weekly", "refit") for phase in phases]
    lines = [",".join(["tank,weeks,distance,noise,khat,power,divergent,seconds", *head])]
    for r in results:
        about = f"{r.tank},{r.weeks},{r.distance:.5f},{r.noise:.5f},{r.khat:.2f},{r.power:.3f}"
        each = ",".join(f"{p:.5f}" for p in (*r.weekly, *r.refit))
        lines.append(f"{about},{r.divergent},{r.seconds:.1f},{each}")
    write_file(out / "tanks.csv", "\n".join(lines) + "\n")
    distance = np.array([r.distance for r in results])
    table = "\n".join(
        f"| {r.tank} | {r.weeks} | {phases[int(np.argmax(r.refit))]} {100 * r.refit.max():.0f} % "
        f"| {r.distance:.4f} | {r.noise:.4f} | {r.khat:.2f} | {100 * r.power:.0f} % |"
        for r in results
    )
    reduced = (
        ""
        if len(results) >= TANKS
        else f"\nThis is a **reduced** run: wanted are {TANKS} new tanks, `--tanks {TANKS}`.\n"
    )
    verdict = "**Reached**" if agrees(results) else "**Not reached**"
    text = f"""# Weekly update against a full refit

A simulated club: a pool of {n_pool} tanks of {weeks} weeks, and {len(results)} new tanks of
{min(r.weeks for r in results)} to {max(r.weeks for r in results)} weeks, one keeper to a tank;
seed {seed}. For each new tank the phase in the last week is worked out twice. Weekly update:
the population fitted to the pool alone ({min(MAX_DRAWS, CHAINS * draws)} draws), reweighted by
the tank's likelihood, pace and skill integrated by quadrature. Refit: everything sampled again
with the tank in the pool, and the tank filtered under each draw of parameters, its own pace
and its keeper's skill. Evidence weight {DEFAULT_EVIDENCE_WEIGHT:g} in both; {CHAINS} chains of
{draws} draws after 300.

Total variation between the two: mean **{distance.mean():.4f}** (wanted: below {MEAN_LIMIT:g}),
worst **{distance.max():.4f}** (wanted: below {WORST_LIMIT:g}), {len(results)} tanks. {verdict}.
{reduced}
| tank | weeks | likeliest phase | total variation | noise | k̂ | weight |
|---|---|---|---|---|---|---|
{table}

*Noise* is the total variation between the refit's first and second chain: what sampling alone
makes of it. *k̂* is the Pareto k of the draws' weights. *Weight* is the share of the tank's
log-likelihood that the draws' weights carry (less than all of it where they could not be
trusted). {sum(r.divergent for r in results)} divergences in all refits;
{np.median([r.seconds for r in results]):.0f} s a refit after compiling.

The pool is smaller and the chains are shorter than a club's own fit would have, to make
{len(results)} refits affordable. New tanks begin with dry rock.

Made by `maturity-model study agreement --tanks {len(results)} --pool {n_pool} --weeks {weeks} \
--draws {draws} --seed {seed} --out reports/agreement`.
"""
    write_file(out / "README.md", text)
