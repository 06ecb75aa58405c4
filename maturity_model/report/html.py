"""Small helpers for HTML: escaping, elements, the page around the sections."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence

from maturity_model.report.style import CSS

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


def section(name: str, title: str, *parts: str) -> str:
    """A section with its heading; ``title`` and ``parts`` are HTML already."""
    return (
        f'<section id="{name}" aria-labelledby="{name}-h"><h2 id="{name}-h">{title}</h2>'
        f"{''.join(parts)}</section>\n"
    )


def unordered(items: Iterable[str], kind: str = "") -> str:
    """A list of HTML items, or nothing for no items."""
    body = "".join(f"<li>{item}</li>" for item in items)
    opening = f'<ul class="{kind}">' if kind else "<ul>"
    return f"{opening}{body}</ul>" if body else ""


def table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table with a caption; the first cell of a row is its header. All HTML already."""
    top = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th><td>{"</td><td>".join(row[1:])}</td></tr>'
        for row in rows
    )
    return (
        f"<table><caption>{caption}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


def as_table(name: str, caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """The table behind a figure, folded away; ``name`` tells it from other tables."""
    return (
        f'<details><summary>As a table<span class="away">: {name}</span></summary>'
        f'<div class="scroll" role="region" tabindex="0" aria-label="{name}">'
        f"{table(caption, head, rows)}</div></details>"
    )


def definitions(pairs: Iterable[tuple[str, str]]) -> str:
    """A list of terms and what they are; HTML already."""
    return f"<dl>{''.join(f'<div><dt>{t}</dt><dd>{d}</dd></div>' for t, d in pairs)}</dl>"


def pin(text: str) -> str:
    """Hash by which a page's content security policy allows one style sheet or script."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def page(title: str, header: str, main: str, footer: str, css: str = "") -> str:
    """A whole page of a report, without a script.

    Parameters
    ----------
    title : str
        Plain text.
    header, main, footer : str
        HTML.
    css : str
        Rules of this page only.
    """
    # A percent sign stays on the line of its number.
    header, main, footer = (part.replace(" %", "\u00a0%") for part in (header, main, footer))
    return document(title, header, main, footer, CSS + css, skip="the report")


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
