"""Where the program is wrong about a world: which evidence misleads it, and how.

Everything here uses the truth, so it can be done in a simulated world only.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import Tables, filter_tank, make_tables
from maturity_model.lab.validation.clubs import Club
from maturity_model.lab.validation.forecasts import Forecaster, normalized_phases
from maturity_model.lab.validation.scores import forecast_table, summarize
from maturity_model.panel import BALANCE_LEVELS, Panel
from maturity_model.population.tables import sign_table
from maturity_model.population.types import Population, take_draws

#: Evidence weights that are tried, and draws of the population that are used here.
WEIGHTS = (0.0, 0.15, 0.25, 0.4, 0.6, 0.8, 1.0)
DRAWS = 48
#: Tanks that are filtered again and again, spread over all clubs.
REFILTERED = 30
#: Parts of a population that are corrected, by name: see :func:`correct`.
CORRECTIONS = {
    "signs": ("sign",),
    "readings": ("reading",),
    "time in phases": ("dwell",),
    "all": ("sign", "reading", "dwell"),
}
#: With fewer observations than this nothing is corrected.
MIN_OBSERVATIONS = 20


# With other evidence, or another population ----------------------------------------------


def without(tables: Tables, kind: str, item: str) -> Tables:
    """Take one sign or analyte, or all evidence of a kind, out of the tables.

    Parameters
    ----------
    tables : Tables
    kind : {'sign', 'reading', 'event'}
    item : str
        A name, or ``all``.
    """
    panel = tables.panel
    if kind == "event":
        impulse, pending = np.zeros_like(panel.impulse), np.zeros_like(panel.pending)
        return replace(tables, panel=replace(panel, impulse=impulse, pending=pending))
    part, column, names = {
        "sign": ("signs", "sign", list(panel.catalogue.signs)),
        "reading": ("readings", "analyte", list(panel.catalogue.informative)),
    }[kind]
    codes, likelihood = getattr(panel, part).codes, getattr(tables, part).copy()
    likelihood[... if item == "all" else codes[column] == names.index(item)] = 1.0
    return replace(tables, **{part: likelihood})


def _logit(p: float) -> float:
    p = min(max(p, 0.005), 0.995)
    return float(np.log(p / (1 - p)))


def correct(population: Population, gaps: pd.DataFrame, kinds: Collection[str]) -> Population:
    """Shift some of a population's means to what a world shows.

    This uses true phases and serves the diagnosis only; the program never sees it.

    Parameters
    ----------
    population : Population
    gaps : DataFrame
        Of :func:`compare`, from tanks that are not scored.
    kinds : collection of str
        ``sign``: the log-odds of seeing, by sign and phase. ``reading``: mean and spread of
        the log level, by analyte and phase. ``dwell``: the weeks in a phase that was left
        for the next. Spreads between draws, persistence and all else stay.
    """
    p = population
    sign, mean, sd = p.sign_logit.copy(), p.reading_mean.copy(), p.reading_sd.copy()
    advance = p.log_advance.copy()
    chosen = gaps[gaps["kind"].isin(list(kinds)) & (gaps["n"] >= MIN_OBSERVATIONS)]
    for row in chosen.itertuples():
        if row.kind == "sign":
            at = p.signs.index(row.item), p.phases.index(row.phase)
            sign[at] += _logit(row.observed) - _logit(row.expected)
        elif row.kind == "reading":
            at = p.analytes.index(row.item), p.phases.index(row.phase)
            mean[at] += row.observed - row.expected
            sd[at] *= max(row.observed_sd, 0.2) / row.expected_sd
        else:
            advance[p.phases.index(row.item)] -= np.log(row.observed / row.expected)
    return replace(p, sign_logit=sign, reading_mean=mean, reading_sd=sd, log_advance=advance)


# Observed against expected ---------------------------------------------------------------


def compare(clubs: Sequence[Club], population: Population) -> pd.DataFrame:
    """Compare observations, given the true phase, with what the population expects.

    Returns
    -------
    DataFrame
        ``kind, item, phase, n, open, observed, observed_sd, expected, expected_sd, ratio``,
        as far as a kind has them; see :func:`diagnose`.
    """
    looks = pd.concat(
        [_looks(c, population) for c in clubs], keys=range(len(clubs)), names=["club"]
    )
    parts = [_signs(looks), _readings(clubs, population), _dwell(clubs, population)]
    return pd.concat(parts, ignore_index=True)


def _expected(panel: Panel, population: Population) -> Floats:
    # P(seen | phase) of each code of a look, over draws, skills and stages; shape (C, K).
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    seen = panel.signs.codes.copy()
    seen["seen"] = True
    every = replace(panel, signs=replace(panel.signs, codes=seen))
    table = sign_table(every, population, nodes, 1.0)
    p = np.einsum("csqd,q->cs", table, weights / weights.sum()) / table.shape[3]
    return np.asarray(p.reshape(len(p), len(population.phases), -1).mean(axis=2))


def _looks(club: Club, population: Population) -> pd.DataFrame:
    # Each answer about a sign: tank, sign, phase, level, seen, expected.
    panel = club.panel()
    row, code = panel.signs.row, panel.signs.code
    tank = np.searchsorted(panel.first, row, side="right") - 1
    week = row - panel.first[tank]
    phase = np.where(
        (row >= 0) & (week < club.weeks), club.truth[tank, np.clip(week, 0, club.weeks - 1)], -1
    )
    on = phase >= 0
    tank, code, phase = tank[on], code[on], phase[on]
    codes = panel.signs.codes[code]
    names = np.array(list(panel.catalogue.signs))
    return pd.DataFrame(
        {
            "tank": tank,
            "item": pd.Categorical(names[codes["sign"]], names),
            "phase": pd.Categorical.from_codes(phase, list(population.phases)),
            "level": pd.Categorical(codes["level"], BALANCE_LEVELS).rename_categories(
                "{:g}".format
            ),
            "seen": codes["seen"].astype(float),
            "expected": _expected(panel, population)[code, phase],
        }
    )


def _signs(looks: pd.DataFrame) -> pd.DataFrame:
    # By sign and phase, and by sign and balance of past sightings; then how much tanks differ.
    parts = []
    for kind, by in (("sign", "phase"), ("level", "level")):
        means = looks.groupby(["item", by], observed=True).agg(
            n=("seen", "size"), observed=("seen", "mean"), expected=("expected", "mean")
        )
        parts.append(means.reset_index().rename(columns={by: "phase"}).assign(kind=kind))
    gap, noise = looks["seen"] - looks["expected"], looks["expected"] * (1 - looks["expected"])
    tanks = looks.assign(gap=gap, noise=noise).groupby(["item", "club", "tank"], observed=True)
    sums = tanks[["gap", "noise"]].sum().assign(n=tanks.size())
    sums = sums.assign(square=sums["gap"] ** 2).groupby("item", observed=True).sum()
    spread = sums.assign(ratio=sums["square"] / sums["noise"], kind="spread")[sums["n"] > 1]
    parts.append(spread.reset_index()[["kind", "item", "n", "ratio"]])
    return pd.concat([part.astype({"item": str}) for part in parts], ignore_index=True)


def _readings(clubs: Sequence[Club], population: Population) -> pd.DataFrame:
    rows = []
    for club in clubs:
        analytes = club.logbook.catalogue.analytes
        tanks = {t.name: (i, t.started) for i, t in enumerate(club.logbook.tanks.values())}
        for c in club.logbook.checkins:
            tank, started = tanks[c.tank]
            week = (c.date - started).days // 7
            if 0 <= week < club.weeks and (phase := club.truth[tank, week]) >= 0:
                rows += [
                    (population.analytes.index(a), phase, np.log(r.best + analytes[a].offset))
                    for a, r in c.readings.items()
                    if a in population.analytes
                ]
    levels = pd.DataFrame(rows, columns=["item", "phase", "level"]).astype({"level": float})
    out = levels.groupby(["item", "phase"])["level"].agg(
        n="size", observed="mean", observed_sd=lambda x: x.std(ddof=0)
    )
    out = out.reset_index()
    at = out["item"].to_numpy(dtype=int), out["phase"].to_numpy(dtype=int)
    return out.assign(
        kind="reading",
        item=np.array(population.analytes)[at[0]],
        phase=np.array(population.phases)[at[1]],
        expected=population.reading_mean.mean(axis=-1)[at],
        expected_sd=population.reading_sd.mean(axis=-1)[at],
    )


def _dwell(clubs: Sequence[Club], population: Population) -> pd.DataFrame:
    # Completed first spells, and what the population says for usual tanks without events.
    truth = np.concatenate([c.followed for c in clubs])
    rows = []
    for k, label in enumerate(population.phases[:-1]):
        spells, still_open = [], 0
        for row in truth:
            inside = np.flatnonzero(row == k)
            if not len(inside):
                continue
            left = inside[0] + np.flatnonzero(row[inside[0] :] != k)
            if len(left) and row[left[0]] > k:
                spells.append(left[0] - inside[0])
            else:
                still_open += 1
        expected = float(np.mean(population.n_stages / np.exp(population.log_advance[k])))
        observed = float(np.mean(spells)) if spells else np.nan
        rows.append(("dwell", label, len(spells), still_open, observed, expected))
    return pd.DataFrame(rows, columns=["kind", "item", "n", "open", "observed", "expected"])


def _stated(p: Floats, truth: Ints, phases: Sequence[str]) -> pd.DataFrame:
    # Mean forecast probability of each phase (columns), by true phase.
    table = forecast_table("", p, truth, np.zeros(len(p), dtype=int), phases)
    means = table.groupby("truth")[list(phases)].agg(["mean", "size"]).stack(0, future_stack=True)
    out = means.reset_index(names=["item", "phase"]).rename(
        columns={"mean": "expected", "size": "n"}
    )
    return out.assign(kind="stated", item=np.array(phases)[out["item"]])


# All of it -------------------------------------------------------------------------------


def diagnose(
    clubs: Sequence[Club],
    training: Sequence[Club],
    forecaster: Forecaster,
    say: Callable[[str], None] = lambda _: None,
) -> pd.DataFrame:
    """Find what helps, what misleads, and what differs from the population's expectation.

    Parameters
    ----------
    clubs : sequence of Club
    training : sequence of Club
        Other clubs of the same world, for :func:`correct`.
    forecaster : Forecaster
    say : callable
        Called with one line of text per finished step.

    Returns
    -------
    DataFrame
        ``kind`` is ``weight`` (other evidence weights), ``without`` (one kind of evidence
        left out), ``corrected`` (what the population says of signs, of readings, or of the
        time in a phase brought to what other tanks of this world show): these have
        ``log_score, calibration_error, overconfidence``. Then come ``sign`` and ``reading``
        (observed against expected, given the true phase), ``level`` (likewise by balance of
        past sightings), ``spread`` (how much tanks differ beyond what their phase explains),
        ``dwell`` and ``stated``.
    """
    every, usual = forecaster.population, forecaster.weight
    draws = np.linspace(0, every.n_draws - 1, min(DRAWS, every.n_draws))
    population = take_draws(every, np.unique(draws.astype(np.int64)))
    few = [min(-(-REFILTERED // len(clubs)), len(c.truth)) for c in clubs]
    truth = np.concatenate([c.truth[:n] for c, n in zip(clubs, few, strict=True)])
    panels = [c.panel() for c in clubs]
    catalogue = panels[0].catalogue
    scores: list[pd.DataFrame] = []

    def tables(p: Population, weight: float) -> list[Tables]:
        return [make_tables(panel, p, weight) for panel in panels]

    def score(kind: str, item: str, changed: Iterable[Tables]) -> Floats:
        each = zip(changed, clubs, few, strict=True)
        p = np.stack(
            [normalized_phases(filter_tank(t, n)[0], c.weeks) for t, c, f in each for n in range(f)]
        )
        table = forecast_table("", p, truth, np.zeros(len(p), dtype=int), population.phases)
        scores.append(summarize(table).assign(kind=kind, item=item))
        return p

    for weight in WEIGHTS:
        score("weight", f"{weight:g}", tables(population, weight))
    usually = tables(population, usual)
    p = score("without", "nothing", usually)
    kinds = {"sign": catalogue.signs, "reading": catalogue.informative, "event": ()}
    for kind, names in kinds.items():
        for item in ("all", *names):
            label = f"{kind}s" if item == "all" else item
            score("without", label, (without(t, kind, item) for t in usually))
    say("diagnosis: evidence left out")
    gaps = compare(training, population)
    for name, parts in CORRECTIONS.items():
        corrected = correct(population, gaps, parts)
        score("corrected", name, tables(corrected, usual))
    if usual != 1:
        # With the means right, is a weight below one still needed?
        score("corrected", "all, ω = 1", tables(corrected, 1.0))
    rows = pd.concat(scores)[["kind", "item", "log_score", "calibration_error", "overconfidence"]]
    others = compare(clubs, population), _stated(p, truth, population.phases)
    return pd.concat([rows, *others], ignore_index=True)
