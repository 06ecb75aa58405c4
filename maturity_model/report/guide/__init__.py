"""The guide's drawings: one SVG file an entry, in ``drawings/``, drawn for this project.

All are 240 x 160, in ``currentColor`` with washes of ``var(--d-…)``, which ``drawings.css`` sets
for light and dark. Parts of the class ``fine`` and the scale bar are left out
where a drawing is small.
"""

from __future__ import annotations

import functools
import re
from pathlib import Path

from markupsafe import Markup, escape

DRAWINGS = Path(__file__).parent / "drawings"
_OPENING = '<svg xmlns="http://www.w3.org/2000/svg"'


@functools.cache
def drawing(name: str, *, small: bool = False, mark: str = "") -> Markup:
    """A drawing, to be set into a page.

    Parameters
    ----------
    name : str
        Of an entry of the guide.
    small : bool
        For 64 pixels, beside its name in words: it has heavier lines and no words.
    mark : str
        An identifier, by which the page can show a small one again.

    Raises
    ------
    KeyError
        When the guide has no such entry.
    """
    # Most pages have no drawing.
    from maturity_model.catalogue.guide import load_guide

    file = DRAWINGS / f"{load_guide()[name].name}.svg"
    svg = file.read_text("utf-8")
    if not small:
        return Markup(svg.replace(_OPENING, '<svg class="drawing" role="img"', 1))
    svg = re.sub(r"<(title|desc)>.*?</\1>\n", "", svg, flags=re.DOTALL)
    named = f' id="{escape(mark)}"' if mark else ""
    opening = f'<svg class="drawing small"{named} aria-hidden="true"'
    return Markup(svg.replace(_OPENING, opening, 1))


def drawing_style() -> str:
    """Rules that a page with drawings needs."""
    return DRAWINGS.with_name("drawings.css").read_text("utf-8")
