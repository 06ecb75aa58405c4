"""Which worlds are run, and how large."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

from maturity_model.validation.clubs import World
from maturity_model.worlds import BROKEN, presets

Group = Literal["own", "mechanistic", "broken"]


class Settings(NamedTuple):
    """How large a run is.

    Attributes
    ----------
    tanks : int
        Scored tanks of each case.
    clubs : int
        Clubs that they, and the training tanks, are spread over; each has its own seed.
    weeks : int
        Scored weeks of each tank.
    after : int
        Weeks that each scored tank is followed beyond, for what was to come.
    training : int
        Further tanks of each case, for the baselines and the ceiling.
    seed : int
    fit_tanks : int
        Further tanks of each mechanistic case for the pooled fits; 0 for none.
    fit_draws, fit_tune, fit_chains : int
        See :func:`maturity_model.population.fit.fit`.
    """

    tanks: int = 80
    clubs: int = 10
    weeks: int = 60
    after: int = 104
    training: int = 200
    seed: int = 41
    fit_tanks: int = 0
    fit_draws: int = 400
    fit_tune: int = 400
    fit_chains: int = 2


class Case(NamedTuple):
    """One world that is scored.

    Attributes
    ----------
    name : str
        A plain word, for file names and tables.
    title : str
    group : {'own', 'mechanistic', 'broken'}
    world : World
    """

    name: str
    title: str
    group: Group
    world: World


#: The daily ecology, which knows nothing of the model; and the model run forwards, every
#: club with a draw of the parameters of its own.
MECHANISTIC, MODEL, OWN = "mechanistic", "model", "club"
#: Range of the ecology's parameters in which assumptions are broken.
TYPICAL = "typical"


def cases(only: Sequence[str] = ()) -> tuple[Case, ...]:
    """All cases, or those named.

    Parameters
    ----------
    only : sequence of str
        Names of the cases to keep, or of their groups; empty for all.

    Raises
    ------
    ValueError
        When a name is of no case.
    """
    found = [Case("own", "the model’s own world", "own", World(MODEL, OWN))]
    found += [
        Case(f"mechanistic-{p}", f"mechanistic, {p}", "mechanistic", World(MECHANISTIC, p))
        for p in presets(MECHANISTIC)
    ]
    for world, preset in ((MODEL, OWN), (MECHANISTIC, TYPICAL)):
        found += [
            Case(f"broken-{world}-{b}", f"{world}: {meaning}", "broken", World(world, preset, (b,)))
            for b, meaning in BROKEN.items()
        ]
    known = {c.name for c in found} | {c.group for c in found}
    if unknown := sorted(set(only) - known):
        raise ValueError(f"no case is called {unknown[0]!r}; there are {', '.join(sorted(known))}")
    return tuple(c for c in found if not only or {c.name, c.group} & set(only))
