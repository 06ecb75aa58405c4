"""Colours that everybody can tell apart."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import combinations, pairwise
from pathlib import Path
from types import ModuleType

import pytest

from maturity_model.report import pages

KEEPER = (Path(pages.__file__).parent / "templates" / "keeper.css").read_text("utf-8")


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


def properties(scheme: int) -> dict[str, str]:
    """Custom properties of the keeper's pages, in light (0) or dark (1)."""
    blocks = re.findall(r":root\{([^}]*)\}", KEEPER)
    light = dict(re.findall(r"--([\w-]+):(#[0-9a-f]+)", blocks[0]))
    dark = dict(re.findall(r"--([\w-]+):(#[0-9a-f]+)", blocks[1]))
    found = {**light, **dark} if scheme else light
    return {k: "#" + "".join(c * 2 for c in v[1:]) if len(v) == 4 else v for k, v in found.items()}


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_a_keepers_page_is_readable(scheme: int) -> None:
    colour = properties(scheme)
    for ground in ("page", "card"):
        # WCAG 2.2, 1.4.3 (AA): text; 1.4.11: what a picture needs.
        for text in ("ink", "mute", "link"):
            assert contrast(colour[text], colour[ground]) >= 4.5, (text, ground)
        for shape in ("edge", "p0", "p1", "p2", "p3"):
            assert contrast(colour[shape], colour[ground]) >= 3, (shape, ground)
    assert contrast(colour["onred"], colour["red"]) >= 4.5


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_phases_of_a_keepers_page_keep_their_order_in_grey(scheme: int) -> None:
    colour = properties(scheme)
    light = [luminance(colour[f"p{k}"]) for k in range(4)]
    # Dark is mature on paper, bright is mature on a dark screen.
    assert light == sorted(light, reverse=not scheme)
    # CIE lightness from relative luminance: a step that can be seen.
    steps = [116 * y ** (1 / 3) - 16 for y in light]
    assert min(abs(a - b) for a, b in pairwise(steps)) >= 7


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("cone", ["", "protanomaly", "deuteranomaly", "tritanomaly"])
def test_phases_differ_for_every_eye(
    need: Callable[[str], ModuleType], scheme: int, cone: str
) -> None:
    library = need("colorspacious")
    colour = properties(scheme)
    phases = [[int(colour[f"p{k}"][i : i + 2], 16) / 255 for i in (1, 3, 5)] for k in range(4)]
    # As those see it who lack a kind of cone altogether (Machado et al. 2009).
    seen = {"name": "sRGB1+CVD", "cvd_type": cone, "severity": 100} if cone else "sRGB1"
    for a, b in combinations(phases, 2):
        # In CAM02-UCS, where 10 is plain to see.
        assert library.deltaE(a, b, input_space=seen, uniform_space="CAM02-UCS") >= 15


def test_colours_of_a_keepers_page_are_named_once() -> None:
    rules = re.sub(r":root\{[^}]*\}", "", KEEPER)
    # Paper is white, whatever the scheme.
    assert set(re.findall(r"#[0-9a-fA-F]{3,8}\b", rules)) <= {"#fff"}
