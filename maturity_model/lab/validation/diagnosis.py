"""Where the program is wrong about a world: which evidence misleads it, and how.

Everything here uses the truth, so it can be done in a simulated world only.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import Tables, make_tables
from maturity_model.lab.tasks import Say, silent
from maturity_model.lab.validation.clubs import Club
from maturity_model.lab.validation.forecasts import Forecaster, filtered_phases
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
    """Take a sign, an analyte, or ``all`` evidence of a kind (sign, reading, event) out."""
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

    This uses true phases and serves the diagnosis only; the program never sees it. ``gaps`` are of
    :func:`compare`, from tanks that are not scored. ``sign``: the log-odds of seeing, by sign and
    phase. ``reading``: mean and spread of the log level, by analyte and phase. ``dwell``: the weeks
    in a phase that was left for the next. Spreads between draws, persistence and all else stay.
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

    The columns are ``kind, item, phase, n, open, observed, observed_sd, expected, expected_sd,
    ratio``, as far as a kind has them; see :func:`diagnose`.
    """
    looks = pd.concat({i: _looks(c, population) for i, c in enumerate(clubs)}, names=["club"])
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
    phase_of_row = np.full(int(panel.first[-1]), -1)
    for first, truth in zip(panel.first, club.truth, strict=False):
        phase_of_row[first : first + club.weeks] = truth
    row, code = panel.signs.row, panel.signs.code
    on = (row >= 0) & (phase_of_row[row] >= 0)
    row, code, phase = row[on], code[on], phase_of_row[row[on]]
    codes, signs = panel.signs.codes[code], list(panel.catalogue.signs)
    level = pd.Categorical(codes["level"], BALANCE_LEVELS)
    return pd.DataFrame(
        {
            "tank": np.searchsorted(panel.first, row, side="right") - 1,
            "item": pd.Categorical.from_codes(codes["sign"], signs),
            "phase": pd.Categorical.from_codes(phase, list(population.phases)),
            "level": level.rename_categories("{:g}".format),
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
        for tank, day, c in club.dated(club.logbook.checkins):
            week = day // 7
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


# All of it -------------------------------------------------------------------------------


def _variants(
    panels: Sequence[Panel], population: Population, usual: float, gaps: pd.DataFrame
) -> Iterator[tuple[str, str, list[Tables]]]:
    # Kind and item of a row, and tables of every panel.
    def tables(p: Population, weight: float) -> list[Tables]:
        return [make_tables(panel, p, weight) for panel in panels]

    for weight in WEIGHTS:
        yield "weight", f"{weight:g}", tables(population, weight)
    whole, catalogue = tables(population, usual), panels[0].catalogue
    yield "without", "nothing", whole
    kinds = {"sign": catalogue.signs, "reading": catalogue.informative, "event": ()}
    for kind, names in kinds.items():
        yield "without", f"{kind}s", [without(t, kind, "all") for t in whole]
        for item in names:
            yield "without", item, [without(t, kind, item) for t in whole]
    for name, parts in CORRECTIONS.items():
        corrected = correct(population, gaps, parts)
        yield "corrected", name, tables(corrected, usual)
    if usual != 1:
        # With all means right, is a weight below one still needed?
        yield "corrected", "all, ω = 1", tables(corrected, 1.0)


def diagnose(
    clubs: Sequence[Club], training: Sequence[Club], forecaster: Forecaster, say: Say = silent
) -> pd.DataFrame:
    """Find what helps, what misleads, and what differs from the population's expectation.

    ``training`` are other clubs of the same world, for :func:`correct`.

    Returns
    -------
    DataFrame
        ``kind`` is ``weight`` (other evidence weights), ``without`` (one kind of evidence
        left out), ``corrected`` (what the population says of signs, of readings, or of the
        time in a phase brought to what other tanks of this world show): these have
        ``log_score, calibration_error, overconfidence``. Then come ``sign`` and ``reading``
        (observed against expected, given the true phase), ``level`` (likewise by balance of
        past sightings), ``spread`` (how much tanks differ beyond what their phase explains)
        and ``dwell``.
    """
    draws = np.linspace(0, forecaster.population.n_draws - 1, DRAWS).astype(np.int64)
    population = take_draws(forecaster.population, np.unique(draws))
    few = [min(-(-REFILTERED // len(clubs)), len(c.truth)) for c in clubs]
    truth = np.concatenate([c.truth[:n] for c, n in zip(clubs, few, strict=True)])
    scores = []
    panels, gaps = [c.panel() for c in clubs], compare(training, population)
    for kind, item, tables in _variants(panels, population, forecaster.weight, gaps):
        p = [filtered_phases(t, c.weeks, n) for t, c, n in zip(tables, clubs, few, strict=True)]
        table = forecast_table(
            "", np.concatenate(p), truth, np.zeros_like(truth[:, 0]), population.phases
        )
        scores.append(summarize(table).assign(kind=kind, item=item))
    say("diagnosis")
    rows = pd.concat(scores)[["kind", "item", "log_score", "calibration_error", "overconfidence"]]
    return pd.concat([rows, compare(clubs, population)], ignore_index=True)
