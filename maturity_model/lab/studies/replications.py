"""Replications: parameters drawn from the priors, answers drawn for a club, the club fitted.

The parameters come from :mod:`maturity_model.population.elicit`, which is not the code of
the fitted model's priors. Who looked when, how and at what, events, husbandry and rock are
those of one simulated club and stay the same; what was seen, measured and judged is drawn
anew each time. At an evidence weight of 1 the ranks of the true parameters among posterior
draws are then uniform (Talts et al. 2018, arXiv:1804.06788), if the fit is right.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.fitting.convergence import ess_bulk
from maturity_model.fitting.design import keepers_of, make_design
from maturity_model.fitting.predictive_draws import Outcomes
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.lab.studies.refit import Refitter, filter_given
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import Priors, priors_from_catalogue
from maturity_model.population.types import DIMS, take_draws
from maturity_model.whole_files import write_file

#: Test quantities that are not shared parameters: the log-likelihood of the whole log,
#: which a fit that neglects its data gets wrong (Modrák et al. 2023, arXiv:2211.02383),
#: and pace and skill of the first tank.
OTHERS = ("log_likelihood", "pace[first tank]", "skill[first tank]")
_ABOUT = ("key", "replication", "divergent", "least_ess", "seconds")


@dataclass(frozen=True)
class Setting:
    """One club's design, and how it is fitted.

    Attributes
    ----------
    n_tanks, weeks : int
        Two tanks to a keeper.
    seed : int
        Of design, truth, answers and chains.
    ranks : int
        Ranks that there can be: one more than the draws kept.
    draws, tune : int
        Of the one chain of each replication, before thinning.
    checkin, sign, reading, judged, events_per_year : float
        See :class:`.simulate_logbook.Habits`.
    """

    n_tanks: int
    weeks: int
    seed: int
    ranks: int = 100
    draws: int = 400
    tune: int = 300
    checkin: float = 0.75
    sign: float = 0.55
    reading: float = 0.3
    judged: float = 0.2
    events_per_year: float = 0.25


class Row(NamedTuple):
    """One replication.

    Attributes
    ----------
    replication, divergent : int
    least_ess : float
        Of all shared parameters, from the draws before thinning.
    seconds : float
        Of sampling.
    ranks : int ndarray, shape (Q,)
        Draws below the truth.
    """

    replication: int
    divergent: int
    least_ess: float
    seconds: float
    ranks: Ints


def design_club(setting: Setting, catalogue: Catalogue) -> Panel:
    """The club whose answers are drawn anew in each replication."""
    population = take_draws(
        elicit_population(catalogue, 1.0, n_draws=2, seed=setting.seed), np.zeros(1, np.int64)
    )
    habits = Habits(
        weeks=setting.weeks,
        checkin=setting.checkin,
        sign=setting.sign,
        reading=setting.reading,
        judged=setting.judged,
        events_per_year=setting.events_per_year,
    )
    rng = np.random.default_rng([setting.seed, 0])
    book = simulate_logbook(population, catalogue, setting.n_tanks, rng, habits).logbook
    tanks = {
        name: replace(tank, keeper=f"keeper-{i // 2}")
        for i, (name, tank) in enumerate(book.tanks.items())
    }
    return build_panel(replace(book, tanks=tanks), catalogue)


def learned(priors: Priors) -> dict[str, Bools]:
    """Which elements of each shared parameter a fit can learn.

    Effects that the catalogue calls zero stay zero, the memory of an event without effect
    is fixed, and the baselines of a collapse differ by constants only.
    """
    acting = (priors.event_effect != 0).any(axis=1)
    upper = len(priors.phases) - 1
    special = {
        "log_setback": np.ones(upper, dtype=bool),
        "log_collapse": np.arange(upper) == 0,
        "husbandry": priors.husbandry != 0,
        "event_advance": priors.event_effect[:, 0] != 0,
        "event_setback": priors.event_effect[:, 1] != 0,
        "event_collapse": priors.event_effect[:, 2] != 0,
        "event_memory": acting,
        "look_effect": priors.look_effect_sd > 0,
    }
    sizes = {d: len(labels) for d, labels in _labels(priors).items()}
    out = {}
    for name, dims in DIMS.items():
        if dims[-1] == "draw":
            whole = np.ones(tuple(sizes[d] for d in dims[:-1]), dtype=bool)
            out[name] = special.get(name, whole)
    return out


def _labels(priors: Priors) -> dict[str, tuple[str, ...]]:
    return {
        "phase": priors.phases,
        "sign": priors.signs,
        "analyte": priors.analytes,
        "event": priors.events,
        "covariate": priors.covariates,
        "look": priors.looks,
    }


def shared_names(priors: Priors) -> tuple[str, ...]:
    """Names of all learned elements, as ``sign_logit[diatoms, bloom]``."""
    labels, out = _labels(priors), []
    for name, on in learned(priors).items():
        own = [
            labels[d][1:] if name in ("log_setback", "log_collapse") else labels[d]
            for d in DIMS[name][:-1]
        ]
        for index in np.argwhere(on):
            at = ", ".join(own[axis][i] for axis, i in enumerate(index))
            out.append(f"{name}[{at}]" if at else name)
    return tuple(out)


def shared_values(draws: dict[str, Floats], priors: Priors) -> Floats:
    """All learned elements, shape (Q, D), in the order of :func:`shared_names`."""
    return np.concatenate([draws[name][on] for name, on in learned(priors).items()])


def draw_truth(panel: Panel, rng: np.random.Generator) -> dict[str, Floats]:
    """One draw of everything, as in :attr:`.refit.Refit.draws`."""
    seed = int(rng.integers(2**31))
    population = elicit_population(panel.catalogue, 1.0, n_draws=1, seed=seed)
    draws = {n: getattr(population, n) for n, dims in DIMS.items() if dims[-1] == "draw"}
    for name in ("log_setback", "log_collapse"):
        draws[name] = draws[name][1:]
    keepers = len(keepers_of(panel)[0])
    draws["pace"] = rng.normal(size=(len(panel.tanks), 1)) * draws["pace_sd"]
    draws["skill"] = rng.normal(size=(keepers, 1)) * draws["skill_sd"]
    return draws


def log_likelihood(panel: Panel, draws: dict[str, Floats], priors: Priors) -> Floats:
    """Of the whole log under each draw, shape (D,); the weekly path's code."""
    each = [
        filter_given(panel, n, draws, priors, 1.0).log_likelihood[-1]
        for n in range(len(panel.tanks))
    ]
    return np.asarray(np.sum(each, axis=0))


def thinned(draws: dict[str, Floats], keep: int) -> dict[str, Floats]:
    """Evenly spaced draws."""
    n = draws["log_advance"].shape[-1]
    if n < keep:
        raise ValueError(f"{n} draws cannot be thinned to {keep}")
    index = np.linspace(0, n - 1, keep).round().astype(np.int64)
    return {name: np.ascontiguousarray(values[..., index]) for name, values in draws.items()}


class Replicator:
    """Runs the replications of a setting; each depends on the setting and its number only."""

    def __init__(self, setting: Setting):
        self.setting = setting
        self.catalogue = load_catalogue()
        self.priors = priors_from_catalogue(self.catalogue)
        self.panel = design_club(setting, self.catalogue)
        self.outcomes = Outcomes.of(self.panel, self.priors)
        self.refitter = Refitter(self.priors, 1.0)
        self.names = (*shared_names(self.priors), *OTHERS)

    def key(self) -> str:
        """Digest of setting, design, priors, kernels and versions."""
        import nutpie

        from maturity_model.fitting.model import ModelOptions
        from maturity_model.fitting.pooled_fit import inputs_digest

        inputs = inputs_digest(self.panel, self.priors, 1.0, ModelOptions())
        said = repr((self.setting, inputs, nutpie.__version__))
        return hashlib.sha256(said.encode()).hexdigest()[:16]

    def simulate(self, i: int) -> tuple[dict[str, Floats], Panel]:
        """Truth and log of replication i."""
        rng = np.random.default_rng([self.setting.seed, 1, i])
        truth = draw_truth(self.panel, rng)
        parameters = {name: values[..., 0] for name, values in truth.items()}
        shape = (len(self.panel.tanks), len(self.priors.signs))
        parameters["tank_sign"] = np.zeros(shape)
        values = self.outcomes.draw(
            parameters, self.priors, make_design(self.panel, self.priors), rng
        )
        logbook = self.outcomes.to_logbook(values)
        return truth, build_panel(logbook, self.catalogue, self.panel.as_of)

    def run(self, i: int) -> Row:
        """Simulate, fit and rank replication i."""
        setting = self.setting
        truth, panel = self.simulate(i)
        seed = int(np.random.SeedSequence([setting.seed, 2, i]).generate_state(1)[0])
        plan = SamplingPlan(setting.draws, setting.tune, chains=1, seed=seed, cores=1)
        found = self.refitter.fit(panel, plan)
        every = shared_values(found.draws, self.priors)
        kept = thinned(found.draws, setting.ranks - 1)
        quantities = []
        for draws in (kept, truth):
            likelihood = log_likelihood(panel, draws, self.priors)
            others = np.stack([likelihood, draws["pace"][0], draws["skill"][0]])
            quantities.append(np.concatenate([shared_values(draws, self.priors), others]))
        ranks = (quantities[0] < quantities[1]).sum(axis=1)
        least = float(np.min(ess_bulk(every.T[None])))
        return Row(i, found.divergent, least, found.seconds, ranks.astype(np.int64))


def read_rows(path: Path, names: tuple[str, ...], key: str | None = None) -> list[Row]:
    """Replications on file; those of another key, or of other parameters, do not count."""
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as handle:
        lines = list(csv.reader(handle))
    if not lines or tuple(lines[0]) != (*_ABOUT, *names):
        return []
    out = {}
    for line in lines[1:]:
        if key in (None, line[0]):
            ranks = np.array([int(x) for x in line[len(_ABOUT) :]])
            out[int(line[1])] = Row(
                int(line[1]), int(line[2]), float(line[3]), float(line[4]), ranks
            )
    return [out[i] for i in sorted(out)]


def write_rows(path: Path, names: tuple[str, ...], key: str, rows: list[Row]) -> None:
    """Write all replications, whole."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow((*_ABOUT, *names))
    for r in rows:
        about = (key, r.replication, r.divergent, f"{r.least_ess:.0f}", f"{r.seconds:.2f}")
        writer.writerow((*about, *(int(x) for x in r.ranks)))
    path.parent.mkdir(parents=True, exist_ok=True)
    write_file(path, text.getvalue())


def replicate(
    setting: Setting, n: int, path: Path, say: Callable[[str], None] = lambda _: None
) -> tuple[tuple[str, ...], list[Row]]:
    """Run replications 0..n-1; those on file are taken up, and each is saved at once.

    Parameters
    ----------
    setting : Setting
    n : int
    path : Path
        CSV with one line per replication.
    say : callable
        Told about progress.

    Returns
    -------
    names : tuple of str
    rows : list of Row
    """
    replicator = Replicator(setting)
    names, key = replicator.names, replicator.key()
    done = {r.replication: r for r in read_rows(path, names, key)}
    if done:
        say(f"{len(done)} replications are on file and are taken up again")
    for i in range(n):
        if i not in done:
            done[i] = replicator.run(i)
            write_rows(path, names, key, [done[j] for j in sorted(done)])
            say(f"replication {i + 1} of {n}: {done[i].seconds:.1f} s")
    return names, [done[i] for i in sorted(done) if i < n]
