"""What a pool still reveals, counted and explained in its README.md."""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from maturity_model.pooling.logbook_arrays import LogbookArrays
from maturity_model.pooling.merge import Pool

#: Groups smaller than this are listed as a risk; common practice, no source.
USUAL_K = 5


class Groups(NamedTuple):
    """Tanks that look alike by what an outsider may know.

    Attributes
    ----------
    smallest : int
        Size of the smallest group: the k of k-anonymity (Sweeney 2002, *Int. J. Uncertainty,
        Fuzziness and Knowledge-Based Systems* 10: 557-570; from memory). 0 without tanks.
    alone : int
        Tanks that are alone in their group.
    in_small : int
        Tanks in groups smaller than :data:`USUAL_K`.
    groups : int
    """

    smallest: int
    alone: int
    in_small: int
    groups: int


def count_groups(pool: Pool, *, club: bool) -> Groups:
    """Group the tanks by rock, volume band, month of the start and, if asked, club."""
    keys = Counter(
        (t.rock, t.volume_band, f"{t.started:%Y-%m}", t.club if club else "") for t in pool.tanks
    )
    sizes = list(keys.values())
    return Groups(
        smallest=min(sizes, default=0),
        alone=sum(1 for n in sizes if n == 1),
        in_small=sum(n for n in sizes if n < USUAL_K),
        groups=len(sizes),
    )


def note(arrays: LogbookArrays, pool: Pool) -> str:
    """Return the README.md of a pool."""
    clubs, keepers = {t.club for t in pool.tanks}, {t.keeper for t in pool.tanks}
    refused = sum(pool.refused)
    checkins = sum(len(t.rows) for t in pool.tanks)
    return f"""# A pool of aquarium logs

- {_n(len(pool.tanks), "tank")} of {_n(len(keepers), "keeper")} in {_n(len(clubs), "club")}
- {_n(checkins, "check-in")}
- {_n(refused, "tank")} left out without consent
- {_n(len(pool.merged_pairs), "pair")} of logs of one tank, each counted once

| file | what |
|---|---|
| `datapackage.json` | Frictionless Data Package: every column, its unit and its limits |
| `*.parquet` | the tables |
| `darwin_core.zip` | the same signs and readings as a Darwin Core archive |

`maturity-model fit POOL --out POPULATION.nc` learns a population from it.

Tanks, keepers and clubs are pseudonyms, made with a key that is not in this folder. Days
count from the start of each tank; of the start only the month is told. `eventDate` in the
archive is the range of days that this leaves open. In the archive a sign that was looked
for and not seen is `notDetected`: not to be seen by an aquarist is not to be absent. All
organisms are captive: never put them on a map.

{_risks(arrays, pool)}

{_TO_DO}"""


def _risks(arrays: LogbookArrays, pool: Pool) -> str:
    with_club, without = (count_groups(pool, club=c) for c in (True, False))
    keepers = Counter(t.keeper for t in pool.tanks)
    linked = sum(1 for n in keepers.values() if n > 1)
    exact = sum(1 for t in pool.tanks if t.last_day % 7 != 6)
    own = sorted(arrays.own)
    return f"""## What this pool still reveals

Somebody who knows a tank's rock, about its volume, the month of its start and its club can
narrow it down to a group of tanks. The smallest such group has **{with_club.smallest}**; without
knowing the club, **{without.smallest}**.

| known of a tank | groups | smallest | tanks alone in theirs | in groups below {USUAL_K} |
|---|---:|---:|---:|---:|
| rock, volume, month, club | {_row(with_club)} |
| rock, volume, month | {_row(without)} |

In a group of one, whoever knows these things of a tank has its whole log. Also:

- Tanks of one keeper are linked: {linked} of {len(keepers)} keepers have more than one.
- Whoever knows the date of one thing in a log (a crash that was told in a forum) can turn
  all days of that tank into dates.
- {_n(exact, "tank")} {"was" if exact == 1 else "were"} logged up to the last week of all: their
  `last_day` ends on the same date, so their starts can be put in order to the day.
- `water_known_week` may tell when the same keeper's other tank first had its water changed.
- A kit's colour steps may tell its brand.
- Names of a club's own signs leave the club as they are: {", ".join(own) or "there are none"}.
- The number of tanks without consent is told, and nothing else of them."""


_TO_DO = """## What to do

- A group of one or two: ask its keeper again, or leave the tank out (`no` in the column
  `consent` of `tanks.csv`), or pool with more clubs before passing this on.
- Give the pool to people who promise not to look for anybody, and say so in writing; this
  folder is pseudonymous, not anonymous, and the law on personal data may hold for it.
- Keep the key file apart. Whoever has it and guesses a name can test the guess. Without it,
  a later pool cannot be linked to this one.
- A keeper who says no later: make the pool again, and delete this one wherever it went.
"""


def _row(groups: Groups) -> str:
    return f"{groups.groups} | {groups.smallest} | {groups.alone} | {groups.in_small}"


def _n(count: int, what: str) -> str:
    return f"{count:,} {what}" + ("" if count == 1 else "s")
