"""Forward messages of tanks, saved between runs, so that a new week costs one step.

The message saved is that of a tank's last week but one: the last may still change as days go
by, earlier ones only by an edit. A message is used only if everything the filter reads of
the weeks up to it (observations as codes, events, husbandry, rock) and the model have the
digest under which it was saved; otherwise the tank is filtered from its start. A file that
is damaged counts as absent.
"""

from __future__ import annotations

import hashlib
import math
import struct
from pathlib import Path
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import HORIZONS
from maturity_model.hmm.mixture import SavedFilter
from maturity_model.panel import Panel
from maturity_model.population.types import Population
from maturity_model.whole_files import write_file

#: Digest of what follows, key, week; then the numbers.
_HEAD = struct.Struct("<32s32sq")
#: Columns of scores besides the phases.
N_EXTRA = len(HORIZONS) + 3


class SavedTank(NamedTuple):
    """A tank up to a week: the messages of that week, and the scores of all weeks so far.

    ``load`` (E, D) is that of each event on the move into the week; ``values`` (week + 1,
    K + H + 3) are as in :class:`.TankScores`.
    """

    week: int
    messages: SavedFilter
    load: Floats
    values: Floats


def history_keys(panel: Panel, n: int, model: str, besides: bytes) -> list[bytes]:
    """Digest, for each week, of tank ``n``'s history up to it, the model, and ``besides``."""
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


class FilterStore(NamedTuple):
    """A folder of saved tanks, one file each; ``model`` is its digest (:func:`.model_digest`)."""

    folder: Path
    model: str

    def path(self, tank: str) -> Path:
        """File of a tank; its name is never part of a path."""
        name = hashlib.sha256(tank.encode("utf-8", "surrogatepass")).hexdigest()
        return self.folder / name[:2] / f"{name[2:34]}.bin"

    def load(
        self, tank: str, keys: list[bytes], population: Population, lanes: tuple[int, int, int]
    ) -> SavedTank | None:
        """Load a tank's saved filter if it belongs to the history and model of ``keys``.

        Never that of the last week; None if there is none that can be used. The filter has
        ``lanes`` nodes of pace, nodes of skill, and draws.
        """
        try:
            with self.path(tank).open("rb") as handle:
                head = handle.read(_HEAD.size)
                if len(head) < _HEAD.size:
                    return None
                digest, key, week = _HEAD.unpack(head)
                if not 0 <= week < len(keys) - 1 or keys[week] != key:
                    return None
                chain, (*nodes, draws) = population.chain, lanes
                shapes = (
                    (*nodes, chain.n_states, draws),
                    lanes,
                    (len(population.events), draws),
                    (week + 1, chain.n_phases + N_EXTRA),
                )
                sizes = [math.prod(shape) for shape in shapes]
                # Its size follows from the week, so that nothing larger is read.
                body = handle.read(8 * sum(sizes) + 1)
        except OSError:
            return None
        if len(body) != 8 * sum(sizes) or _digest(key, week, body) != digest:
            return None
        parts = np.split(np.frombuffer(body, "<f8").astype(np.float64), np.cumsum(sizes)[:-1])
        filtered, log_likelihood, load, values = (
            part.reshape(shape) for part, shape in zip(parts, shapes, strict=True)
        )
        return SavedTank(week, SavedFilter(filtered, log_likelihood), load, values)

    def save(self, tank: str, key: bytes, saved: SavedTank) -> None:
        """Save a tank; raises OSError where it cannot be written."""
        body = b"".join(
            np.ascontiguousarray(a, dtype="<f8").tobytes()
            for a in (*saved.messages, saved.load, saved.values)
        )
        path = self.path(tank)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_file(path, _HEAD.pack(_digest(key, saved.week, body), key, saved.week) + body)


def _digest(key: bytes, week: int, body: bytes) -> bytes:
    return hashlib.sha256(key + struct.pack("<q", week) + body).digest()
