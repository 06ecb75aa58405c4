"""What a pooled fit needs of a panel: codes by keeper, rows, and who keeps what."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.kernels.simd_lanes import WIDTH
from maturity_model.population.priors import Priors
from maturity_model.population.readings import on_log_scale

if TYPE_CHECKING:
    from maturity_model.fitting.power_tables import Powers
    from maturity_model.panel import Observations, Panel


class Lanes(NamedTuple):
    """N tanks in B blocks of eight, by length: a week of the eight tanks of a block is a step.

    A tank's weeks after its last observation are left out: they add exactly nothing to its
    log-likelihood, whatever happened in them.

    Attributes
    ----------
    first : int ndarray, shape (B + 1,)
        First of the Z steps of each block.
    row : int ndarray, shape (Z, 8)
        Row of the panel of each lane at each step; R, one beyond all, where there is none.
    tank : int ndarray, shape (B, 8)
        Tank of each lane; -1 for none.
    """

    first: Ints
    row: Ints
    tank: Ints

    @classmethod
    def of(cls, first: Ints, weeks: Ints) -> Lanes:
        """Those of tanks whose rows begin at ``first``, (N + 1,), and of these weeks each, (N,)."""
        n = len(weeks)
        order = np.argsort(weeks, kind="stable")
        tank = np.full((-(-n // WIDTH), WIDTH), -1)
        tank.reshape(-1)[:n] = order
        rows = []
        for block in tank:
            length = np.where(block >= 0, weeks[block], 0)
            week = np.arange(length.max())[:, None]
            rows.append(np.where(week < length, first[block] + week, first[-1]))
        begin = np.concatenate([[0], np.cumsum([len(r) for r in rows])])
        return cls(begin.astype(np.int64), np.concatenate(rows), tank)

    def spread(self, values: Floats) -> Floats:
        """Lay values of rows, (R, X), out in lanes, (Z, X, 8); 0 where there is no row."""
        padded = np.concatenate([values, np.zeros((1, values.shape[1]))])
        return np.ascontiguousarray(np.moveaxis(padded[self.row], 1, 2))

    def by_tank(self, values: Floats) -> Floats:
        """Lay values of tanks, (N, X), out in lanes, (B, X, 8); lanes without a tank repeat one."""
        return np.ascontiguousarray(np.moveaxis(values[self.tank], 1, 2))


@dataclass(frozen=True)
class Design:
    """A panel, laid out for the model's graph.

    Attributes
    ----------
    panel : Panel
    keepers : tuple of str
        A tank without keeper is its own keeper.
    keeper : int ndarray, shape (N,)
        Keeper of each tank.
    lanes : Lanes
    signs : Observations
        Codes have the fields ``sign, look, level, seen, keeper, tank``; seen is 1 for yes, -1 for
        no; those of one observer stand together.
    by_tank : bool
        Whether signs of different tanks of one keeper have different codes; otherwise ``tank``
        is any of the keeper's.
    """

    panel: Panel
    keepers: tuple[str, ...]
    keeper: Ints
    lanes: Lanes
    signs: Observations
    by_tank: bool


_SIGN = np.dtype(
    [("sign", "i8"), ("look", "i8"), ("level", "f8"), ("seen", "f8"), ("keeper", "i8"),
     ("tank", "i8")]
)  # fmt: skip


def keepers_of(panel: Panel) -> tuple[tuple[str, ...], Ints]:
    """Names of the keepers, and the keeper of each tank.

    A tank whose keeper the log does not name is its own keeper, under ``tank:<name>``.
    """
    names = [t.keeper or f"tank:{t.name}" for t in panel.tanks]
    index = {name: i for i, name in enumerate(dict.fromkeys(names))}
    return tuple(index), np.array([index[name] for name in names], dtype=np.int64)


def weeks_observed(panel: Panel) -> Ints:
    """Weeks of each tank up to its last observation, at least 1, shape (N,)."""
    first = panel.first
    last = first[:-1].copy()
    for kind in (panel.signs, panel.readings, panel.judgements):
        # Rows are in order: the last before the next tank's first is this tank's last.
        at = np.searchsorted(kind.row, first[1:]) - 1
        if len(kind.row):
            last = np.maximum(last, np.where(at >= 0, kind.row[at], -1))
    return np.asarray(last - first[:-1] + 1, dtype=np.int64)


def make_design(panel: Panel, priors: Priors, *, by_tank: bool = False) -> Design:
    """Lay out a panel for a fit.

    With ``by_tank``, signs of different tanks of one keeper stay apart (for tank-level sign
    effects).

    Raises
    ------
    ValueError
        When the panel has no tank, or its catalogue is not that of the priors.
    """
    if not panel.tanks:
        raise ValueError("the logbook holds no tank that could be fitted")
    for what, have, want in (
        ("signs", tuple(panel.catalogue.signs), priors.signs),
        ("analytes", panel.catalogue.informative, priors.analytes),
        ("events", tuple(panel.catalogue.events), priors.events),
    ):
        if have != want:
            raise ValueError(
                f"the logbook has the {what} {', '.join(have)}, the priors {', '.join(want)}"
            )
    keepers, keeper = keepers_of(panel)
    lanes = Lanes.of(panel.first.astype(np.int64), weeks_observed(panel))
    return Design(
        panel, keepers, keeper, lanes, _signs_by_observer(panel, keeper, by_tank), by_tank
    )


def _signs_by_observer(panel: Panel, keeper: Ints, by_tank: bool) -> Observations:
    signs = panel.signs
    tank = np.repeat(np.arange(len(panel.tanks)), np.diff(panel.first))[signs.row]
    observer = tank if by_tank else keeper[tank]
    pairs = np.stack([observer, signs.code], axis=1).reshape(-1, 2)
    unique, at, code = np.unique(pairs, axis=0, return_index=True, return_inverse=True)
    of_code = signs.codes[unique[:, 1]]
    codes = np.empty(len(unique), dtype=_SIGN)
    for name in ("sign", "look", "level"):
        codes[name] = of_code[name]
    codes["seen"] = np.where(of_code["seen"], 1.0, -1.0)
    codes["keeper"], codes["tank"] = keeper[tank[at]], tank[at]
    return replace(signs, codes=codes, code=code.reshape(-1).astype(np.int64))


def absent_parts(design: Design, priors: Priors) -> dict[str, Floats]:
    """Parameters of parts that a model may leave out: nobody differs, nothing persists."""
    n, g = len(design.panel.tanks), len(priors.signs)
    return {
        "pace": np.zeros(n),
        "skill": np.zeros(len(design.keepers)),
        "persistence": np.zeros(g),
        "tank_sign": np.zeros((n, g)),
    }


# For the graph -------------------------------------------------------------------------------


_READING = np.dtype(
    [("analyte", "i8"), ("log_low", "f8"), ("log_high", "f8"), ("log_previous", "f8"),
     ("gap", "f8"), ("known", "f8")]
)  # fmt: skip


def _readings(codes: np.ndarray, priors: Priors) -> np.ndarray:
    # Analyte; ends of the interval and the previous reading, each as log(x + offset); weeks
    # since then (at least 1), and whether there is one.
    out = np.empty(len(codes), dtype=_READING)
    out["analyte"] = codes["analyte"]
    ends = on_log_scale(codes, priors.offset[codes["analyte"]])
    out["log_low"], out["log_high"], out["log_previous"] = ends
    out["gap"] = np.maximum(codes["gap"], 1.0)
    out["known"] = codes["previous"] >= 0
    return out


def _by_row(row: Ints, code: Ints, n_rows: int) -> dict[str, np.ndarray]:
    # Those of row r are code[begin[r]:begin[r + 1]].
    order = np.argsort(row, kind="stable")
    begin = np.searchsorted(row[order], np.arange(n_rows + 1))
    return {"begin": begin.astype(np.int64), "code": np.asarray(code, dtype=np.int64)[order]}


def graph_data(design: Design, priors: Priors, powers: Powers) -> dict[str, Any]:
    """All that the model's graph knows of a panel; a kind of observation of power 0 is left out.

    Returns
    -------
    dict
        ``start``, ``impulse``, ``pending`` and ``husbandry`` in lanes, and where those lie
        (:class:`Lanes`); ``signs`` and ``readings``, structured arrays of distinct ones;
        ``sign_rows``, where row r holds the signs ``code[begin[r]:begin[r + 1]]``, and ``rows``,
        the same of all other kinds, whose tables lie one below another in the order of
        :func:`.likelihood.log_likelihood_by_tank`; ``powers``.
    """
    panel, lanes = design.panel, design.lanes
    n_rows = int(panel.first[-1])
    signs, readings, judgements = (
        kind.only(np.full(n_rows, power > 0))
        for kind, power in zip(
            (design.signs, panel.readings, panel.judgements), powers, strict=True
        )
    )
    # Of judgements the table holds every one there can be.
    k, judged = len(priors.phases), judgements.codes[judgements.code]
    tables = (
        (readings.row, readings.code, len(readings.codes)),
        (judgements.row, (judged["previous"] + 1) * k + judged["phase"], (k + 1) * k),
    )
    begins = np.cumsum([0, *(size for *_, size in tables)])
    out: dict[str, Any] = {"start": lanes.by_tank(priors.start[panel.rock]), **lanes._asdict()}
    out |= {n: lanes.spread(getattr(panel, n)) for n in ("impulse", "pending", "husbandry")}
    return out | {
        "signs": signs.codes if design.by_tank else signs.codes[list(_SIGN.names or ())[:-1]],
        "readings": _readings(readings.codes, priors),
        "sign_rows": _by_row(signs.row, signs.code, n_rows),
        "rows": _by_row(
            np.concatenate([row for row, *_ in tables]),
            np.concatenate([code + at for (_, code, _), at in zip(tables, begins, strict=False)]),
            n_rows,
        ),
        "powers": np.array(powers, dtype=float),
    }


def named(data: dict[str, Any]) -> dict[str, np.ndarray]:
    """Arrays of :func:`graph_data` under the names that they have in the model.

    A structured array is one array of floats with a row for each field: each further one would
    take the sampler half a second to compile.
    """
    out: dict[str, np.ndarray] = {}
    for name, value in data.items():
        if isinstance(value, dict):
            out |= {f"data_{name}_{field}": array for field, array in value.items()}
        elif value.dtype.names:
            out[f"data_{name}"] = np.array([value[n] for n in value.dtype.names], dtype=float)
        else:
            out[f"data_{name}"] = value
    return out
