"""The invented tanks of the demo logbook, scripted week by week."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Story:
    """One tank's script: phases with their weeks, the rest of the log in the last one."""

    tank: str
    keeper: str
    started: dt.date
    volume_l: int
    rock: str
    sand_depth_mm: str
    path: tuple[tuple[str, int], ...]
    attendance: float
    water_change_every: int
    own_sign: bool = False
    second_observer: str = ""
    lacks: tuple[str, ...] = ()
    events: tuple[tuple[int, str, str, str], ...] = ()
    notes: dict[int, str] = field(default_factory=dict)


STORIES = (
    Story(
        "Lagoon-60", "north-bench", dt.date(2025, 10, 5), 60, "live", "40",
        (("cycling", 2), ("bloom", 8), ("colonising", 15), ("mature", 99)),
        0.80, 2, own_sign=True,
        events=(
            (9, "livestock_added", "2", "two snails"),
            (16, "livestock_added", "1", "one blenny, from the club tank"),
            (34, "livestock_added", "3", ""),
        ),
        notes={
            0: "filled, rock from the old club tank",
            7: "brown dust on the sand, wiped the front pane",
            13: "first pods on the glass, many",
            31: "pink crust on pump, overflow and back glass",
        },
    ),
    Story(
        "Pier-120", "south-bench", dt.date(2025, 11, 2), 120, "dry", "",
        (("cycling", 5), ("bloom", 99)),
        0.70, 0, lacks=("coralline_algae", "syconoid_sponges"),
        events=((12, "livestock_added", "4", "snails"), (30, "livestock_added", "2", "")),
        notes={14: "hair algae again, plucked by hand", 33: "glass green after two days\nfed less"},
    ),
    Story(
        "Drift-40", "north-bench", dt.date(2025, 10, 19), 40, "mixed", "25",
        (("cycling", 3), ("bloom", 8), ("colonising", 14), ("mature", 5), ("cycling", 4),
         ("bloom", 7), ("colonising", 99)),
        0.80, 2, own_sign=True,
        events=(
            (10, "livestock_added", "3", ""),
            (30, "crash", "", "heater stuck on, found in the morning"),
            (30, "water_change", "50", ""),
            (31, "water_change", "40", ""),
            (32, "water_change", "30", ""),
            (44, "livestock_added", "2", "snails again"),
        ),
        notes={30: "cloudy, everything gone, pump kept running", 41: "glass green, sand brown"},
    ),
    Story(
        "Breakwater-200", "south-bench", dt.date(2025, 12, 7), 200, "mixed", "80",
        (("cycling", 4), ("bloom", 9), ("colonising", 7), ("bloom", 8), ("colonising", 6),
         ("bloom", 99)),
        0.75, 2,
        events=(
            (11, "livestock_added", "5", ""),
            (19, "overfeeding", "3", "feeder left on double, then again"),
            (20, "overfeeding", "3", ""),
            (33, "overfeeding", "", "visitors fed it"),
            (34, "overfeeding", "4", ""),
            (41, "overfeeding", "2", ""),
            (45, "overfeeding", "3", ""),
            (48, "sand_disturbed", "", "raked the front third"),
        ),
        notes={20: "leftover food on the sand, red sheets in the corner", 35: "film, film, film"},
    ),
    Story(
        "Tidepool-30", "west-bench", dt.date(2026, 10, 30), 30, "dry", "15",
        (("cycling", 99),),
        1.0, 0, notes={0: "filled, ammonium chloride for the start, no animals"},
    ),
    Story(
        "Skerry-90", "west-bench", dt.date(2025, 9, 14), 90, "dry", "20",
        (("cycling", 6), ("bloom", 19), ("colonising", 31), ("mature", 99)),
        0.70, 3, own_sign=True, second_observer="night-shift",
        events=((22, "livestock_added", "2", ""), (40, "livestock_added", "1", "goby")),
        notes={28: "torch an hour after lights out: hundreds of pods", 50: "two pink spots"},
    ),
)  # fmt: skip

#: Nobody looks while a keeper is away.
HOLIDAYS = {
    "north-bench": ((dt.date(2026, 7, 18), dt.date(2026, 8, 8)),),
    "south-bench": (
        (dt.date(2025, 12, 20), dt.date(2026, 1, 4)),
        (dt.date(2026, 8, 1), dt.date(2026, 8, 22)),
    ),
    "west-bench": ((dt.date(2026, 4, 4), dt.date(2026, 4, 25)),),
}
