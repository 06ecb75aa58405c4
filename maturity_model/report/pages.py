"""Pages from templates: every text is escaped, and one that a view lacks is an error.

Templates and the style sheet lie in ``templates/``; what they show is a view (``views/``), which
holds words and figures and no HTML. A page fetches nothing, and only the form runs a script.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from maturity_model.report.guide import drawing, drawing_style
from maturity_model.report.plain_text import clean
from maturity_model.report.svg import draw
from maturity_model.report.views.form import form_view
from maturity_model.report.views.index import index_view
from maturity_model.report.views.paper import paper_view
from maturity_model.report.views.photos import ThenAndNow, then_and_now
from maturity_model.report.views.tank import tank_view
from maturity_model.report.views.withdrawn import WithdrawnView

if TYPE_CHECKING:
    from jinja2 import Environment

    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.logbook.photos import KeptPhoto
    from maturity_model.logbook.types import Logbook
    from maturity_model.report.views.calendar import Tick


@dataclass(frozen=True)
class Home:
    """The first page at home."""

    entered: bool
    wrong: bool
    title: str = "Tanks at home"


_FOLDER = Path(__file__).with_name("templates")


def _shown(value: object) -> object:
    # Markup comes from the writer of pictures and from macros alone.
    return clean(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@functools.cache
def environment(folder: Path = _FOLDER) -> Environment:
    """Templates of a folder, and those that all pages share."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader([folder, _FOLDER]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


@functools.cache
def _file(name: str) -> str:
    return (_FOLDER / name).read_text("utf-8")


def _pin(text: str) -> str:
    # Hash by which a page's content security policy allows one style sheet or script.
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def tank_page(
    tank: TankAssessment,
    assessment: Assessment,
    command: str,
    photos: Iterable[KeptPhoto] = (),
) -> str:
    """The page of one tank; ``photos`` by view, then by day."""
    view = tank_view(tank, assessment, command)
    shots = then_and_now(photos, assessment.provenance.as_of)
    return render("tank.html", view, view.ticks, style=drawing_style(), photos=shots)


def index_page(assessment: Assessment, names: Mapping[str, str], command: str) -> str:
    """The page of all tanks; ``names`` are files, without extension, by tank name."""
    view = index_view(assessment, names, command)
    return render("index.html", view, view.ticks)


def withdrawn_page(why: str, command: str) -> str:
    """The page that stands in the place of a report that could not be made again."""
    return render("withdrawn.html", WithdrawnView(why, command))


def form_page(
    assessment: Assessment,
    logbook: Logbook,
    keeper: str | None,
    decimal: str = ".",
    *,
    served: bool = False,
) -> str:
    """The form for the weekly check-in; parameters as of :func:`.views.form.form_view`.

    ``served``: it hands what is saved to the server that it came from.
    """
    view = form_view(assessment, logbook, keeper, decimal)
    script = (_file("serve.js") if served else "") + _file("form.js")
    return render(
        "form.html", view, style=drawing_style() + _file("form.css"), script=script, served=served
    )


def home_page(*, entered: bool, wrong: bool = False) -> str:
    """The first page of what is served at home: where to go, or the question for the code."""
    return render("home.html", Home(entered, wrong), style=_file("form.css"), served=True)


def paper_page(assessment: Assessment, logbook: Logbook, keeper: str | None) -> str:
    """The sheet for the fridge door; parameters as of :func:`.views.form.form_view`."""
    style = drawing_style() + _file("paper.css")
    return render("paper.html", paper_view(assessment, logbook, keeper), style=style)


def render(
    template: str,
    view: object,
    ticks: Iterable[Tick] = (),
    *,
    folder: Path = _FOLDER,
    style: str = "",
    script: str = "",
    served: bool = False,
    photos: Sequence[ThenAndNow] = (),
) -> str:
    """A whole page.

    Parameters
    ----------
    template : str
        File in the folder.
    view : object
        What it shows.
    ticks : iterable of Tick
        Of the page's time axis. Their places go into the style sheet, which the page's own
        policy admits by its hash, as it admits no style in an attribute.
    folder : Path
        With templates of this page only, where it has any.
    style : str
        Rules of this page only.
    script : str
        Of the form; the policy admits it by its hash, and no other.
    served : bool
        The page may send to the server that it came from.
    photos : sequence of ThenAndNow
        Pictures that the page carries with it.
    """
    places = "".join(f".t{i}{{left:{tick.place:.2f}%}}\n" for i, tick in enumerate(ticks))
    style = _file("keeper.css") + style + places
    page = environment(folder).get_template(template)
    return page.render(
        view=view,
        style=Markup(style),
        pin=_pin(style),
        script=Markup(script),
        script_pin=_pin(script),
        served=served,
        photos=photos,
        draw=draw,
        drawing=drawing,
    )
