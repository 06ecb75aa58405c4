"""The same words as Markdown and as a page, with figures and CSV files beside them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from maturity_model.lab.validation import csv_tables
from maturity_model.lab.validation.cases import Case, Settings
from maturity_model.lab.validation.doubts import sections
from maturity_model.lab.validation.figures import ages, calibration, overview
from maturity_model.lab.validation.holds import evaluate
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.study import TOOL
from maturity_model.lab.validation.words import Block, Section, groups_of
from maturity_model.report.html import esc, page, section, unordered
from maturity_model.report.html import table as html_table
from maturity_model.whole_files import write_file

TITLE = "Is it right?"
#: Rules of the figures on the page: they bring none of their own there.
_CSS = (
    ".chart{overflow-x:auto}.chart text{font:12px sans-serif;fill:#222}"
    ".chart .m{text-anchor:middle}.chart .e{text-anchor:end}.chart .h{font-weight:bold}"
    ".chart .f{fill:none;stroke:#999}.chart .d{stroke:#999;stroke-dasharray:4 3}"
    ".chart .g{stroke:#ddd}.missed{color:var(--alarm);font-weight:650}"
)
_LOUD = "MISSED"


def _cell(words: str) -> str:
    # A table cell, or a line, of Markdown; nothing in it may end the cell or begin markup.
    flat = " ".join(words.split())
    return re.sub(r"([\\|<>*_`\[\]])", r"\\\1", flat)


def _loud(words: str) -> str:
    said = _cell(words)
    return f"**{said}**" if words.startswith(_LOUD) else said


def _markdown(block: Block) -> str:
    if block.kind == "text":
        return _loud(block.rows[0][0])
    if block.kind == "list":
        return "\n".join(f"- {_loud(item)}" for (item,) in block.rows)
    if block.kind == "figure":
        return f"![{_cell(block.title)}]({block.rows[0][0]})"
    lines = [block.head, ("---",) * len(block.head), *block.rows]
    return "\n".join(f"| {' | '.join(_loud(c) if c != '---' else c for c in r)} |" for r in lines)


def markdown(found: Sequence[Section], command: str) -> str:
    """The whole README."""
    parts = [f"# {TITLE}", "The program against worlds where the truth is known."]
    for s in found:
        parts.append(f"## {s.title}")
        for block in s.blocks:
            if block.kind == "table":
                parts.append(f"*{_cell(block.title)}*")
            parts.append(_markdown(block))
    parts.append(f"Made by `{command.replace('`', '')}`. All numbers are in the CSV files.")
    return "\n\n".join(parts) + "\n"


def _html_words(words: str) -> str:
    said = esc(words, 4000)
    return f'<span class="missed">{said}</span>' if words.startswith(_LOUD) else said


def _html(block: Block, figures: Mapping[str, str]) -> str:
    if block.kind == "text":
        return f"<p>{_html_words(block.rows[0][0])}</p>"
    if block.kind == "list":
        return unordered(_html_words(item) for (item,) in block.rows)
    if block.kind == "figure":
        # The page allows its own styles only, so a figure comes without its own.
        svg = re.sub(r"<style>.*?</style>", "", figures[block.rows[0][0]], flags=re.DOTALL)
        return f'<figure class="chart">{svg}</figure>'
    rows = [[_html_words(c) for c in row] for row in block.rows]
    whole = html_table(esc(block.title), [esc(h) for h in block.head], rows)
    name = esc(block.title)
    return f'<div class="scroll" role="region" tabindex="0" aria-label="{name}">{whole}</div>'


def html(found: Sequence[Section], figures: Mapping[str, str], command: str) -> str:
    """The whole page."""
    main = "".join(
        section(f"s{i}", esc(s.title), *(_html(b, figures) for b in s.blocks))
        for i, s in enumerate(found)
    )
    header = (
        f"<p>Validation</p><h1>{TITLE}</h1><p>The program against worlds where the truth is "
        "known.</p>"
    )
    footer = f"<p>Made by <code>{esc(command, 1000)}</code>. Numbers are in the CSV files.</p>"
    return page(TITLE, header, main, footer, _CSS)


def write(
    cases: Sequence[Case],
    settings: Settings,
    results: Mapping[str, CaseResult],
    phases: Sequence[str],
    out: Path,
    command: str,
) -> list[str]:
    """Write everything.

    Parameters
    ----------
    cases : sequence of Case
    settings : Settings
    results : mapping of str to CaseResult
    phases : sequence of str
    out : Path
        Made if it is not there.
    command : str

    Returns
    -------
    list of str
        What is missed, in words.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    out.mkdir(parents=True, exist_ok=True)
    found = evaluate(cases, results)
    figures = {"scores.svg": overview(groups_of(cases, results))}
    for case in cases:
        result = results[case.name]
        figures[f"calibration-{case.name}.svg"] = calibration(case.title, result, phases, TOOL)
        figures[f"age-{case.name}.svg"] = ages(case.title, result)
    written = sections(cases, settings, results, phases, found)
    files = {
        "scores.csv": csv_tables.scores(cases, results),
        "by_phase.csv": csv_tables.by_phase(cases, results, phases),
        "by_age.csv": csv_tables.by_age(cases, results),
        "reliability.csv": csv_tables.reliability(cases, results, phases),
        "time_to_mature.csv": csv_tables.maturing(cases, results),
        "slips.csv": csv_tables.slips(cases, results),
        "risk.csv": csv_tables.risk(cases, results),
        "causes.csv": csv_tables.diagnosis(cases, results),
        "must_hold.csv": csv_tables.holds(found),
        **figures,
        "index.html": html(written, figures, command),
        "README.md": markdown(written, command),
    }
    for name, content in files.items():
        write_file(out / name, content)
    return [
        f"{h.case}: {h.what}: {h.value:.3f}, wanted {h.wanted}" for h in found if h.met is False
    ]
