"""Where the program is wrong about a world: which evidence misleads it, and how.

Everything here uses the truth, so it can be done in a simulated world only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import Tables, filter_tank, make_tables
from maturity_model.lab.validation.clubs import Club
from maturity_model.lab.validation.corrections import CORRECTIONS, corrected
from maturity_model.lab.validation.forecasts import Forecaster
from maturity_model.lab.validation.sums import (
    calibration_error,
    log_score,
    overconfidence,
    sums_of,
)
from maturity_model.panel import BALANCE_LEVELS, Panel
from maturity_model.population.tables import sign_table
from maturity_model.population.types import Population, take_draws

Row = dict[str, Any]

#: Evidence weights that are tried, and draws of the population that are used here.
WEIGHTS = (0.0, 0.15, 0.25, 0.4, 0.6, 0.8, 1.0)
DRAWS = 48
#: Tanks that are filtered again and again, spread over all clubs.
REFILTERED = 30


def _few(clubs: Sequence[Club]) -> list[int]:
    # Tanks of each club that are filtered again.
    return [min(-(-REFILTERED // len(clubs)), len(c.truth)) for c in clubs]


def _phases(tables: Sequence[Tables], clubs: Sequence[Club]) -> Floats:
    out = []
    for t, club, few in zip(tables, clubs, _few(clubs), strict=True):
        for n in range(few):
            p = filter_tank(t, n)[0].phases()[: club.weeks]
            out.append(p / p.sum(axis=1, keepdims=True))
    return np.stack(out)


def _row(kind: str, item: str, p: Floats, truth: Ints) -> Row:
    s = sums_of(p, truth)
    return {
        "kind": kind, "item": item, "log_score": log_score(s), "ece": calibration_error(s),
        "overconfidence": overconfidence(s),
    }  # fmt: skip


def without(tables: Tables, kind: str, item: str) -> Tables:
    """The same tables, with one sign or analyte, or all of a kind, saying nothing.

    Parameters
    ----------
    tables : Tables
    kind : {'sign', 'reading', 'event'}
    item : str
        A name, or ``all``.
    """
    panel = tables.panel
    if kind == "event":
        blank = replace(
            panel, impulse=np.zeros_like(panel.impulse), pending=np.zeros_like(panel.pending)
        )
        return replace(tables, panel=blank)
    name, field, names = (
        ("signs", "sign", list(panel.catalogue.signs))
        if kind == "sign"
        else ("readings", "analyte", list(panel.catalogue.informative))
    )
    codes = getattr(panel, name).codes
    on = np.ones(len(codes), dtype=bool) if item == "all" else codes[field] == names.index(item)
    table = getattr(tables, name).copy()
    table[on] = 1.0
    return replace(tables, **{name: table})


def diagnose(
    clubs: Sequence[Club],
    training: Sequence[Club],
    forecaster: Forecaster,
    say: Callable[[str], None] = lambda _: None,
) -> list[Row]:
    """Rows that say what helps, what misleads and what is not as the population thinks.

    Parameters
    ----------
    clubs : sequence of Club
    training : sequence of Club
        Other clubs of the same world, for :func:`.corrections.corrected`.
    forecaster : Forecaster
    say : callable
        Told about progress.

    Returns
    -------
    list of dict
        ``kind`` is ``weight`` (other evidence weights), ``without`` (one kind of evidence
        left out), ``corrected`` (what the population says of signs, of readings, or of the
        time in a phase brought to what other tanks of this world show), ``sign`` and
        ``reading`` (observed against expected, given the true phase), ``level`` (likewise by
        balance of past sightings), ``spread`` (how much tanks differ beyond what their phase
        explains), ``dwell`` and ``stated``.
    """
    every = forecaster.population
    step = np.unique(np.linspace(0, every.n_draws - 1, min(DRAWS, every.n_draws)).astype(np.int64))
    population = take_draws(every, step)
    truth = np.concatenate([c.truth[:few] for c, few in zip(clubs, _few(clubs), strict=True)])
    panels = [c.panel() for c in clubs]
    rows = []
    for weight in WEIGHTS:
        tables = [make_tables(p, population, weight) for p in panels]
        rows.append(_row("weight", f"{weight:g}", _phases(tables, clubs), truth))
    tables = [make_tables(p, population, forecaster.weight) for p in panels]
    whole = _phases(tables, clubs)
    rows.append(_row("without", "nothing", whole, truth))
    items = [("sign", n) for n in ("all", *panels[0].catalogue.signs)]
    items += [("reading", n) for n in ("all", *panels[0].catalogue.informative)]
    items.append(("event", "all"))
    for kind, item in items:
        less = [without(t, kind, item) for t in tables]
        label = f"{kind}s" if item == "all" else item
        rows.append(_row("without", label, _phases(less, clubs), truth))
    say("diagnosis: evidence left out")
    known = against(training, population)
    for name, parts in CORRECTIONS.items():
        mended = corrected(population, known, parts)
        # With the tables right, is the evidence weight still needed?
        for weight in {forecaster.weight: 0, 1.0: 0} if name == "all" else (forecaster.weight,):
            tables = [make_tables(p, mended, weight) for p in panels]
            label = name if weight == forecaster.weight else f"{name}, ω = {weight:g}"
            rows.append(_row("corrected", label, _phases(tables, clubs), truth))
    rows += against(clubs, population)
    rows += _stated(whole, truth, population.phases)
    return rows


def against(clubs: Sequence[Club], population: Population) -> list[Row]:
    """What was observed, given the true phase, against what the population expects."""
    panels = [c.panel() for c in clubs]
    return [
        *_signs(panels, clubs, population),
        *_readings(panels, clubs, population),
        *_dwell(clubs, population),
    ]


def _expected(panel: Panel, population: Population) -> Floats:
    # P(seen) of each code by phase, over draws, skills and stages; shape (C, K).
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    seen = panel.signs.codes.copy()
    seen["seen"] = True
    every = replace(panel, signs=replace(panel.signs, codes=seen))
    table = sign_table(every, population, nodes, 1.0)
    p = np.einsum("csqd,q->cs", table, weights / weights.sum()) / table.shape[3]
    return np.asarray(p.reshape(len(p), len(population.phases), -1).mean(axis=2))


def _truth_of_rows(panel: Panel, club: Club) -> Ints:
    # Truth of each row of the panel; -1 where it is not known.
    out = np.full(int(panel.first[-1]), -1)
    for n in range(len(panel.tanks)):
        out[panel.first[n] : panel.first[n] + club.weeks] = club.truth[n]
    return out


def _signs(panels: Sequence[Panel], clubs: Sequence[Club], population: Population) -> list[Row]:
    parts = []
    for number, (panel, club) in enumerate(zip(panels, clubs, strict=True)):
        phase = _truth_of_rows(panel, club)[panel.signs.row]
        on = (phase >= 0) & (panel.signs.row >= 0)
        codes = panel.signs.codes[panel.signs.code[on]]
        expected = _expected(panel, population)[panel.signs.code[on], phase[on]]
        tank = np.searchsorted(panel.first, panel.signs.row[on], side="right") - 1
        block = np.stack([codes["sign"], phase[on], codes["level"], codes["seen"], expected,
                          tank + 10_000 * number])  # fmt: skip
        parts.append(block)
    sign, phase, level, seen, expected, tank = np.concatenate(parts, axis=1)
    rows = []
    for i, name in enumerate(panels[0].catalogue.signs):
        for k, label in enumerate(population.phases):
            on = (sign == i) & (phase == k)
            rows += _against("sign", name, label, seen[on], expected[on])
        for value in BALANCE_LEVELS:
            on = (sign == i) & (level == value)
            rows += _against("level", name, f"{value:g}", seen[on], expected[on])
        on = sign == i
        if on.sum() > 1:
            which = np.unique(tank[on], return_inverse=True)[1]
            gap = np.bincount(which, seen[on] - expected[on])
            noise = np.bincount(which, expected[on] * (1 - expected[on]))
            ratio = float((gap**2).sum() / noise.sum())
            rows.append({"kind": "spread", "item": name, "n": int(on.sum()), "ratio": ratio})
    return rows


def _against(kind: str, item: str, phase: str, seen: Floats, expected: Floats) -> list[Row]:
    if not len(seen):
        return []
    return [
        {
            "kind": kind, "item": item, "phase": phase, "n": len(seen),
            "observed": float(seen.mean()), "expected": float(expected.mean()),
        }
    ]  # fmt: skip


def _readings(panels: Sequence[Panel], clubs: Sequence[Club], population: Population) -> list[Row]:
    parts = []
    for panel, club in zip(panels, clubs, strict=True):
        phases = {t.name: club.truth[n] for n, t in enumerate(panel.tanks)}
        started = {t.name: t.started for t in panel.tanks}
        names = list(panel.catalogue.informative)
        for c in panel.logbook.checkins:
            week = (c.date - started[c.tank]).days // 7
            if not 0 <= week < club.weeks:
                continue
            phase = int(phases[c.tank][week])
            for name, r in c.readings.items():
                if name in names and phase >= 0:
                    offset = panel.catalogue.analytes[name].offset
                    parts.append((names.index(name), phase, np.log(r.best + offset)))
    if not parts:
        return []
    analyte, phase, value = np.array(parts).T
    rows = []
    for a, name in enumerate(panels[0].catalogue.informative):
        at = population.analytes.index(name)
        for k, label in enumerate(population.phases):
            on = (analyte == a) & (phase == k)
            if on.any():
                rows.append(
                    {
                        "kind": "reading", "item": name, "phase": label, "n": int(on.sum()),
                        "observed": float(value[on].mean()), "observed_sd": float(value[on].std()),
                        "expected": float(population.reading_mean[at, k].mean()),
                        "expected_sd": float(population.reading_sd[at, k].mean()),
                    }
                )  # fmt: skip
    return rows


def _dwell(clubs: Sequence[Club], population: Population) -> list[Row]:
    # Completed first spells, and what the population says for usual tanks without events.
    truth = np.concatenate([c.followed for c in clubs])
    rows = []
    for k, label in enumerate(population.phases[:-1]):
        spells, open_ones = [], 0
        for row in truth:
            inside = np.flatnonzero(row == k)
            if not len(inside):
                continue
            after = np.flatnonzero((np.arange(len(row)) > inside[0]) & (row != k))
            if len(after) and row[after[0]] > k:
                spells.append(after[0] - inside[0])
            else:
                open_ones += 1
        stated = population.n_stages / np.exp(population.log_advance[k])
        rows.append(
            {
                "kind": "dwell", "item": label, "n": len(spells), "open": open_ones,
                "observed": float(np.mean(spells)) if spells else float("nan"),
                "expected": float(np.mean(stated)),
            }
        )  # fmt: skip
    return rows


def _stated(p: Floats, truth: Ints, phases: Sequence[str]) -> list[Row]:
    rows = []
    for k, true in enumerate(phases):
        on = truth == k
        for j, said in enumerate(phases):
            if on.any():
                rows.append(
                    {
                        "kind": "stated", "item": true, "phase": said, "n": int(on.sum()),
                        "expected": float(p[on][:, j].mean()),
                    }
                )  # fmt: skip
    return rows
