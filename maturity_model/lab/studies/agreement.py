"""Whether the weekly update of a new tank agrees with a full refit that includes it.

The weekly path mixes over the draws of a population fitted without the tank, reweighted by
the tank's likelihood, with pace and skill integrated by quadrature. The refit samples
everything again, the tank in the pool. Both state the phase in the log's last week.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.fitting.pooled_fit import MAX_DRAWS
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.fitting.to_population import make_population
from maturity_model.lab.page import Page, markdown_table
from maturity_model.lab.studies.refit import Refit, Refitter, filter_given
from maturity_model.lab.studies.replications import thin
from maturity_model.lab.studies.settings import Agreement
from maturity_model.lab.tasks import Say, run_tasks, silent
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.types import Population

#: Wanted of the total variation: on average, and at worst.
MEAN_LIMIT, WORST_LIMIT = 0.03, 0.10
#: Age of the youngest new tank, weeks; the oldest is as old as the pool.
YOUNGEST = 6
#: Two chains are enough to see how much is noise of the sampler.
CHAINS, TUNE = 2, 300


def total_variation(p: Floats, q: Floats) -> float:
    """Half the sum of absolute differences of two distributions."""
    return float(np.abs(np.asarray(p) - q).sum() / 2)


def simulate_club(
    catalogue: Catalogue, n_pool: int, n_new: int, weeks: int, seed: int
) -> tuple[Logbook, Logbook, dt.date]:
    """A pool and new tanks of the same club, and the last day.

    The new tanks begin with dry rock, since the compiled model is tied to where its tanks
    begin, and later than the pool: their ages spread evenly from :data:`YOUNGEST` to ``weeks``.
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

    def moved(rows: tuple[Any, ...]) -> tuple[Any, ...]:
        out = [replace(r, tank=f"new-{r.tank}", date=r.date + later[r.tank]) for r in rows]
        return tuple(sorted((r for r in out if r.date <= as_of), key=lambda r: r.date))

    tanks = {
        f"new-{name}": replace(
            t, name=f"new-{name}", keeper=f"new-{t.keeper}", started=t.started + later[name]
        )
        for name, t in new.logbook.tanks.items()
    }
    checkins, events = moved(new.logbook.checkins), moved(new.logbook.events)
    book = replace(new.logbook, tanks=tanks, checkins=checkins, events=events)
    return pool.logbook, book, as_of


def with_tank(pool: Logbook, new: Logbook, name: str) -> Logbook:
    """The pool's logbook and one new tank, which comes last."""

    def merged(pool: tuple[Any, ...], new: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(sorted([*pool, *(r for r in new if r.tank == name)], key=lambda r: r.date))

    return replace(
        pool,
        tanks={**pool.tanks, name: new.tanks[name]},
        checkins=merged(pool.checkins, new.checkins),
        events=merged(pool.events, new.events),
    )


def present_phase(panel: Panel, n: int, refit: Refit, refitter: Refitter) -> tuple[Floats, float]:
    """P(phase in the last week) of tank n after a refit, shape (K,), and its noise."""
    filtered = filter_given(panel, n, refit.draws, refitter.priors, refitter.evidence_weight)
    each = filtered.chain.by_phase(filtered.states[-1], axis=0)
    first, second = np.array_split(each, 2, axis=1)
    return each.mean(axis=1), total_variation(first.mean(axis=1), second.mean(axis=1))


class _Study:
    """One setting: its club, and the pool fitted without any new tank."""

    def __init__(self, setting: Agreement):
        self.setting, self.catalogue = setting, load_catalogue()
        self.pool, self.new, self.as_of = simulate_club(
            self.catalogue, setting.pool, setting.tanks, setting.weeks, setting.seed
        )
        self.panel = build_panel(self.pool, self.catalogue, self.as_of)
        priors = priors_from_catalogue(self.catalogue)
        self.refitter = Refitter(priors, DEFAULT_EVIDENCE_WEIGHT)

    def fit(self, panel: Panel, seed: int) -> Refit:
        plan = SamplingPlan(self.setting.draws, TUNE, chains=CHAINS, seed=seed, cores=1)
        return self.refitter.fit(panel, plan)

    @cached_property
    def population(self) -> Population:
        base = self.fit(self.panel, self.setting.seed)
        return make_population(
            thin(base.draws, min(MAX_DRAWS, base.n_draws)),
            self.refitter.priors,
            name="without the tank",
            kind="fitted",
            evidence_weight=self.refitter.evidence_weight,
        )


@cache
def _study(setting: Agreement) -> _Study:
    # A process makes and compiles its models once.
    return _Study(setting)


def compare(setting: Agreement, i: int) -> pd.DataFrame:
    """The weekly update of new tank i beside a refit: one row of ``tanks.csv``."""
    study, n = _study(setting), setting.pool
    name = list(study.new.tanks)[i]
    panel = build_panel(with_tank(study.pool, study.new, name), study.catalogue, study.as_of)
    filtered, _ = filter_tank(make_tables(panel, study.population), n)
    weekly = filtered.phases()[-1]
    fit = study.fit(panel, setting.seed + 1 + i)
    refit, noise = present_phase(panel, n, fit, study.refitter)
    phases = study.catalogue.phases
    row = {
        "tank": name,
        "weeks": int(panel.first[n + 1] - panel.first[n]),
        "distance": total_variation(weekly, refit),
        "noise": noise,
        "khat": float(filtered.trusted.khat_full[-1]),
        "power": float(filtered.trusted.power[-1]),
        "divergent": fit.divergent,
        "seconds": fit.seconds,
        **{f"weekly_{phase}": p for phase, p in zip(phases, weekly, strict=True)},
        **{f"refit_{phase}": p for phase, p in zip(phases, refit, strict=True)},
    }
    return pd.DataFrame([row])


def run(
    setting: Agreement, work: Path | None = None, processes: int = 1, say: Say = silent
) -> pd.DataFrame:
    """Compare weekly updates with refits: a row for each new tank.

    Its age in ``weeks``; total variation between the two answers (``distance``) and between the
    refit's two chains (``noise``); Pareto k of the weekly update's weights, and the share
    (``power``) of the tank's log-likelihood that they carry; ``divergent`` transitions and
    ``seconds`` of the refit; and both answers by phase.
    """
    tasks = {f"new tank {i + 1}": (setting, i) for i in range(setting.tanks)}
    key = _study(setting).refitter.inputs(_study(setting).panel)
    rows = run_tasks(compare, tasks, folder=work, key=key, processes=processes, say=say)
    return pd.concat(rows.values(), ignore_index=True)


def read(folder: Path) -> pd.DataFrame:
    """The committed comparisons."""
    return pd.read_csv(folder / "tanks.csv")


def agrees(rows: pd.DataFrame) -> bool:
    """Whether the distances are as small as wanted."""
    distance = rows["distance"]
    return bool(distance.mean() < MEAN_LIMIT and distance.max() < WORST_LIMIT)


def summary(rows: pd.DataFrame, setting: Agreement) -> list[str]:
    """The verdict."""
    return [f"{'reached' if agrees(rows) else 'not reached'}: mean {rows['distance'].mean():.4f}"]


def page(rows: pd.DataFrame, setting: Agreement) -> Page:
    """``tanks.csv`` and what it says."""
    refit = rows.filter(like="refit_").rename(columns=lambda name: name.removeprefix("refit_"))
    table = pd.DataFrame(
        {
            "tank": rows["tank"],
            "weeks": rows["weeks"],
            "likeliest phase": refit.idxmax(axis=1) + refit.max(axis=1).map(" {:.0%}".format),
            "total variation": rows["distance"],
            "noise": rows["noise"],
            "k̂": rows["khat"],
            "weight": rows["power"],
        }
    )
    formats = {"total variation": "{:.4f}", "noise": "{:.4f}", "k̂": "{:.2f}", "weight": "{:.0%}"}
    page = Page("Weekly update against a full refit", setting.command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        setting=setting,
        n=len(rows),
        youngest=rows["weeks"].min(),
        oldest=rows["weeks"].max(),
        draws=min(MAX_DRAWS, CHAINS * setting.draws),
        weight=DEFAULT_EVIDENCE_WEIGHT,
        chains=CHAINS,
        tune=TUNE,
        mean=rows["distance"].mean(),
        mean_limit=MEAN_LIMIT,
        worst=rows["distance"].max(),
        worst_limit=WORST_LIMIT,
        verdict="**Reached**" if agrees(rows) else "**Not reached**",
        reduced=setting.reduced,
        table=markdown_table(table, formats),
        divergent=rows["divergent"].sum(),
        seconds=rows["seconds"].median(),
    )
    digits = dict.fromkeys(rows.select_dtypes("float").columns, "{:.5f}")
    digits |= {"khat": "{:.2f}", "power": "{:.3f}", "seconds": "{:.1f}"}
    page.csv("tanks.csv", rows, digits)
    return page
