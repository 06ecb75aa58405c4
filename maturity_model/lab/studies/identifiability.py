"""How many tanks and weeks it takes until each parameter is learned.

Clubs are drawn from the model's own world, their parameters from the priors, and fitted as
``maturity-model fit`` fits them, at several sizes. What a posterior is to be held against
is the law of the prior, from :mod:`maturity_model.population.elicit`. Needs the extra
``fit``, with nutpie.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from maturity_model._typing import Floats
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.fitting.convergence import ess_bulk, r_hat
from maturity_model.fitting.design import make_design
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.predictive_draws import Outcomes
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.lab.studies.contraction import on_prior_scale
from maturity_model.lab.studies.identifiability_points import (
    CHECK_CHAINS,
    CHECK_LENGTH,
    CHECKIN,
    EVENTS,
    ONE_JUDGED_IN,
    READING,
    SIGN,
    Found,
    Learned,
    Point,
    Setting,
)
from maturity_model.lab.studies.refit import Refitter
from maturity_model.lab.studies.replications import Setting as Design
from maturity_model.lab.studies.replications import (
    design_club,
    draw_truth,
    shared_names,
    shared_values,
)
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import Priors, priors_from_catalogue
from maturity_model.population.types import DIMS
from maturity_model.whole_files import write_file

#: Draws and seed of the prior.
PRIOR_DRAWS, PRIOR_SEED = 100_000, 20261125


def prior_sd(catalogue: Catalogue, priors: Priors, names: tuple[str, ...]) -> Floats:
    """Standard deviations of the prior, shape (Q,)."""
    population = elicit_population(catalogue, 1.0, n_draws=PRIOR_DRAWS, seed=PRIOR_SEED)
    draws = {n: getattr(population, n) for n, dims in DIMS.items() if dims[-1] == "draw"}
    for name in ("log_setback", "log_collapse"):
        draws[name] = draws[name][1:]
    return np.asarray(on_prior_scale(names, shared_values(draws, priors)).std(axis=1))


@dataclass(frozen=True)
class Club:
    """A club at its largest.

    Attributes
    ----------
    book : Logbook
        Every tank from the same day on, two to a keeper, all judged.
    truth : ndarray, shape (Q,)
        Its shared parameters.
    """

    book: Logbook
    truth: Floats


def make_club(setting: Setting, number: int, catalogue: Catalogue, priors: Priors) -> Club:
    """Simulate a club of usual habits; every number has its own parameters and design."""
    seed = int(np.random.SeedSequence([setting.seed, number]).generate_state(1)[0]) // 2
    weeks = max(setting.weeks, setting.longest)
    design = Design(
        setting.tanks,
        weeks,
        seed,
        checkin=CHECKIN,
        sign=SIGN,
        reading=READING,
        judged=1.0,
        events_per_year=EVENTS,
    )
    panel = design_club(design, catalogue)
    rng = np.random.default_rng([setting.seed, number, 1])
    truth = draw_truth(panel, rng)
    parameters = {name: values[..., 0] for name, values in truth.items()}
    parameters["tank_sign"] = np.zeros((len(panel.tanks), len(priors.signs)))
    outcomes = Outcomes.of(panel, priors)
    values = outcomes.draw(parameters, priors, make_design(panel, priors), rng)
    return Club(outcomes.to_logbook(values), shared_values(truth, priors)[:, 0])


def club_panel(club: Club, point: Point, catalogue: Catalogue) -> Panel:
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
    return build_panel(part, catalogue, end)


class Study:
    """Fits the points of a setting, each kept in a folder as soon as it is there."""

    def __init__(self, setting: Setting, folder: Path, say: Callable[[str], None]):
        self.setting, self.folder, self.say = setting, folder, say
        self.catalogue = load_catalogue()
        self.priors = priors_from_catalogue(self.catalogue)
        self.names = shared_names(self.priors)
        self.options = ModelOptions(judgement_weight=1.0)
        self._refitters: dict[float, Refitter] = {}

    def _plan(self, number: int, *, long: bool) -> SamplingPlan:
        s = self.setting
        seed = int(np.random.SeedSequence([s.seed, number, 2]).generate_state(1)[0]) // 2
        if long:
            return SamplingPlan(
                CHECK_LENGTH * s.draws, s.tune, chains=CHECK_CHAINS, seed=seed + 1, cores=1
            )
        return SamplingPlan(s.draws, s.tune, chains=1, seed=seed, cores=1)

    def fit(self, club: Club, number: int, point: Point, *, long: bool = False) -> Learned:
        """Fit one point; taken from the folder where it is there already."""
        import nutpie

        from maturity_model.fitting.pooled_fit import inputs_digest

        panel = club_panel(club, point, self.catalogue)
        plan = self._plan(number, long=long)
        inputs = inputs_digest(panel, self.priors, point.weight, self.options)
        key = hashlib.sha256(repr((inputs, plan, nutpie.__version__)).encode()).hexdigest()[:16]
        path = self.folder / f"{key}.json"
        if (kept := self._read(path)) is not None:
            return kept
        if point.weight not in self._refitters:
            self._refitters[point.weight] = Refitter(self.priors, point.weight, self.options)
        found = self._refitters[point.weight].fit(panel, plan)
        values = on_prior_scale(self.names, shared_values(found.draws, self.priors))
        truth = on_prior_scale(self.names, club.truth[:, None])[:, 0]
        chains = values.reshape(len(values), found.chains, -1).transpose(1, 2, 0)
        learned = Learned(
            values.mean(axis=1),
            values.std(axis=1, ddof=1),
            truth,
            np.asarray(ess_bulk(chains)),
            float(np.max(r_hat(chains))),
            found.divergent,
            found.seconds,
        )
        self.folder.mkdir(parents=True, exist_ok=True)
        as_lists = {
            k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in learned._asdict().items()
        }
        write_file(path, json.dumps(as_lists))
        self.say(
            f"club {number + 1}, {point.tanks} tanks, {point.weeks} weeks, weight "
            f"{point.weight:g}{', judged' if point.judged else ''}{', long' if long else ''}: "
            f"{found.seconds:.0f} s"
        )
        return learned

    def _read(self, path: Path) -> Learned | None:
        if not path.is_file():
            return None
        try:
            kept = json.loads(path.read_text(encoding="utf-8"))
            arrays = (np.array(kept[name], dtype=float) for name in ("mean", "sd", "truth", "ess"))
            mean, sd, truth, ess = arrays
            about = float(kept["r_hat"]), int(kept["divergent"]), float(kept["seconds"])
            learned = Learned(mean, sd, truth, ess, *about)
            whole = len(learned.mean) == len(self.names)
        except (ValueError, TypeError, KeyError):
            # A damaged file costs a fit, nothing more.
            return None
        return learned if whole else None


def run(setting: Setting, folder: Path, say: Callable[[str], None] = lambda _: None) -> Found:
    """Fit all clubs at all points.

    Parameters
    ----------
    setting : Setting
    folder : Path
        Where fits are kept; those already there are taken up.
    say : callable
        Told about progress.

    Returns
    -------
    Found
    """
    study = Study(setting, folder, say)
    fits: dict[Point, list[Learned]] = {point: [] for point in setting.points()}
    checks: dict[Point, Learned] = {}
    for number in range(setting.clubs):
        club = make_club(setting, number, study.catalogue, study.priors)
        for point, found in fits.items():
            found.append(study.fit(club, number, point))
        if number == 0:
            checks = {p: study.fit(club, number, p, long=True) for p in setting.checked()}
    sd = prior_sd(study.catalogue, study.priors, study.names)
    return Found(study.names, sd, fits, checks)
