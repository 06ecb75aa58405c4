"""Text that a spreadsheet would take for a formula (OWASP, 'CSV Injection')."""

from __future__ import annotations

_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n")


def without_formula(text: str) -> str:
    """Put an apostrophe before text that begins like a formula."""
    return "'" + text if text.startswith(_SIGNS) else text


def as_typed(text: str) -> str:
    """Take away the apostrophe that :func:`without_formula` put there."""
    return text[1:] if text.startswith("'") and text[1:].startswith(_SIGNS) else text
