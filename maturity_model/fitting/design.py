"""What a pooled fit needs of a panel: codes by keeper, rows, and who keeps what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.population.priors import Priors

if TYPE_CHECKING:
    from maturity_model.panel import Panel


@dataclass(frozen=True)
class Design:
    """Arrays of a panel, ready for the model's graph.

    N tanks, M keepers, R rows (tank-weeks), S states, E events, J covariates.

    Attributes
    ----------
    tanks, keepers : tuple of str
        A tank without keeper is its own keeper.
    keeper : int ndarray, shape (N,)
        Keeper of each tank.
    first : int ndarray, shape (N + 1,)
    order : int ndarray, shape (N,)
        Tanks by length.
    tank_of_row : int ndarray, shape (R,)
    start : ndarray, shape (N, S)
        P(state in week 0).
    impulse, pending : ndarray, shape (R, E)
    husbandry : ndarray, shape (R, J)
    sign_cell : structured ndarray, shape (C,)
        Distinct (sign, look, level, seen, observer) in use.
    sign_row, sign_code : int ndarray, shape (O,)
        Row and index into ``sign_cell`` of each observation.
    reading_cell : structured ndarray; reading_row, reading_code : int ndarray
    judged_cell : structured ndarray; judged_row, judged_code : int ndarray
    by_tank : bool
        Whether ``observer`` in ``sign_cell`` counts tanks rather than keepers.
    """

    tanks: tuple[str, ...]
    keepers: tuple[str, ...]
    keeper: Ints
    first: Ints
    order: Ints
    tank_of_row: Ints
    start: Floats
    impulse: Floats
    pending: Floats
    husbandry: Floats
    sign_cell: np.ndarray
    sign_row: Ints
    sign_code: Ints
    reading_cell: np.ndarray
    reading_row: Ints
    reading_code: Ints
    judged_cell: np.ndarray
    judged_row: Ints
    judged_code: Ints
    by_tank: bool


_CELL = np.dtype(
    [("sign", "i8"), ("look", "i8"), ("level", "f8"), ("seen", "f8"), ("observer", "i8")]
)


def keepers_of(panel: Panel) -> tuple[tuple[str, ...], Ints]:
    """Names of the keepers, and the keeper of each tank.

    A tank whose keeper the log does not name is its own keeper, under ``tank:<name>``.
    """
    names = [t.keeper or f"tank:{t.name}" for t in panel.tanks]
    index = {name: i for i, name in enumerate(dict.fromkeys(names))}
    return tuple(index), np.array([index[name] for name in names], dtype=np.int64)


def make_design(panel: Panel, priors: Priors, *, by_tank: bool = False) -> Design:
    """Lay out a panel for a fit.

    Parameters
    ----------
    panel : Panel
    priors : Priors
    by_tank : bool
        Tell signs of different tanks of one keeper apart (for tank-level sign effects).

    Returns
    -------
    Design

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
    weeks = np.diff(panel.first)
    tank_of_row = np.repeat(np.arange(len(panel.tanks)), weeks)
    signs = panel.signs
    observer = tank_of_row[signs.row] if by_tank else keeper[tank_of_row[signs.row]]
    pairs = np.stack([signs.code, observer], axis=1).reshape(-1, 2)
    unique, sign_code = np.unique(pairs, axis=0, return_inverse=True)
    cells = np.empty(len(unique), dtype=_CELL)
    of_code = signs.codes[unique[:, 0]]
    for name in ("sign", "look", "level"):
        cells[name] = of_code[name]
    cells["seen"] = np.where(of_code["seen"], 1.0, -1.0)
    cells["observer"] = unique[:, 1]
    return Design(
        tanks=tuple(t.name for t in panel.tanks),
        keepers=keepers,
        keeper=keeper,
        first=panel.first.astype(np.int64),
        order=np.argsort(weeks, kind="stable").astype(np.int64),
        tank_of_row=tank_of_row.astype(np.int64),
        start=priors.start[panel.rock],
        impulse=panel.impulse,
        pending=panel.pending,
        husbandry=panel.husbandry,
        sign_cell=cells,
        sign_row=signs.row.astype(np.int64),
        sign_code=sign_code.reshape(-1).astype(np.int64),
        reading_cell=panel.readings.codes,
        reading_row=panel.readings.row.astype(np.int64),
        reading_code=panel.readings.code.astype(np.int64),
        judged_cell=panel.judgements.codes,
        judged_row=panel.judgements.row.astype(np.int64),
        judged_code=panel.judgements.code.astype(np.int64),
        by_tank=by_tank,
    )
