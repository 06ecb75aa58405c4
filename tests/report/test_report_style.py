"""Colours that everybody can tell apart."""

from __future__ import annotations

import re

import pytest

from maturity_model.report.style import CSS, PALETTE


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_reckoned_as_published() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 on white is the well-known 4.54.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize(
    ("text", "ground"),
    [
        *((t, g) for t in ("ink", "soft", "link") for g in ("bg", "card", "alarm-bg", "care-bg")),
        ("alarm", "alarm-bg"),
        ("care", "care-bg"),
        ("on-early", "p0"),
        ("on-early", "p1"),
        ("on-late", "p2"),
        ("on-late", "p3"),
    ],
)
def test_text_is_readable(text: str, ground: str, scheme: int) -> None:
    # WCAG 2.2, 1.4.3 (AA)
    assert contrast(PALETTE[text][scheme], PALETTE[ground][scheme]) >= 4.5


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_marks_and_edges_stand_out(scheme: int) -> None:
    # WCAG 2.2, 1.4.11 (AA): graphical objects that a reader needs
    for name in ("edge", "ink", "link"):
        for ground in ("bg", "card"):
            assert contrast(PALETTE[name][scheme], PALETTE[ground][scheme]) >= 3


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_phases_differ_in_lightness(scheme: int) -> None:
    light = [luminance(PALETTE[f"p{k}"][scheme]) for k in range(4)]
    assert light == sorted(light, reverse=True)


def test_every_colour_is_a_property() -> None:
    for name in PALETTE:
        assert f"--{name}:" in CSS
    rules = "".join(line for line in CSS.splitlines() if ":root{" not in line)
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b", rules)
