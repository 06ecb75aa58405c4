"""Tanks scored in JAX, many at once, on whatever accelerator it finds.

The filter and the risk of slipping are those of :mod:`maturity_model.fitting.jax.jax_filter`, in
double precision; look-up tables and the weights of draws are worked out on the processor, by
the same code as everywhere. What few tanks ask more of (their keeper's skill is known, or their
log is very long) is left to the kernels. Needs JAX.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import importlib
import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import (
    HORIZONS,
    PACE_NODES,
    SKILL_NODES,
    Tables,
    draws_used,
    make_tables,
)
from maturity_model.hmm.mixture import MIN_EFFECTIVE_SHARE, k_limit
from maturity_model.hmm.psis import trusted_weights
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.types import Population
from maturity_model.scoring.job import ScoringError, some_tanks
from maturity_model.scoring.tanks import TankScores, recognised, score_tanks

if TYPE_CHECKING:
    from maturity_model.fitting.jax.jax_filter import Tanks


#: Tanks that are on the device together: 256 draws take 0.4 MB a tank for one array of states,
#: of which about a dozen live at once.
TANKS = 256
#: With 1, JAX's processor serves as the device: for tests.
ON_PROCESSOR = "MATURITY_MODEL_JAX_CPU"
#: Shapes are rounded up to few sizes, because each is compiled anew.
_WEEKS, _TANKS, _CODES = 32, 32, 256


def accelerator() -> str:
    """Name of the device that JAX will use.

    Raises
    ------
    ScoringError
        When JAX is not installed, or finds nothing but the processor.
    """
    try:
        jax = importlib.import_module("jax")
        device = jax.devices()[0]
    except ImportError:
        raise ScoringError(
            "JAX is not installed; --device gpu needs the extra: pip install 'maturity-model[gpu]'"
        ) from None
    except RuntimeError as error:
        # Raised on import too, where JAX and its library of one accelerator do not fit.
        raise ScoringError(f"JAX cannot start its accelerator: {_in_a_line(error)}") from None
    if device.platform == "cpu" and os.environ.get(ON_PROCESSOR) != "1":
        raise ScoringError(
            "JAX finds no accelerator here, only the processor; leave out --device gpu"
        )
    return str(device.device_kind)


def _in_a_line(error: Exception) -> str:
    # JAX says at length what it did, over many lines.
    return " ".join(str(error).split())[:200] or type(error).__name__


@contextlib.contextmanager
def _told(tanks: int, draws: int) -> Iterator[None]:
    # What JAX raises while it works, as one line.
    jax = importlib.import_module("jax")
    try:
        yield
    except (getattr(jax.errors, "JaxRuntimeError", RuntimeError), MemoryError) as error:
        text = str(error)
        if isinstance(error, MemoryError) or "RESOURCE_EXHAUSTED" in text or "memory" in text:
            raise ScoringError(
                f"the GPU has not enough free memory for {tanks} tanks x {draws} draws at once; "
                f"use --tanks-per-file {max(1, min(tanks, TANKS) // 2)} or fewer, or --draws"
            ) from None
        raise ScoringError(f"JAX failed on the accelerator: {_in_a_line(error)}") from None


def score_on_device(
    book: Logbook, population: Population, evidence_weight: float, ends: dt.date
) -> list[TankScores]:
    """Score all tanks of a logbook, in its order; as :func:`.tanks.score_tanks` does.

    Parameters
    ----------
    book : Logbook
    population : Population
        Its signs in the catalogue's order.
    evidence_weight : float
    ends : date
        Everything later is ignored.

    Raises
    ------
    ScoringError
        When JAX fails, for lack of memory above all.
    """
    names = list(book.tanks)
    # Tanks of about the same age together, so that little is padded.
    names.sort(key=lambda name: book.tanks[name].started)
    found: dict[str, TankScores] = {}
    for i in range(0, len(names), TANKS):
        mine = some_tanks(book, set(names[i : i + TANKS]))
        panel = build_panel(mine, as_of=ends)
        tables = make_tables(panel, population, evidence_weight)
        left = _not_plain(tables)
        if left:
            some = some_tanks(book, left)
            found |= {s.tank: s for s in score_tanks(some, population, evidence_weight, ends)}
        if len(left) < len(panel.tanks):
            with _told(len(panel.tanks), population.n_draws):
                scores = _batch(tables)
            found |= {s.tank: s for s in scores if s.tank not in left}
    # In the panel's order, which leaves out tanks that start after the end.
    return [found[name] for name in book.tanks if name in found]


def _not_plain(tables: Tables) -> set[str]:
    panel, population = tables.panel, tables.population
    weeks = np.diff(panel.first)
    left = {
        tank.name
        for tank, count in zip(panel.tanks, weeks, strict=True)
        if len(draws_used(int(count), population.n_draws)) < population.n_draws
    }
    if population.members is not None:
        own = recognised(tables)
        left |= {t.name for t, mine in zip(panel.tanks, own, strict=True) if mine is not tables}
    return left


def _batch(tables: Tables) -> list[TankScores]:
    from maturity_model.fitting.jax import jax_filter

    panel, population = tables.panel, tables.population
    blank = len(tables.signs), len(tables.readings) + len(tables.judgements)
    laid = _padded(jax_filter.lay_out(panel, population), *blank)
    with np.errstate(divide="ignore"):
        signs = np.log(tables.signs)
        others = np.log(np.concatenate([tables.readings, tables.judgements])[:, :, None])
    given = (
        laid,
        _table(signs),
        _table(others),
        jax_filter.members(population, (PACE_NODES, SKILL_NODES)),
    )
    out = jax_filter.filter_tanks(*given, n_stages=population.n_stages, horizons=HORIZONS)
    log_likelihood, phases, risk = (np.asarray(x) for x in out)
    scores = []
    for n in range(len(panel.tanks)):
        weeks = int(panel.first[n + 1] - panel.first[n])
        scores.append(
            _scores(panel, n, *(x[:weeks, ..., n, :] for x in (log_likelihood, phases, risk)))
        )
    return scores


def _scores(
    panel: Panel, n: int, log_likelihood: Floats, phases: Floats, risk: Floats
) -> TankScores:
    weeks, draws = log_likelihood.shape
    # As in :func:`.mixture.filter_mixture`.
    trusted = trusted_weights(log_likelihood, k_limit(draws), MIN_EFFECTIVE_SHARE)
    mixed = (np.einsum("thd,td->th", x, trusted.weight) for x in (phases, risk))
    first, last = int(panel.first[n]), int(panel.first[n + 1])
    tank = panel.tanks[n]
    return TankScores(
        tank.name,
        np.minimum(7 * np.arange(weeks) + 6, (panel.as_of - tank.started).days),
        panel.checked[first:last],
        np.column_stack(
            [
                *(np.clip(x, 0.0, 1.0) for x in mixed),
                trusted.khat,
                trusted.power,
                trusted.effective,
            ]
        ),
    )


def _up(n: int, size: int) -> int:
    return -(-n // size) * size


def _table(log_likelihood: Floats) -> Floats:
    # (C, S, Q, D) -> (S, C + some, Q, D), with at least one row of zeros: no observation.
    c, *rest = log_likelihood.shape
    out = np.zeros((_up(c + 1, _CODES), *rest))
    out[:c] = log_likelihood
    return np.ascontiguousarray(np.moveaxis(out, 0, 1))


def _padded(laid: Tanks, no_sign: int, no_other: int) -> Tanks:
    # With weeks, and tanks, that hold nothing.
    weeks, count, _ = laid.sign.shape
    more, others = _up(weeks, _WEEKS) - weeks, _up(count, _TANKS) - count

    def pad(x: Any, fill: int = 0) -> Any:
        return np.pad(x, ((0, more), (0, others), (0, 0)), constant_values=fill)

    return laid._replace(
        sign=pad(laid.sign, no_sign),
        other=pad(laid.other, no_other),
        impulse=pad(laid.impulse),
        pending=pad(laid.pending),
        husbandry=pad(laid.husbandry),
        start=np.concatenate([laid.start, np.repeat(laid.start[:, -1:], others, axis=1)], axis=1),
    )
