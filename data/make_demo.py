"""Write the demo logbook: an invented club corner, as sparse and messy as real logs are.

    python data/make_demo.py [--out DIR]

Everything in it is invented: tanks, keepers, numbers, notes. Each tank follows a phase
path written down in demo_stories.py; what is seen and measured is drawn from chances of
this file's own, on purpose not the package's, so that the demo is no mirror of the model.
The same seed gives the same bytes. A handful of mistakes is put in on purpose, to show
how they are reported; README.md beside the tables lists them.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import io
import math
import random
from pathlib import Path

from demo_stories import HOLIDAYS, STORIES, Story

from maturity_model.whole_files import write_file

SEED = "club corner 4"
END = dt.date(2026, 11, 20)
CLUB = "Corner shelf (invented)"
PHASES = ("cycling", "bloom", "colonising", "mature")

#: Chance of seeing a sign at a careful look, by phase; small signs gain from a torch.
SIGNS: dict[str, tuple[float, float, float, float, bool]] = {
    "amphipods": (0.04, 0.25, 0.75, 0.90, True),
    "copepods": (0.10, 0.50, 0.85, 0.90, True),
    "spirorbid_worms": (0.02, 0.15, 0.70, 0.85, True),
    "syconoid_sponges": (0.01, 0.04, 0.35, 0.65, True),
    "sand_worm_tubes": (0.05, 0.55, 0.80, 0.90, False),
    "sand_gas_bubbles": (0.05, 0.50, 0.70, 0.70, False),
    "bristle_worms": (0.05, 0.30, 0.70, 0.80, True),
    "diatoms": (0.35, 0.75, 0.25, 0.06, False),
    "film_algae": (0.20, 0.80, 0.60, 0.35, False),
    "hair_algae": (0.05, 0.65, 0.35, 0.08, False),
    "cyanobacteria": (0.05, 0.35, 0.20, 0.06, False),
    "coralline_algae": (0.02, 0.08, 0.50, 0.95, False),
    "feather_worms": (0.01, 0.06, 0.45, 0.65, True),
}
#: Median by phase, and spread of the logarithm, in mg/L of the ion.
NUTRIENTS = {
    "ammonia": ((1.2, 0.05, 0.02, 0.01), 0.7),
    "nitrite": ((0.9, 0.05, 0.02, 0.01), 0.8),
    "nitrate": ((5.0, 16.0, 10.0, 7.0), 0.5),
    "phosphate": ((0.08, 0.14, 0.08, 0.05), 0.5),
}
#: Mean, slow drift, noise of what is held steady; alkalinity in dKH.
STEADY = {
    "ph": (8.12, 0.06, 0.04),
    "salinity": (35.0, 0.5, 0.2),
    "temperature": (25.2, 0.4, 0.3),
    "alkalinity": (8.2, 0.5, 0.2),
}
#: Chance that a check-in measures it, while cycling and afterwards.
MEASURED = {
    "ammonia": (0.60, 0.14),
    "nitrite": (0.55, 0.10),
    "nitrate": (0.25, 0.33),
    "phosphate": (0.10, 0.26),
    "ph": (0.30, 0.22),
    "salinity": (0.45, 0.40),
    "temperature": (0.55, 0.55),
    "alkalinity": (0.10, 0.24),
}
AMMONIA_CHART = (0, 0.25, 0.5, 1, 2, 4, 8)
NITRITE_CHART = (0, 0.25, 0.5, 1, 2, 5)
NITRATE_STRIP = (0, 10, 25, 50, 100, 250)
NITRATE_CHART = (0, 5, 10, 20, 40, 80, 160)
KITS = (
    ("", "ammonia", "colour_chart", "mg/L NH4", AMMONIA_CHART),
    ("", "nitrite", "colour_chart", "mg/L NO2", NITRITE_CHART),
    ("", "nitrate", "colour_chart", "mg/L NO3", NITRATE_CHART),
    ("", "phosphate", "photometer", "mg/L PO4", ()),
    ("", "ph", "probe", "[pH]", ()),
    ("", "temperature", "probe", "Cel", ()),
    ("", "alkalinity", "colour_chart", "[dKH]", ()),
    ("north-bench", "nitrate", "photometer", "mg/L NO3-N", ()),
    ("south-bench", "nitrate", "strip", "mg/L NO3", NITRATE_STRIP),
    ("south-bench", "salinity", "probe", "sg 25/25", ()),
    ("west-bench", "salinity", "probe", "1", ()),
    ("north-bench", "salinity", "probe", "1", ()),
)
#: A club's own sign: chance of seeing it by phase, as its members reckon.
OWN_SIGN = {
    "sign": "feather_worms", "label": "Feather duster worms", "group": "animals",
    "taxon": "Sabellidae", "where": "Overflow and shaded rock: small crowns that snap shut",
    "how": "Look along the overflow, then pass a hand over it", "minutes": "2", "small": "0.6",
    "cycling": "0.02", "bloom": "0.10", "colonising": "0.40", "mature": "0.60",
}  # fmt: skip

#: How each keeper writes seen and not seen, most usual first.
WORDS = {
    "north-bench": (("y", "y", "y", "Y"), ("n", "n", "n", "N")),
    "south-bench": (("1", "1", "yes"), ("0", "0", "no")),
    "west-bench": (("Yes", "y", "Yes"), ("No", "n", "No")),
    "night-shift": (("y",), ("n",)),
}
CHECKIN_COLUMNS = (
    "date", "tank", "observer", "look", "judged_phase", *SIGNS,
    "ammonia", "nitrite", "nitrate", "phosphate", "ph", "salinity", "temperature", "alkalinity",
    "flow", "note",
)  # fmt: skip


def phase_at(story: Story, week: int) -> tuple[int, float]:
    """Return the phase's index in a week and how far it has set in, 0.25 to 1."""
    for name, weeks in story.path:
        if week < weeks:
            return PHASES.index(name), min(1.0, 0.25 * (week + 1))
        week -= weeks
    raise ValueError(f"the path of {story.tank} ends too early")


def blended(values: tuple[float, ...], phase: int, before: int, share: float) -> float:
    """Mix the value of a phase with that of the one before, while it sets in."""
    return share * values[phase] + (1 - share) * values[before]


def logit(p: float) -> float:
    """Log-odds of a chance."""
    return math.log(p / (1 - p))


def chance(log_odds: float) -> float:
    """Chance from log-odds."""
    return 1 / (1 + math.exp(-log_odds))


def nearest(value: float, steps: tuple[float, ...], rng: random.Random) -> str:
    """Read a colour chart: the nearest step, and mostly ``<step`` below the first."""
    step = min(steps, key=lambda s: abs(s - value))
    if step == 0:
        return f"<{steps[1]:g}" if rng.random() < 0.6 else "0"
    if step == steps[-1] and value > 1.3 * step:
        return f">{step:g}"
    return f"{step:g}"


class TankLog:
    """Draws one tank's check-ins and events, week by week."""

    def __init__(self, story: Story) -> None:
        self.story = story
        self.rng = random.Random(f"{SEED} {story.tank}")
        #: the tank's own leaning for each sign: some are rich in worms, some never are
        self.leaning = {s: self.rng.gauss(0, 0.6) for s in SIGNS}
        self.drift = dict.fromkeys((*NUTRIENTS, *STEADY), 0.0)
        self.truth: dict[str, float] = {}
        self.last: dict[str, int] = {}
        self.judged: str = ""
        self.checkins: list[dict[str, str]] = []
        self.events: list[dict[str, str]] = []

    def run(self) -> None:
        """Walk the weeks from the start to the end of the demo."""
        weeks = (END - self.story.started).days // 7
        before = 0
        now = 0
        for week in range(weeks + 1):
            phase, share = phase_at(self.story, week)
            if phase != now:
                before, now = now, phase
            if phase < before - 1:
                share = 1.0  # a crash does not set in, it is there
            self.happen(week)
            day = self.story.started + dt.timedelta(
                days=7 * week + self.rng.choice((0, 0, 1, 2, 5))
            )
            self.move(phase, before, share)
            missed = self.rng.random() > self.story.attendance and week not in self.story.notes
            if missed or day > END or self.away(self.story.keeper, day):
                continue
            self.look(day, week, self.story.keeper, (phase, before, share))
            second = self.story.second_observer
            if second and week % 3 == 1:
                later = day + dt.timedelta(days=self.rng.choice((1, 2, 3)))
                if later <= END:
                    self.look(later, -1, second, (phase, before, share))

    def away(self, keeper: str, day: dt.date) -> bool:
        """Whether the keeper is on holiday."""
        return any(a <= day <= b for a, b in HOLIDAYS.get(keeper, ()))

    def happen(self, week: int) -> None:
        """Log this week's events."""
        story, rng = self.story, self.rng
        start = story.started + dt.timedelta(days=7 * week)
        for due, kind, amount, note in story.events:
            if due == week:
                late = 0 if kind == "crash" else rng.choice((0, 1, 3, 4))
                self.event(start + dt.timedelta(days=late), kind, amount, note)
        every = story.water_change_every
        if every and week >= 2 and week % every == 0 and rng.random() < 0.85:
            day = start + dt.timedelta(days=rng.choice((0, 1, 6)))
            if not self.away(story.keeper, day):
                self.event(day, "water_change", str(rng.choice((10, 15, 15, 20, 25))), "")

    def event(self, day: dt.date, kind: str, amount: str, note: str) -> None:
        """Log one event, unless it lies beyond the end."""
        if day <= END:
            row = {"date": str(day), "tank": self.story.tank, "event": kind}
            self.events.append({**row, "amount": amount, "note": note})

    def move(self, phase: int, before: int, share: float) -> None:
        """Let the water drift for a week; more food is more nutrient."""
        for name in self.drift:
            self.drift[name] = 0.7 * self.drift[name] + self.rng.gauss(0, 0.7)
        self.truth = {
            name: math.exp(
                blended(tuple(map(math.log, medians)), phase, before, share)
                + 0.7 * spread * self.drift[name]
            )
            for name, (medians, spread) in NUTRIENTS.items()
        }

    def look(self, day: dt.date, week: int, who: str, at: tuple[int, int, float]) -> None:
        """Log one check-in: some signs, now and then a reading."""
        rng, story = self.rng, self.story
        look = rng.choices(("", "careful", "glance", "torch"), (5, 3, 2, 1))[0]
        if who == story.second_observer:
            look = "torch"
        row = dict.fromkeys(CHECKIN_COLUMNS, "")
        row |= {"date": str(day), "tank": story.tank, "observer": who, "look": look}
        if look == "torch" and rng.random() < 0.3:
            row["look"] = "Torch"
        usable = [s for s in SIGNS if s != "feather_worms" or story.own_sign]
        count = rng.randint(2, 4) if look == "glance" else rng.randint(4, 8)
        if rng.random() < 0.06:
            count = 0
        if who == story.keeper and rng.random() < 0.1:
            row["observer"] = ""
        for sign in rng.sample(usable, count):
            row[sign] = self.see(sign, look, who, at)
        phase = at[0]
        for analyte, chances in MEASURED.items():
            if who != story.second_observer and rng.random() < chances[min(phase, 1)]:
                row[analyte] = self.measure(analyte)
        if who in ("north-bench", "night-shift") and rng.random() < 0.15:
            row["judged_phase"] = self.judge(phase)
        row["note"] = story.notes.get(week, "")
        self.checkins.append(row)

    def see(self, sign: str, look: str, who: str, at: tuple[int, int, float]) -> str:
        """Look for a sign; one seen last time is likely seen again."""
        *chances, small = SIGNS[sign]
        odds = (
            logit(blended(tuple(chances), *at)) + self.leaning[sign] + 1.3 * self.last.get(sign, 0)
        )
        if small:
            odds += {"glance": -1.0, "torch": 0.7}.get(look, 0.0)
        seen = sign not in self.story.lacks and self.rng.random() < chance(odds)
        self.last[sign] = 1 if seen else -1
        return self.rng.choice(WORDS[who][0 if seen else 1])

    def measure(self, analyte: str) -> str:
        """Write a reading as the keeper's kit shows it."""
        keeper, rng = self.story.keeper, self.rng
        if analyte in STEADY:
            mean, drift, noise = STEADY[analyte]
            value = mean + drift * self.drift[analyte] + rng.gauss(0, noise)
            if analyte == "salinity" and keeper == "south-bench":
                # about 0.00076 of specific gravity 25/25 for each unit of salinity
                return f"{1.02637 + 0.00076 * (value - 35):.3f}"
            return f"{value:.2f}" if analyte == "ph" else f"{value:.1f}"
        value = self.truth[analyte] * math.exp(rng.gauss(0, 0.1))
        if analyte == "ammonia":
            return nearest(value, AMMONIA_CHART, rng)
        if analyte == "nitrite":
            return nearest(value, NITRITE_CHART, rng)
        if analyte == "phosphate":
            return f"{value:.2f}"
        if keeper == "north-bench":
            return f"{value * 14.007 / 62.004:.1f}"
        return nearest(value, NITRATE_STRIP if keeper == "south-bench" else NITRATE_CHART, rng)

    def judge(self, phase: int) -> str:
        """A keeper's judgement: right four times in five, and fond of the last one."""
        if self.judged and self.rng.random() < 0.3:
            return self.judged
        if self.rng.random() > 0.8:
            phase = min(3, max(0, phase + self.rng.choice((-1, 1))))
        self.judged = PHASES[phase]
        return self.judged


#: Readings of the last week, so that one tank lacks no evidence for a permission and another
#: shows its filter at work: (tank, date) to what was measured.
FRESH = {
    ("Lagoon-60", "2026-11-15"): {"ammonia": "0", "nitrite": "0"},
    ("Tidepool-30", "2026-11-20"): {"ammonia": "<0.25"},
}


def measure_afresh(checkins: list[dict[str, str]]) -> None:
    """Put the readings of :data:`FRESH` into their check-ins."""
    for (tank, date), readings in FRESH.items():
        row = next(r for r in checkins if (r["tank"], r["date"]) == (tank, date))
        row |= readings


def put_mistakes(checkins: list[dict[str, str]], events: list[dict[str, str]]) -> None:
    """Spoil a few cells on purpose; README.md lists them."""

    def pick(tank: str, since: str, column: str) -> dict[str, str]:
        return next(r for r in checkins if r["tank"] == tank and r["date"] >= since and r[column])

    # an unambiguous date in another form: used, and said so
    row = pick("Lagoon-60", "2026-05-13", "date")
    day = dt.date.fromisoformat(row["date"])
    row["date"] = f"{day.day} May {day.year}"
    # a name that is nearly a tank's: refused, and long enough ago for the answers to stand
    pick("Drift-40", "2026-04-01", "date")["tank"] = "Drift 40"
    row = pick("Skerry-90", "2026-06-01", "phosphate")
    row["phosphate"] = row["phosphate"].replace(".", ",")
    pick("Breakwater-200", "2026-06-01", "nitrate")["nitrate"] = "-10"
    # a name that is no tank's
    next(e for e in events if e["tank"] == "Lagoon-60" and e["date"] > "2026-03-01")["tank"] = (
        "Lagoon-66"
    )
    # 'flow' is no column of the format: reported, not used
    for row, text in zip(
        (r for r in checkins if r["tank"] == "Skerry-90"), ("low", "", "high", "low"), strict=False
    ):
        row["flow"] = text


def write(path: Path, columns: tuple[str, ...], rows: list[dict[str, str]]) -> None:
    """Write one table."""
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_file(path, text.getvalue())


def make(out: Path) -> None:
    """Write the five tables into a folder; it is made if it is missing."""
    out.mkdir(parents=True, exist_ok=True)
    checkins: list[dict[str, str]] = []
    events: list[dict[str, str]] = []
    for story in STORIES:
        log = TankLog(story)
        log.run()
        checkins += log.checkins
        events += log.events
    checkins.sort(key=lambda r: r["date"])
    events.sort(key=lambda r: r["date"])
    measure_afresh(checkins)
    put_mistakes(checkins, events)
    tank_columns = ("tank", "keeper", "club", "started", "volume_l", "rock", "sand_depth_mm")
    tanks = [{c: str(getattr(s, c, CLUB)) for c in tank_columns} for s in STORIES]
    kit_columns = ("keeper", "analyte", "method", "unit", "steps")
    kits = [
        dict(zip(kit_columns, (*kit[:4], ";".join(f"{s:g}" for s in kit[4])), strict=True))
        for kit in KITS
    ]
    write(out / "tanks.csv", tank_columns, tanks)
    write(out / "checkins.csv", CHECKIN_COLUMNS, checkins)
    write(out / "events.csv", ("date", "tank", "event", "amount", "note"), events)
    write(out / "kits.csv", kit_columns, kits)
    write(out / "signs.csv", tuple(OWN_SIGN), [OWN_SIGN])


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Write the demo logbook.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "demo")
    make(parser.parse_args().out)


if __name__ == "__main__":
    main()
