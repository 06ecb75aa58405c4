"""Questions about tanks and kits on a terminal; each answer is checked at once."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING

from maturity_model.cli.common import say

if TYPE_CHECKING:
    from maturity_model.catalogue import Analyte
    from maturity_model.logbook.begin import NewKit, NewTank
    from maturity_model.logbook.columns import Context

#: Column of the tanks table, and how a terminal asks for it.
TANK_QUESTIONS = (
    ("tank", "Name of the tank"),
    ("started", "Started on (as 2026-03-25)"),
    ("keeper", "Its keeper (Enter: leave blank)"),
    ("rock", "Rock: dry, mixed or live (Enter: unknown)"),
    ("volume_l", "Volume in litres (Enter: unknown)"),
    ("sand_depth_mm", "Depth of the sand in mm, 0 for a bare bottom (Enter: unknown)"),
    ("club", "Club (Enter: none)"),
    ("consent", "May its log be pooled with others, without names? yes or no (Enter: no)"),
)
REQUIRED = ("tank", "started")
#: What a method is called for one reading, where that is not its name. Blank: not offered.
_CALLED = {
    ("salinity", "photometer"): "refractometer or hydrometer",
    ("temperature", "photometer"): "",
    ("temperature", "probe"): "thermometer",
    ("alkalinity", "colour_chart"): "drops until the colour changes",
}


def can_ask() -> bool:
    """Whether there is a terminal to ask on."""
    return sys.stdin is not None and sys.stdin.isatty()


def add_tank_options(parser: argparse.ArgumentParser) -> None:
    """Describe one tank, for a command that does not ask."""
    parser.add_argument("--tank", default="", metavar="NAME")
    parser.add_argument(
        "--started", default="", metavar="DATE", help="when water went in, as 2026-03-25"
    )
    parser.add_argument("--keeper", default="", metavar="NAME")
    parser.add_argument("--rock", default="", metavar="KIND", help="dry, mixed or live")
    parser.add_argument("--volume", dest="volume_l", default="", metavar="LITRES")
    parser.add_argument("--sand-depth", dest="sand_depth_mm", default="", metavar="MM")
    parser.add_argument("--club", default="", metavar="NAME")
    parser.add_argument(
        "--consent", default="", metavar="YES", help="yes: the log may be pooled, without names"
    )


def lacking(args: argparse.Namespace, names: tuple[str, ...]) -> str:
    """Options that are needed where nobody can be asked."""
    return " and ".join(f"--{name}" for name in names if not getattr(args, name))


def tanks_from(args: argparse.Namespace, context: Context) -> list[NewTank]:
    """The tank of the options, or those that a terminal is asked for; read into ``context``."""
    from maturity_model.logbook.begin import NewTank, check_tank

    given = {name: getattr(args, name) for name, _ in TANK_QUESTIONS}
    if all(given[name] for name in REQUIRED):
        rows = [NewTank(**given)]
        check_tank(rows[0], context)
        return rows
    rows = [_ask_tank(given, context)]
    while answer("Another tank? y or Enter for no").lower() in ("y", "yes"):
        # The next tank usually has the same keeper and club.
        same = {"keeper": rows[-1].keeper, "club": rows[-1].club}
        rows.append(_ask_tank(dict.fromkeys(given, "") | same, context))
    return rows


def _ask_tank(given: dict[str, str], context: Context) -> NewTank:
    """Ask for each missing field until the answer is valid."""
    from maturity_model.logbook.begin import BeginError, NewTank, check_tank

    known = dict(given)
    for name, question in TANK_QUESTIONS:
        while not known[name]:
            text = answer(question)
            if not text and name not in REQUIRED:
                break
            # Nothing but the name and this answer is checked; a day of start is needed too.
            trial = {"tank": known["tank"], "started": context.today.isoformat()} | {name: text}
            try:
                check_tank(NewTank(**trial), context.apart())
            except BeginError as error:
                say(str(error))
                continue
            known[name] = text
    row = NewTank(**known)
    check_tank(row, context)
    return row


def ask_kits(context: Context, keeper: str = "", known: Collection[str] = ()) -> list[NewKit]:
    """Ask how each reading is taken but those that are known; each question may be skipped."""
    say(
        "How each reading is taken, so that a number is known to its kit's steps. "
        "Enter skips what is not measured; `maturity-model kit` asks again later."
    )
    analytes = (a for a in context.catalogue.analytes.values() if a.name not in known)
    found = (_ask_kit(analyte, context, keeper) for analyte in analytes)
    return [kit for kit in found if kit]


def _ask_kit(analyte: Analyte, context: Context, keeper: str) -> NewKit | None:
    from maturity_model.logbook.begin import NewKit
    from maturity_model.logbook.units import default_unit, said_unit, units_of

    methods = _methods(analyte)
    offered = ", ".join(f"{i} {called}" for i, called in enumerate(methods.values(), 1))
    numbers = {str(i): method for i, method in enumerate(methods, 1)}
    while (text := answer(f"{analyte.label}: {offered} (Enter: skip)")) not in numbers:
        if not text:
            return None
        say("type one of the numbers, or press Enter")
    usual = default_unit(analyte.name)
    kit = NewKit(analyte.name, numbers[text], usual.name, keeper=keeper)
    if said := said_unit(usual):
        others = (unit for name, unit in units_of(analyte.name).items() if name != usual.name)
        # Those of N or P alone stand there twice: mg/L NO3-N is mg/L N.
        also = ", ".join(said_unit(unit) for unit in others if unit.name[-2:] not in (" N", " P"))
        kit = _with("unit", f"  In which unit (Enter: {said}; or {also})", kit, context)
    chart = analyte.charts.get(kit.method)
    if chart and chart.steps:
        if kit.unit == usual.name:
            steps = ";".join(f"{step:g}" for step in chart.steps)
            kit = replace(kit, steps=steps.replace(".", "," if context.decimal == "comma" else "."))
        question = f"  Its colours (Enter: {kit.steps or 'unknown'}; else as 0;5;10)"
        kit = _with("steps", question, kit, context)
    return kit


def _methods(analyte: Analyte) -> dict[str, str]:
    """Ways to take a reading, and what a keeper calls them."""
    also = (method for name, method in _CALLED if name == analyte.name)
    called = {m: _CALLED.get((analyte.name, m), m.replace("_", " ")) for m in analyte.charts}
    called |= {m: _CALLED[analyte.name, m] for m in also}
    return {method: text for method, text in called.items() if text}


def _with(column: str, question: str, kit: NewKit, context: Context) -> NewKit:
    """The kit with an answer in one of its columns; Enter leaves it."""
    while text := answer(question):
        changed = replace(kit, **{column: text})
        if _is_good(changed, context):
            return changed
    return kit


def _is_good(kit: NewKit, context: Context) -> bool:
    from maturity_model.logbook.begin import BeginError, check_kit

    try:
        check_kit(kit, context.apart())
    except BeginError as error:
        say(str(error))
        return False
    return True


def answer(question: str) -> str:
    """Ask, and return one line without its blanks; EOFError where the terminal closes."""
    # To standard error, because a program may read standard output.
    print(f"{question}: ", end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise EOFError("no answer; nothing was changed")
    return line.strip()
