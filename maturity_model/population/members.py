"""Members of the pool: keepers and tanks, recognised by keyed digests.

A population holds no names. For each keeper of the pool it holds a digest of the name, keyed
with a salt that is in the file, and that keeper's skill in each draw, as both were drawn
together. Names are few and short, so anyone who has the file can try names against it; with a
secret outside the file, only those who have the secret can.

A digest of a tank's log up to the day of the fit shows whether it has changed since: what a
population learned from a tank must not count again when that tank is assessed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from maturity_model._typing import Floats, Ints
from maturity_model.identity import fold
from maturity_model.population.netcdf import Variable, texts

if TYPE_CHECKING:
    from maturity_model.logbook import CheckIn, Event, Tank


#: Bytes of the salt, and of a secret at least and at most.
SALT_BYTES, MIN_SECRET, MAX_SECRET = 16, 16, 4096
#: Bound on a skill, in log-odds.
MAX_SKILL = 50.0


class SecretError(ValueError):
    """A secret cannot be used; the message says why."""


def read_secret(path: Path) -> bytes:
    """Read the secret in a file, without blanks and line ends around it.

    Raises SecretError where the file cannot be read, or holds too little or too much.
    """
    try:
        with path.open("rb") as file:
            secret = file.read(MAX_SECRET + 1)
    except OSError as error:
        raise SecretError(f"{path} cannot be read ({error.strerror})") from None
    if len(secret) > MAX_SECRET:
        raise SecretError(f"{path} holds more than {MAX_SECRET} bytes")
    secret = secret.strip()
    if len(secret) < MIN_SECRET:
        raise SecretError(f"{path} holds less than {MIN_SECRET} bytes, which could be guessed")
    return secret


def derive_key(salt: bytes, secret: bytes = b"") -> bytes:
    """Key of all digests of one file, from its salt and an optional secret outside it."""
    outer = hashlib.blake2b(secret, person=b"mm-secret").digest()
    return hashlib.blake2b(salt, key=outer, person=b"mm-key").digest()


def _digest(key: bytes, *parts: str) -> str:
    text = "\0".join(parts)  # no cell of a log holds a NUL
    return hashlib.blake2b(text.encode("utf-8", "replace"), key=key, digest_size=16).hexdigest()


def keeper_key(key: bytes, keeper: str, club: str) -> str:
    """Digest of a keeper's name and club."""
    return _digest(key, "keeper", fold(keeper), fold(club))


def tank_key(key: bytes, tank: Tank) -> str:
    """Digest of a tank's name, keeper, club, and day of start."""
    names = (fold(tank.name), fold(tank.keeper), fold(tank.club))
    return _digest(key, "tank", *names, tank.started.isoformat())


def log_key(
    key: bytes, tank: Tank, checkins: Iterable[CheckIn], events: Iterable[Event], as_of: dt.date
) -> str:
    """Digest of a tank's log up to a day, without notes."""
    rows: list[Any] = [(tank.started.isoformat(), tank.rock)]
    for c in checkins:
        if c.date <= as_of:
            readings = sorted((a, r.low, r.high, r.best) for a, r in c.readings.items())
            signs = sorted(c.signs.items())
            rows.append((c.date.isoformat(), c.look, c.judged_phase, signs, readings))
    rows += [(e.date.isoformat(), e.kind, e.amount) for e in events if e.date <= as_of]
    return _digest(key, "log", repr(rows))


def looks_alone(keeper: str, checkins: Iterable[CheckIn]) -> bool:
    """Whether the keeper made all these check-ins; a blank observer is the keeper."""
    return all(fold(c.observer) in ("", fold(keeper)) for c in checkins)


@dataclass(frozen=True)
class Members:
    """Keepers and tanks of a pool, without names.

    Attributes
    ----------
    salt : bytes
    secret : bool
        Whether a secret outside the file is needed too.
    check : str
        Digest by which a wrong secret is detected.
    keepers : tuple of str, length M
        :func:`keeper_key` of each keeper, ascending.
    skill : ndarray, shape (M, D)
        Log-odds of seeing a small sign, less the usual, in each draw of the population.
    tanks : dict of str to str
        :func:`tank_key` of each tank to its :func:`log_key`.
    as_of : date
        The day up to which the logs went into the fit.
    key : bytes
        Of the digests; empty until :meth:`unlock` gets the secret.
    """

    salt: bytes
    secret: bool
    check: str
    keepers: tuple[str, ...]
    skill: Floats
    tanks: Mapping[str, str]
    as_of: dt.date
    key: bytes = b""

    def unlock(self, secret: bytes) -> Members:
        """Return the members with their key, able to recognise keepers and tanks.

        Raises SecretError where the population was made with another secret, or with none.
        """
        if not self.secret:
            raise SecretError("the population was made without a secret")
        key = derive_key(self.salt, secret)
        if _digest(key, "check") != self.check:
            raise SecretError("not the secret that the population was made with")
        return replace(self, key=key)

    def skill_of(self, tank: Tank, checkins: Iterable[CheckIn]) -> Floats | None:
        """Skill of a tank's keeper in each draw, shape (D,); None if unknown.

        None too if others looked at the tank: the looks then need more than one skill.
        """
        if not self.key or not tank.keeper or not looks_alone(tank.keeper, checkins):
            return None
        wanted = keeper_key(self.key, tank.keeper, tank.club)
        return self.skill[self.keepers.index(wanted)] if wanted in self.keepers else None

    def log_of(self, tank: Tank) -> str | None:
        """:func:`log_key` of a tank that was in the pool; None for any other."""
        return self.tanks.get(tank_key(self.key, tank)) if self.key else None

    def take(self, index: Ints) -> Members:
        """The same with only some of the draws."""
        return replace(self, skill=np.ascontiguousarray(self.skill[:, index]))


def make_members(
    tanks: Sequence[tuple[Tank, str, Sequence[CheckIn], Sequence[Event]]],
    skill: Mapping[str, Floats],
    as_of: dt.date,
    *,
    salt: bytes,
    secret: bytes = b"",
) -> Members:
    """Collect what a file may hold about a pool.

    Keepers who have no name, whose tanks others looked at too, or who share name and club with
    another keeper are left out.

    Parameters
    ----------
    tanks : sequence of (Tank, str, check-ins, events)
        Each tank with the names of its own logbook, the pool's name for its keeper (one for
        each keeper that the fit distinguished), and its rows.
    skill : mapping of str to ndarray, shape (D,)
        By the pool's name for the keeper; empty when the model has no skill.
    as_of : date
        The day up to which the logs went into the fit.
    salt, secret : bytes
        Without a secret, only the salt in the file is used.
    """
    key = derive_key(salt, secret)
    shared: set[str] = set()
    names: dict[str, set[str]] = {}
    for tank, keeper, checkins, _ in tanks:
        if tank.keeper and keeper in skill:
            names.setdefault(keeper, set()).add(keeper_key(key, tank.keeper, tank.club))
            if not looks_alone(tank.keeper, checkins):
                shared.add(keeper)
    owners = Counter(digest for digests in names.values() for digest in digests)
    known = {
        digest: skill[keeper]
        for keeper, digests in names.items()
        for digest in digests
        if keeper not in shared and owners[digest] == 1
    }
    order = sorted(known)
    draws = len(next(iter(skill.values()))) if skill else 0
    tank_keys = [tank_key(key, tank) for tank, *_ in tanks]
    seen = Counter(tank_keys)
    return Members(
        salt=salt,
        secret=bool(secret),
        check=_digest(key, "check"),
        keepers=tuple(order),
        skill=np.array([known[d] for d in order]).reshape(len(order), draws),
        tanks={
            mine: log_key(key, tank, checkins, events, as_of)
            for mine, (tank, _, checkins, events) in zip(tank_keys, tanks, strict=True)
            if seen[mine] == 1
        },
        as_of=as_of,
        key=key,
    )


def pack_members(members: Members) -> tuple[dict[str, str], dict[str, Variable]]:
    """Attributes and variables of a population's file; draws first."""
    attributes = {
        "member_salt": members.salt.hex(),
        "member_secret": "outside this file" if members.secret else "none",
        "member_check": members.check,
        "member_as_of": members.as_of.isoformat(),
    }
    tanks = sorted(members.tanks.items())
    words = {"units": "1", "long_name": "log-odds of seeing a small sign, by draw and keeper"}
    variables = {
        "member_keeper": Variable(("member_keeper",), np.array(members.keepers, dtype="S")),
        "member_skill": Variable(("draw", "member_keeper"), members.skill.T, words),
        "member_tank": Variable(("member_tank",), np.array([k for k, _ in tanks], dtype="S")),
        "member_tank_log": Variable(("member_tank",), np.array([v for _, v in tanks], dtype="S")),
    }
    # The format has no axis of length 0.
    return attributes, {name: v for name, v in variables.items() if v.values.size}


def unpack_members(
    attributes: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]], n_draws: int
) -> Members | None:
    """Read what :func:`pack_members` wrote; None where it is not there.

    Raises ValueError or KeyError where it is damaged, or not of this number of draws.
    """
    if "member_salt" not in attributes:
        return None
    keepers, tanks, logs = (
        texts(arrays[name]) if name in arrays else ()
        for name in ("member_keeper", "member_tank", "member_tank_log")
    )
    skill = np.zeros((0, n_draws))
    if keepers:
        skill = np.ascontiguousarray(arrays["member_skill"].T, dtype=np.float64)
    if skill.shape != (len(keepers), n_draws):
        raise ValueError(f"skill has the shape {skill.shape[::-1]}")
    if not (np.abs(skill) <= MAX_SKILL).all():
        raise ValueError("skill holds values that are no log-odds")
    if len(set(keepers)) < len(keepers) or len(tanks) != len(logs):
        raise ValueError("keepers or tanks of the pool stand twice")
    salt = bytes.fromhex(str(attributes["member_salt"]))
    secret = str(attributes["member_secret"]) != "none"
    return Members(
        salt=salt,
        secret=secret,
        check=str(attributes["member_check"]),
        keepers=keepers,
        skill=skill,
        tanks=dict(zip(tanks, logs, strict=True)),
        as_of=dt.date.fromisoformat(str(attributes["member_as_of"])),
        key=b"" if secret else derive_key(salt),
    )
