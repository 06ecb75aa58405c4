"""Colours of the form, and its style sheet.

The colours of the phases follow viridis (dark is late), so they also differ in lightness, and
position and label repeat everything that a colour shows. Contrasts are checked in
``tests/report/test_report_style.py`` against WCAG 2.2, 1.4.3 and 1.4.11.
"""

from __future__ import annotations

from pathlib import Path

#: Light and dark values of each custom property.
PALETTE: dict[str, tuple[str, str]] = {
    "bg": ("#ffffff", "#14181b"),
    "card": ("#f5f7f7", "#1d2327"),
    "ink": ("#1b2327", "#e6eaeb"),
    "soft": ("#4f5b61", "#a9b4b9"),
    "line": ("#d3dadc", "#384247"),
    "edge": ("#7b878c", "#7d8a90"),
    "link": ("#0a5a73", "#7cc7dd"),
    "alarm": ("#8f1d14", "#ffb4a8"),
    "alarm-bg": ("#fdeeeb", "#3a1a16"),
    "care": ("#6b4a00", "#f0c768"),
    "care-bg": ("#fdf5e0", "#332812"),
    "on-early": ("#14181b", "#14181b"),
    "on-late": ("#ffffff", "#14181b"),
    "p0": ("#f0d95c", "#f0d95c"),
    "p1": ("#5cb87a", "#5cb87a"),
    "p2": ("#2c7c90", "#4a9ab0"),
    "p3": ("#3c3878", "#857fd3"),
}


def asset(name: str) -> str:
    """Text of a file beside this module, for example ``form.css``."""
    return Path(__file__).with_name(name).read_text("utf-8")


def style_sheet(name: str) -> str:
    """A style sheet, after the custom properties for light and dark; printing uses the light."""
    light, dark = (
        "".join(f"--{name}:{pair[scheme]};" for name, pair in PALETTE.items()) for scheme in (0, 1)
    )
    return (
        f":root{{color-scheme:light dark;{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n{asset(name)}"
    )
