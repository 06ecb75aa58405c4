"""Rows of a logbook, and texts that no row should hold."""

from __future__ import annotations

import random
from collections.abc import Sequence

SIGNS = ("amphipods", "copepods", "diatoms", "film_algae", "hair_algae", "coralline_algae")
ANALYTES = ("ammonia", "nitrite", "nitrate", "phosphate", "ph", "salinity", "temperature")
HEADERS = {
    "tanks": ["tank", "started", "keeper", "club", "volume_l", "rock", "sand_depth_mm"],
    "checkins": ["tank", "date", "observer", "look", "judged_phase", *SIGNS, *ANALYTES, "note"],
    "events": ["tank", "date", "event", "amount", "note"],
    "kits": ["keeper", "analyte", "method", "unit", "steps"],
    "signs": ["sign", "label", "cycling", "bloom", "colonising", "mature", "minutes", "where"],
    "logbook": ["setting", "value"],
}
EVENTS = (
    "water_change", "overfeeding", "crash", "livestock_added", "deep_clean", "sand_disturbed",
    "medication",
)  # fmt: skip
NAMES = ("reef", "nook", "left bay", "Riff 1", "Küche", "水槽")

SCRIPTS = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</title><svg/onload=alert(1)>",
    "javascript:alert(1)", "<!--", "]]>", "&lt;b&gt;", "<b>", "{{7*7}}", "${7*7}", "%s%n",
)  # fmt: skip
FORMULAS = (
    "=1+1", '=HYPERLINK("http://example.invalid","x")', "+1+1", "-2+3", "@SUM(A1)",
    "=cmd|' /C x'!A0", "\t=1+1", "#DIV/0!", "#REF!", "=1/0",
)  # fmt: skip
PATHS = (
    "../../up", "/etc/passwd", "..", ".", "C:\\x", "a/b", "a\\b", "con", "NUL.txt", "index",
    "phase", "regression", "~", "a:b", "-rf", "%2e%2e%2f", "a" * 300, "file://x", ".hidden", "x.",
    " x ",
)  # fmt: skip
NUMBERS = (
    "nan", "NaN", "inf", "-inf", "Infinity", "1e400", "-1e400", "1e-400", "-5", "-0", "0", "1e308",
    "99999999999", "9" * 50, "9" * 5000, "0x10", "1_000", "1,5", "1.000,5", "1 000", "٣", "½", "1e",
    "--1", "<", ">", "<<1", "<-1", ">1e9", "<0", "<nan", "1.2.3", "25 %", "0.25", "5x", "true",
    "+.", "1e5", ".5", "5.", "<0.25", ">5", "1e-300", "1e300", "6.5", "34", "1.026", "77",
)  # fmt: skip
DATES = (
    "1899-12-31", "1969-12-31", "1970-01-01", "0001-01-01", "9999-12-31", "10000-01-01",
    "2026-02-30", "2026-13-01", "03/04/2026", "25/03/2026", "2026-3-5", "20260305", "5 March 2026",
    "45000", "now", "2026-01-05T23:59:59+14:00", "2026-01-05 24:00", "-2026-01-01", "2026-01-05Z",
    "5.1.26", "２０２６-01-05", "2026‑01‑05", "2026-01-05\n", "0000-00-00", "2030-01-01", "2025-12-31",
)  # fmt: skip
TEXTS = (
    "", " ", "\t", "\n", "a\nb", "a\r\nb", "a\rb", 'say "hi"', '"', '""', "'", ";", ",", "a,b;c\td",
    "\u202ereversed", "\u200b", "\ufeff", "\u2028", "\x85", "\x1b[31mred\x1b[0m", "\x07", "\x1f",
    "\x0b", "\x0c", "\x7f", "e\u0301", "\u00e9", "Ａ", "🐠" * 40, "\ue000", "\U0010ffff", "x" * 81,
    "x" * 10_001, "\u0000".replace("\0", "nul"), "None", "null", "NaN", "__proto__", "constructor",
    "y", "n", "Y", "yes", "TRUE", "1", "0", "maybe", "y n", "?", "water change", "Water-Change",
    "mature", "dry", "torch", "glance",
)  # fmt: skip
EVERYTHING = (*SCRIPTS, *FORMULAS, *PATHS, *NUMBERS, *DATES, *TEXTS)


def date(rng: random.Random) -> str:
    """A day that is mostly after the tanks' start and before the day of reading."""
    return f"2026-{rng.randint(1, 6):02}-{rng.randint(1, 28):02}"


#: Cells of a column that do not depend on other cells.
CHOICES: dict[str, dict[str, Sequence[str]]] = {
    "tanks": {
        "started": ("2025-12-20", "2026-01-01"), "keeper": ("ann", "bo", ""),
        "club": ("", "north"), "volume_l": ("", "120", "54.5"),
        "rock": ("", "dry", "mixed", "live"), "sand_depth_mm": ("", "0", "40"),
    },
    "checkins": {
        "observer": ("", "ann", "bo"), "look": ("", "careful", "torch"),
        "judged_phase": ("", "", "bloom"), **dict.fromkeys(SIGNS, ("y", "n", "")),
        "ammonia": ("", "<0.25", "0.5"), "nitrite": ("", "0", "1"), "nitrate": ("", "5", ">80"),
        "phosphate": ("", "0.03"), "ph": ("", "8.1"), "salinity": ("", "1.026", "35"),
        "temperature": ("", "25.1"), "note": ("", "fine", ""),
    },
    "events": {"event": EVENTS, "note": ("", "as usual")},
    "kits": {
        "keeper": ("", "ann", "bo"), "analyte": ANALYTES, "method": ("", "photometer", "probe"),
        "steps": ("",),
    },
    "signs": {
        "cycling": ("0.1",), "bloom": ("0.2",), "colonising": ("0.5",), "mature": ("0.8",),
        "minutes": ("2",), "where": ("rock",),
    },
    "logbook": {},
}  # fmt: skip
AMOUNTS = {"water_change": "20", "overfeeding": "2", "livestock_added": "3"}
UNITS = {"nitrate": "mg/L NO3", "phosphate": "mg/L PO4"}


def good_row(table: str, rng: random.Random, number: int, tanks: list[str]) -> dict[str, str]:
    """One row as a careful keeper would write it."""
    row = {column: rng.choice(cells) for column, cells in CHOICES[table].items()}
    match table:
        case "tanks":
            row["tank"] = tanks[number % len(tanks)]
        case "checkins" | "events":
            row |= {"tank": rng.choice(tanks), "date": date(rng)}
            if table == "events":
                row["amount"] = AMOUNTS.get(row["event"], "")
        case "kits":
            row["unit"] = UNITS.get(row["analyte"], "")
        case "signs":
            row |= {"sign": f"own_{number}", "label": f"Own {number}"}
        case _ if number:
            orders = ("day-month-year", "month-day-year")
            row |= {"setting": "date_order", "value": rng.choice(orders)}
        case _:
            row |= {"setting": "decimal", "value": rng.choice(("point", "comma"))}
    return row
