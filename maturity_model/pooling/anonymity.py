"""Count and explain, in a pool's README.md, what the pool still reveals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from typing import NamedTuple

from maturity_model.pooling.logbook_arrays import LogbookArrays
from maturity_model.pooling.merge import Pool

#: Groups smaller than this are listed as a risk; common practice, no source.
USUAL_K = 5


class Groups(NamedTuple):
    """How many tanks share what is known of them.

    ``smallest`` is the size of the smallest group: the k of k-anonymity (Sweeney 2002, *Int. J.
    Uncertainty, Fuzziness and Knowledge-Based Systems* 10: 557-570; from memory), 0 without
    tanks; ``alone`` tanks have a group to themselves, ``in_small`` are in groups smaller than
    :data:`USUAL_K`.
    """

    groups: int
    smallest: int
    alone: int
    in_small: int


#: What the pool publishes of each tank, besides its log and the pseudonyms of tank and keeper;
#: and how the note calls it.
_WORDS = {
    "club": "club", "rock": "rock", "volume_band": "volume", "sand_band": "sand",
    "start_month": "month", "last_day": "last day", "water_known_week": "first logged water change",
}  # fmt: skip
PUBLISHED = tuple(_WORDS)
#: What may be known of a tank without having its log.
OUTWARD = ("club", "rock", "volume_band", "sand_band", "start_month")


def counted(count: int, one: str, many: str = "") -> str:
    """'1 tank', '3 tanks'."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def count_groups(pool: Pool, columns: Collection[str]) -> Groups:
    """Group the tanks by some of the columns that are published."""
    sizes = Counter(tuple(getattr(t, c) for c in columns) for t in pool.tanks).values()
    return Groups(
        groups=len(sizes),
        smallest=min(sizes, default=0),
        alone=sum(n == 1 for n in sizes),
        in_small=sum(n for n in sizes if n < USUAL_K),
    )


def note(arrays: LogbookArrays, pool: Pool) -> str:
    """Return the README.md of a pool."""
    tanks = counted(len(pool.tanks), "tank")
    keepers = counted(len({t.keeper for t in pool.tanks}), "keeper")
    clubs = counted(len({t.club for t in pool.tanks}), "club")
    refused = sum(pool.refused)
    checkins = sum(len(t.rows) for t in pool.tanks)
    return f"""# A pool of aquarium logs

- {tanks} of {keepers} in {clubs}
- {counted(checkins, "check-in")}
- {counted(refused, "tank")} left out without consent
- {counted(len(pool.merged_pairs), "pair")} of logs of one tank, each counted once

| file | what |
|---|---|
| `datapackage.json` | Frictionless Data Package: every column, its unit and its limits |
| `*.parquet` | the tables |
| `darwin_core.zip` | the same signs and readings as a Darwin Core archive |

`maturity-model fit POOL --out POPULATION.nc` learns a population from it.

Tanks, keepers and clubs are pseudonyms, made with a key that is not in this folder. Days
count from the start of each tank; of the start only the month is given. `eventDate` in the
archive is the range of days that this leaves open. In the archive a sign that was looked
for and not seen is `notDetected`: what a keeper does not see is not proved absent. All
organisms are captive: never put them on a map.

{_risks(arrays, pool)}

{_TO_DO}"""


def _risks(arrays: LogbookArrays, pool: Pool) -> str:
    keepers = Counter(t.keeper for t in pool.tanks)
    linked = sum(1 for n in keepers.values() if n > 1)
    exact = sum(1 for t in pool.tanks if t.last_day % 7 != 6)
    logged = f"{counted(exact, 'tank')} {'was' if exact == 1 else 'were'}"
    own = sorted(arrays.own)
    known = (PUBLISHED, PUBLISHED[1:], OUTWARD, OUTWARD[1:])
    table = "\n".join(_row(pool, columns) for columns in known)
    return f"""## What this pool still reveals

Anyone who knows what is published of a tank can narrow it down to a group of tanks. The
smallest such group has **{count_groups(pool, PUBLISHED).smallest}**; without knowing the club,
**{count_groups(pool, PUBLISHED[1:]).smallest}**.

| known of a tank | groups | smallest | tanks alone in theirs | in groups below {USUAL_K} |
|---|---:|---:|---:|---:|
{table}

In a group of one, anyone who knows these things of a tank has its whole log. Also:

- Tanks of one keeper are linked: {linked} of {len(keepers)} keepers have more than one.
- The date of a single thing in a log (a crash that was described in a forum) turns all days
  of that tank into dates.
- {logged} logged up to the last week of all: their
  `last_day` ends on the same date, so their starts can be put in order to the day.
- `water_known_week` may show when the same keeper's other tank first had its water changed.
- A kit's colour steps may give away its brand.
- Names of a club's own signs leave the club as they are: {", ".join(own) or "there are none"}.
- The number of tanks without consent is published, and nothing else about them."""


_TO_DO = """## What to do

- A group of one or two: ask its keeper again, or leave the tank out (`no` in the column
  `consent` of `tanks.csv`), or pool with more clubs before passing this on.
- Give the pool to people who promise in writing not to look for anyone; this folder is
  pseudonymous, not anonymous, and the law on personal data may apply to it.
- Keep the key file apart. With it, a guessed name can be tested. Without it, a later pool
  cannot be linked to this one.
- A keeper who says no later: make the pool again, and delete this one wherever it went.
"""


def _row(pool: Pool, columns: Collection[str]) -> str:
    numbers = map(str, count_groups(pool, columns))
    return f"| {' | '.join([', '.join(_WORDS[c] for c in columns), *numbers])} |"
