"""Which worlds are run, and how large."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

from maturity_model.lab.validation.clubs import World
from maturity_model.lab.worlds import BROKEN, presets

Group = Literal["own", "mechanistic", "microcosm", "mesocosm", "broken"]
#: Groups of daily ecologies, which know nothing of the model or of each other.
ECOLOGIES: tuple[Group, ...] = ("mechanistic", "microcosm", "mesocosm")
#: The model run forwards, every club with its own draw of the parameters; and the ecology in
#: which assumptions can be broken, with the range that its parameters lie in then.
MODEL, OWN, MECHANISTIC, TYPICAL = "model", "club", "mechanistic", "typical"


class Settings(NamedTuple):
    """How large a run is: the options of ``maturity-model validate``, where they are described.

    Each tank is followed for ``after`` weeks beyond those that are scored, for what was to come.
    The model's own world has many tanks, because each of its clubs has its own parameters and
    what must hold there is narrow. ``fit_cases`` is empty for all cases.
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
    fit_moves: Literal["auto", "practice", "learned"] = "auto"
    fit_cases: tuple[str, ...] = ()
    own_tanks: int = 400
    own_clubs: int = 50
    permission_tanks: int = 100


class UnknownCase(ValueError):
    """A name of no case, and those that there are."""


class Case(NamedTuple):
    """One world that is scored; ``name`` is plain, for file names and tables."""

    name: str
    title: str
    group: Group
    world: World


def settings_of(case: Case, settings: Settings) -> Settings:
    """What the scores of one case depend on; all else is left at its default."""
    s, own = settings, case.group == "own"
    tanks, clubs = (s.own_tanks, s.own_clubs) if own else (s.tanks, s.clubs)
    # There are many broken cases, and what is asked of each is coarse.
    share = 2 if case.group == "broken" else 1
    training = max(s.training, clubs)
    return Settings(
        max(tanks // share, clubs), clubs, s.weeks, s.after, max(training // share, clubs), s.seed
    )


def is_fitted(case: Case, settings: Settings) -> bool:
    """Whether pooled fits are part of a case."""
    named = not settings.fit_cases or case.name in settings.fit_cases
    return settings.fit_tanks > 0 and case.group in ECOLOGIES and named


def cases(only: Sequence[str] = ()) -> tuple[Case, ...]:
    """All cases, in the order of the groups, or those of some names or groups.

    Raises
    ------
    UnknownCase
        When a name is of no case.
    """
    every = [Case("own", "the model’s own world", "own", World(MODEL, OWN))]
    every += [
        Case(f"{world}-{p}", f"{world}, {p}", world, World(world, p))
        for world in ECOLOGIES
        for p in presets(world)
    ]
    every += [
        Case(f"broken-{world}-{b}", f"{world}: {meaning}", "broken", World(world, preset, (b,)))
        for world, preset in ((MODEL, OWN), (MECHANISTIC, TYPICAL))
        for b, meaning in BROKEN.items()
    ]
    known = {c.name for c in every} | {c.group for c in every}
    if unknown := sorted(set(only) - known):
        raise UnknownCase(f"no case is called {unknown[0]!r}; there are {', '.join(sorted(known))}")
    return tuple(c for c in every if not only or {c.name, c.group} & set(only))
