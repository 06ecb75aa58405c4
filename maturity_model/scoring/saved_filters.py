"""Forward messages of tanks, saved between runs, so that a new week costs one step.

The message saved is that of a tank's last week but one: the last may still change as days go
by, earlier ones only by an edit. A message is used only if everything the filter reads of
the weeks up to it (observations as codes, events, husbandry, rock) and the model have the
digest under which it was saved; otherwise the tank is filtered from its start. A store is
not trusted: a file of another size, with another digest, or with values that are no
probabilities counts as absent.
"""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import HORIZONS, PACE_NODES, SKILL_NODES
from maturity_model.hmm.mixture import SavedFilter
from maturity_model.panel import Panel
from maturity_model.population.types import Population
from maturity_model.whole_files import write_file

_MAGIC = b"MMSTATE1"
_HEAD = struct.Struct("<8s32s32sq")  # magic, digest of what follows, key, week
#: Columns of scores besides the phases.
N_EXTRA = len(HORIZONS) + 3


class SavedTank(NamedTuple):
    """A tank up to a week.

    Attributes
    ----------
    week : int
    messages : SavedFilter
        Of that week.
    load : ndarray, shape (E, D)
        Load of each event on the move into that week.
    values : ndarray, shape (week + 1, K + H + 3)
        Scores of all weeks so far, as in :class:`.TankScores`.
    """

    week: int
    messages: SavedFilter
    load: Floats
    values: Floats


def history_keys(panel: Panel, n: int, model: str, besides: bytes = b"") -> list[bytes]:
    """Digest of a tank's history up to each week, and of the model.

    Parameters
    ----------
    panel : Panel
    n : int
        Index of the tank.
    model : str
        Digest of the model.
    besides : bytes
        Everything else that the tank's probabilities depend on.

    Returns
    -------
    list of bytes, one for each week
    """
    first, last = int(panel.first[n]), int(panel.first[n + 1])
    key = hashlib.sha256(f"{model} {int(panel.rock[n])} ".encode() + besides).digest()
    kinds = [
        (kind.codes, *kind.of_rows(first, last))
        for kind in (panel.signs, panel.readings, panel.judgements)
    ]
    out = []
    for t in range(last - first):
        digest = hashlib.sha256(key)
        for codes, starts, code in kinds:
            here = codes[code[starts[t] : starts[t + 1]]]
            digest.update(struct.pack("<q", len(here)))
            for field in here.dtype.names or ():
                # 0 and -0 share a code, and other rows decide which of them it holds.
                digest.update((here[field] + 0).tobytes())
        for values in (panel.impulse, panel.pending, panel.husbandry):
            digest.update(values[first + t].tobytes())
        key = digest.digest()
        out.append(key)
    return out


class FilterStore:
    """A folder of saved tanks, one file each.

    Parameters
    ----------
    folder : Path
    model : str
        Digest of the model: :func:`.model_digest`.
    """

    def __init__(self, folder: Path, model: str):
        self.folder, self.model = Path(folder), model

    def path(self, tank: str) -> Path:
        """File of a tank; its name is never part of a path."""
        name = hashlib.sha256(tank.encode("utf-8", "surrogatepass")).hexdigest()
        return self.folder / name[:2] / f"{name[2:34]}.bin"

    def load(
        self,
        tank: str,
        keys: list[bytes],
        population: Population,
        nodes: tuple[int, ...] = (PACE_NODES, SKILL_NODES),
        draws: int | None = None,
    ) -> SavedTank | None:
        """Load a tank's saved filter if it belongs to the history and model of ``keys``.

        Never that of the last week; None if there is none that can be used.
        """
        try:
            with self.path(tank).open("rb") as handle:
                head = handle.read(_HEAD.size)
                if len(head) < _HEAD.size:
                    return None
                magic, digest, key, week = _HEAD.unpack(head)
                # Its size follows from the week, so that nothing larger is read.
                if magic != _MAGIC or not 0 <= week < len(keys) - 1 or keys[week] != key:
                    return None
                shapes = _shapes(population, week, nodes, draws or population.n_draws)
                size = 8 * sum(int(np.prod(s)) for s in shapes)
                body = handle.read(size + 1)
        except OSError:
            return None
        if len(body) != size or _digest(key, week, body) != digest:
            return None
        arrays, at = [], 0
        for shape in shapes:
            count = int(np.prod(shape))
            arrays.append(np.frombuffer(body, "<f8", count, at).reshape(shape).astype(np.float64))
            at += 8 * count
        filtered, log_likelihood, load, values = arrays
        if not _sound(filtered, log_likelihood, load, values[:, : -N_EXTRA + len(HORIZONS)]):
            return None
        return SavedTank(week, SavedFilter(filtered, log_likelihood), load, values)

    def save(self, tank: str, key: bytes, saved: SavedTank) -> None:
        """Save a tank.

        Raises
        ------
        OSError
            When it cannot be written.
        """
        body = b"".join(
            np.ascontiguousarray(a, dtype="<f8").tobytes()
            for a in (*saved.messages, saved.load, saved.values)
        )
        path = self.path(tank)
        path.parent.mkdir(parents=True, exist_ok=True)
        head = _HEAD.pack(_MAGIC, _digest(key, saved.week, body), key, saved.week)
        write_file(path, head + body)


def _digest(key: bytes, week: int, body: bytes) -> bytes:
    return hashlib.sha256(key + struct.pack("<q", week) + body).digest()


def _shapes(
    population: Population, week: int, nodes: tuple[int, ...], draws: int
) -> tuple[tuple[int, ...], ...]:
    chain = population.chain
    return (
        (*nodes, chain.n_states, draws),
        (*nodes, draws),
        (len(population.events), draws),
        (week + 1, chain.n_phases + N_EXTRA),
    )


def _sound(filtered: Floats, log_likelihood: Floats, load: Floats, chances: Floats) -> bool:
    total = filtered.sum(axis=2)
    return bool(
        (filtered >= 0).all()
        and ((np.abs(total - 1) < 1e-6) | (total == 0)).all()
        and not np.isnan(log_likelihood).any()
        and (log_likelihood < np.inf).all()
        and np.isfinite(load).all()
        and ((chances >= 0) & (chances <= 1)).all()
    )
