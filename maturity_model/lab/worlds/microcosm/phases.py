"""The true phase, read off the ecology by what a tank can do.

The conditions of a day, with nuisance for the shares of all algae together, pods for the more
abundant of copepods and amphipods, and an animal thriving above an abundance of its own:

``works``
    Both steps of nitrification can take 1.3 times the load (mean of about 10 days), ammonia is
    below 0.3 and nitrite below 0.5 mg/L.
``lives``
    It works, pods are above 0.1 and two animals thrive, and nuisance is below 0.30, or below
    65 % of the highest that it lately was.
``keeps``
    Milder: it works, pods above 0.08, two animals thrive, nuisance below 0.50.
``done``
    It lives; coralline covers 5 % and has grown by 8 % in four weeks, or covers 30 %; nuisance
    is below 0.22; animals were there for about a month; and over the last 30 days nutrients held
    steady, ammonia stayed below 0.35 and nitrite below 0.5 mg/L.
``holds``
    Milder: it works, animals there as before but for a shorter share of the month, coralline
    above 4 % and 80 % of that four weeks before, nuisance below 0.28.

Each is averaged over about 10 days (``works``: 7). A tank begins in cycling. It moves up, to
bloom, colonising, mature, when the average of ``works``, ``lives``, ``done`` exceeds 0.75 and it
has been 7, 14, 28 days where it is. After at least 7 days it moves down, from mature to
colonising or from there to bloom, when that of ``holds`` or ``keeps`` is below 0.25; and from any
phase to cycling when that of ``works`` is below 0.35.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .region import Bools, Floats, Ints

PHASES = ("cycling", "bloom", "colonising", "mature")
#: Days that a tank stays at least before it moves up, and down.
_UP_AFTER, _DOWN_AFTER = (7, 14, 28), 7
#: Averages of the conditions at which it moves.
_UP, _DOWN, _FAILS = 0.75, 0.25, 0.35
#: Days of steady water that are looked back on.
_STEADY_DAYS = 30


def read_phases(s: Mapping[str, Floats]) -> Ints:
    """The phase at the end of each day.

    Parameters
    ----------
    s : mapping of str to (days, n) float ndarray
        Of :meth:`.tanks.Tanks.snapshot`, day by day.

    Returns
    -------
    (days, n) int ndarray
        Index into :data:`PHASES`.
    """
    met = _conditions(s)
    score = {name: _mean(x, 7 if name == "works" else 10) for name, x in met.items()}
    up, stay = ("works", "lives", "done"), ("keeps", "holds")
    days, n = score["works"].shape
    phase = np.zeros((days, n), np.int64)
    now, dwell = np.zeros(n, np.int64), np.zeros(n, np.int64)
    for d in range(days):
        new = now.copy()
        for k in range(3):
            new[(now == k) & (score[up[k]][d] > _UP) & (dwell >= _UP_AFTER[k])] = k + 1
        for k in (3, 2):
            new[(now == k) & (score[stay[k - 2]][d] < _DOWN) & (dwell >= _DOWN_AFTER)] = k - 1
        new[(now > 0) & (score["works"][d] < _FAILS) & (dwell >= _DOWN_AFTER)] = 0
        dwell = np.where(new == now, dwell + 1, 0)
        now = new
        phase[d] = now
    return phase


def _conditions(s: Mapping[str, Floats]) -> dict[str, Bools]:
    load = _mean(s["load"], 10)
    works = (
        (s["A"] > 1.3 * load) & (s["B"] > 1.3 * 2.55 * load)
        & (s["ammonia"] < 0.3) & (s["nitrite"] < 0.5)
    )  # fmt: skip
    nuisance = s["diatoms"] + s["film_algae"] + s["hair_algae"] + s["cyanobacteria"]
    pods = np.maximum(s["copepods"], s["amphipods"])
    thrive = np.stack(
        [
            pods > 0.25, s["spirorbid_worms"] > 0.12, s["sand_worm_tubes"] > 0.12,
            s["bristle_worms"] > 0.2, s["syconoid_sponges"] > 0.1,
        ]
    ).sum(0)  # fmt: skip
    fauna = (thrive >= 2) & (pods > 0.1)
    there = _mean(fauna, 30)
    lives = works & fauna & ((nuisance < 0.30) | (nuisance < 0.65 * _peak(nuisance)))
    coral = s["coralline_algae"]
    before = np.vstack([np.zeros((28, coral.shape[1])), coral])[: len(coral)]
    spreads = (coral > 0.05) & ((coral > 1.08 * before) | (coral > 0.3))
    return {
        "works": works,
        "lives": lives,
        "done": lives & spreads & (nuisance < 0.22) & (there > 0.8) & _steady(s),
        "keeps": works & (pods > 0.08) & (thrive >= 2) & (nuisance < 0.50),
        "holds": works & fauna & (coral > 0.04) & (nuisance < 0.28) & (there > 0.6)
        & (coral > 0.8 * before),
    }  # fmt: skip


def _peak(x: Floats) -> Floats:
    # The highest so far, slowly forgotten.
    out = np.zeros(x.shape)
    top = np.zeros(x.shape[1])
    for d in range(len(x)):
        top = np.maximum(top * 0.995, x[d])
        out[d] = top
    return out


def _steady(s: Mapping[str, Floats]) -> Bools:
    out = np.ones(s["nitrate"].shape, np.bool_)
    for d in range(len(out)):
        lo = max(0, d - _STEADY_DAYS)
        no3 = np.log(s["nitrate"][lo : d + 1] + 2)
        po4 = np.log(s["phosphate"][lo : d + 1] + 0.05)
        out[d] = (
            (np.ptp(no3, 0) < 0.9) & (np.ptp(po4, 0) < 0.9)
            & (s["ammonia"][lo : d + 1].max(0) < 0.35) & (s["nitrite"][lo : d + 1].max(0) < 0.5)
        )  # fmt: skip
    return out


def _mean(x: Floats | Bools, tau: float) -> Floats:
    # Exponential mean of the days so far, from 0.
    y = x.astype(float)
    out = np.zeros_like(y)
    a = 1 - np.exp(-1 / tau)
    v = np.zeros(y.shape[1])
    for d in range(len(y)):
        v = v + a * (y[d] - v)
        out[d] = v
    return out
