"""How much of a prior is left: contraction, and the size of a club at which it is small enough.

A posterior that has half the prior's standard deviation has contracted by three quarters.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.optimize import isotonic_regression

from maturity_model._typing import Floats

#: A parameter counts as learned from here on; and the thresholds of the further tables.
LEARNED, THRESHOLDS = 0.75, (0.5, 0.75, 0.9)

_LOG = ("event_memory", "reading_sd")
_LOG_ODDS = ("carry", "outlier", "judge_accuracy", "judge_repeat")


class Group(NamedTuple):
    """Parameters that answer one question: a key, words of the trade, beginnings of names."""

    key: str
    words: str
    parts: tuple[str, ...]


#: Every parameter is in exactly one.
GROUPS = (
    Group(
        "times",
        "how long phases last",
        ("log_advance[cycling", "log_advance[bloom", "log_advance[colonising"),
    ),
    Group("ripening", "ripening within the mature phase", ("log_advance[mature",)),
    Group("pace", "how far tanks differ in pace", ("pace_sd",)),
    Group("husbandry", "live rock and water changes", ("husbandry[",)),
    Group("slips", "slipping back unprovoked", ("log_setback[", "log_collapse[")),
    Group("events", "what events do", ("event_advance[", "event_setback[", "event_collapse[")),
    Group("memory", "how long events act", ("event_memory[",)),
    Group("signs", "how often each sign is seen, by phase", ("sign_logit[",)),
    Group("persistence", "how signs persist", ("persistence[",)),
    Group("levels", "what kits read, by phase", ("reading_mean[",)),
    Group("noise", "kit noise, by phase", ("reading_sd[", "outlier")),
    Group("carry", "how readings carry over", ("carry[",)),
    Group("keepers", "keepers' skill and ways of looking", ("skill_sd", "look_effect[")),
    Group("judges", "how good judges are", ("judge_accuracy", "judge_repeat")),
)


def group_of(name: str) -> Group:
    """The group of a parameter, named as by :func:`.parameters.shared_names`."""
    for group in GROUPS:
        if name.startswith(group.parts):
            return group
    raise ValueError(f"{name} is in no group")


def on_prior_scale(names: tuple[str, ...], values: Floats) -> Floats:
    """Values, shape (Q, D), on the unbounded scale on which the prior is about normal.

    Logarithms of times and of kits' noise, log-odds of shares; hazards, ratios and odds
    are logarithms already, and spreads and persistence have normal priors as they are.
    """
    out = np.array(values, dtype=float)
    for i, name in enumerate(names):
        if name.startswith(_LOG):
            out[i] = np.log(out[i])
        elif name.startswith(_LOG_ODDS):
            out[i] = np.log(out[i]) - np.log1p(-out[i])
    return out


def contraction(posterior_sd: Floats, prior_sd: Floats) -> Floats:
    """1 - var(posterior) / var(prior): 0 is nothing learned, 1 is everything."""
    return np.asarray(1 - (np.asarray(posterior_sd) / np.asarray(prior_sd)) ** 2)


def size_at(sizes: Sequence[int], contracted: Floats, threshold: float) -> float:
    """Size at which a threshold is reached, interpolated on log size.

    What noise of sampling makes fall with size is levelled first, by isotonic regression. The
    smallest size where it is reached there already (so: that, or fewer); infinite where it is not
    reached at the largest.
    """
    y = isotonic_regression(contracted).x
    reached = np.flatnonzero(y >= threshold)
    if not len(reached):
        return math.inf
    i = int(reached[0])
    if i == 0:
        return float(sizes[0])
    share = (threshold - y[i - 1]) / (y[i] - y[i - 1])
    low, high = math.log(sizes[i - 1]), math.log(sizes[i])
    return math.exp(low + share * (high - low))


def share_learned(sizes: Floats, share: float) -> float:
    """Size at which at least this share of some parameters, learned at ``sizes``, is learned."""
    return float(np.sort(sizes)[math.ceil(share * len(sizes) - 1e-9) - 1])


def extrapolated(size: float, contracted: float, threshold: float) -> float:
    """Size at which a threshold would be reached, if each tank were as informative as those before.

    Information then grows in proportion to size, n, and contraction, known at ``size``, is
    n / (n + m). Infinite where nothing was learned.
    """
    if contracted <= 0:
        return math.inf
    return size * (1 - contracted) / contracted * threshold / (1 - threshold)
