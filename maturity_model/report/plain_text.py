"""Text that a log may hold, made fit to show. Escaping is not done here: templates do that."""

from __future__ import annotations

# Control characters could garble a page, and direction marks could reorder a line of it;
# both are shown as a replacement character instead.
_HIDDEN = (*range(0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A))
_SHOWN: dict[int, str] = dict.fromkeys(_HIDDEN, "\ufffd") | {0x09: " ", 0x0A: " ", 0x0D: " "}
#: No text on a page is longer.
MAX_TEXT = 1200


def clean(text: str) -> str:
    """Replace what would not show as it is, and keep a percent sign on the line of its number."""
    return cut(text, MAX_TEXT).translate(_SHOWN).replace(" %", "\u00a0%")


def cut(text: str, limit: int) -> str:
    """A text of at most ``limit`` characters; a longer one ends in an ellipsis."""
    return text if len(text) <= limit else text[: limit - 1] + "…"
