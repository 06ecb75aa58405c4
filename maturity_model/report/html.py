"""Small helpers for the form's HTML: escaping, lists, the page around them."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable

# Control characters could garble a page, and direction marks could reorder a line of it;
# both are shown as a replacement character instead.
_HIDDEN = (*range(0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A))
_ESCAPES: dict[int, str] = dict.fromkeys(_HIDDEN, "\ufffd")
_ESCAPES |= {0x09: " ", 0x0A: " ", 0x0D: " "}
_ESCAPES |= {0x26: "&amp;", 0x3C: "&lt;", 0x3E: "&gt;", 0x22: "&quot;", 0x27: "&#39;"}
#: Free text from a log is cut here.
MAX_TEXT = 400


def esc(text: object, limit: int = MAX_TEXT) -> str:
    """Escape text for HTML content and quoted attributes.

    Parameters
    ----------
    text : object
        Anything with a ``str``.
    limit : int
        Longer text is cut, and ends in an ellipsis.
    """
    plain = str(text)
    if len(plain) > limit:
        plain = plain[: limit - 1] + "…"
    return plain.translate(_ESCAPES)


def unordered(items: Iterable[str], kind: str = "") -> str:
    """A list of HTML items, or nothing for no items."""
    body = "".join(f"<li>{item}</li>" for item in items)
    opening = f'<ul class="{kind}">' if kind else "<ul>"
    return f"{opening}{body}</ul>" if body else ""


def pin(text: str) -> str:
    """Hash by which a page's content security policy allows one style sheet or script."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def document(
    title: str, header: str, main: str, footer: str, style: str, script: str = "", *, skip: str
) -> str:
    """A page that fetches nothing, its style sheet and its script pinned by their hashes.

    ``skip`` says where the link for those who use no mouse leads.
    """
    scripts = f"script-src '{pin(script)}'; " if script else ""
    code = f"<script>{script}</script>\n" if script else ""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        f"style-src '{pin(style)}'; {scripts}base-uri 'none'; form-action 'none'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{esc(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n"
        f'<a class="skip" href="#main">Skip to {skip}</a>\n'
        f"<header>{header}</header>\n"
        f'<main id="main">\n{main}</main>\n<footer>{footer}</footer>\n{code}</body>\n</html>\n'
    )
