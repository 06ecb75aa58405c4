"""Then and now: the first and the last photo of each view of a tank."""

from __future__ import annotations

import base64
import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

from maturity_model.logbook.photos import VIEWS, PhotoError, redrawn
from maturity_model.report.wording import date_words

if TYPE_CHECKING:
    from maturity_model.logbook.photos import KeptPhoto

#: Longest side on a page, which carries its photos with it.
SIDE = 480
MOST_BYTES = 20_000_000


@dataclass(frozen=True)
class Shot:
    """A photo on a page: its day in words, and the picture itself as a link."""

    day: str
    link: str


@dataclass(frozen=True)
class ThenAndNow:
    """One view of a tank; ``now`` is None where there is one photo alone."""

    label: str
    then: Shot
    now: Shot | None


def then_and_now(photos: Iterable[KeptPhoto], as_of: dt.date) -> tuple[ThenAndNow, ...]:
    """The first and the last photo of each view up to a day, without those that cannot be read."""
    out = []
    for view, group in groupby((p for p in photos if p.date <= as_of), attrgetter("view")):
        shots = [shot for p in _ends(list(group)) if (shot := _shot(p, as_of))]
        if shots:
            out.append(ThenAndNow(VIEWS[view], shots[0], shots[1] if len(shots) > 1 else None))
    return tuple(out)


def _ends(photos: list[KeptPhoto]) -> list[KeptPhoto]:
    return [photos[0], photos[-1]] if len(photos) > 1 else photos


def _shot(photo: KeptPhoto, as_of: dt.date) -> Shot | None:
    try:
        if photo.path.stat().st_size > MOST_BYTES:
            return None
        small = redrawn(photo.path.read_bytes(), SIDE)
    except (PhotoError, OSError):
        return None
    link = "data:image/jpeg;base64," + base64.b64encode(small).decode()
    return Shot(date_words(photo.date, as_of), link)
