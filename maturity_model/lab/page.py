"""Write the page of a study: Markdown, with its tables, figures and CSV files.

Tables and CSV files come from pandas data frames, figures from matplotlib. The same numbers
give the same files, and all files of a page are put in place together.
"""

from __future__ import annotations

import html
import io
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from maturity_model.whole_files import staged_files

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: How the cells of a column are written, by the column's name: a template such as
#: ``"{:.1f} %"`` for :meth:`str.format`, or a function.
Formats = Mapping[str, str | Callable[[Any], str]]


def plain(words: str) -> str:
    """Words in which Markdown finds no markup, on one line."""
    return re.sub(r"([\\|<>*_`\[\]])", r"\\\1", " ".join(words.split()))


def formatted(frame: pd.DataFrame, formats: Formats | None = None, missing: str = "") -> Any:
    """Write the cells of a frame as text, by column; without a format as by :class:`str`.

    ``missing`` stands for NaN and None.
    """
    formats = formats or {}
    if unknown := set(formats) - set(frame.columns):
        raise KeyError(f"no column {sorted(unknown)[0]!r}")
    written = {}
    for name in frame.columns:
        form = formats.get(name, str)
        write = form.format if isinstance(form, str) else form
        written[name] = [missing if pd.isna(x) else write(x) for x in frame[name]]
    return pd.DataFrame(written, columns=frame.columns, dtype=object)


def csv_text(frame: pd.DataFrame, formats: Formats | None = None) -> str:
    """A frame as CSV, without its index; missing values are empty."""
    return str(formatted(frame, formats).to_csv(index=False, lineterminator="\n"))


def markdown_table(frame: pd.DataFrame, formats: Formats | None = None, missing: str = "") -> str:
    """A frame as a Markdown table, without its index.

    Cells and headings may hold markup; columns of numbers are aligned to the right.
    """
    # A vertical bar would end the cell.
    cells = formatted(frame, formats, missing).map(
        lambda x: " ".join(x.split()).replace("|", "\\|")
    )
    rule = ["---:" if pd.api.types.is_numeric_dtype(t) else "---" for t in frame.dtypes]
    rows = [list(frame.columns), rule, *cells.itertuples(index=False)]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def bullets(lines: Iterable[str], otherwise: str = "none") -> str:
    """A list; ``otherwise`` is its only item when there is none."""
    return "\n".join(f"- {line}" for line in list(lines) or [otherwise])


def svg_text(figure: Figure, title: str, description: str) -> str:
    """A figure as SVG, with a title and a description for those who do not see it."""
    import matplotlib as mpl

    drawn = io.StringIO()
    # Without the salt and the date every run would give another file; text stays text.
    with mpl.rc_context({"svg.hashsalt": "maturity-model", "svg.fonttype": "none"}):
        figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": None})
    whole = drawn.getvalue()
    start = whole.index("<svg")
    head = f'<svg role="img" aria-label="{html.escape(title)}"' + whole[start + 4 :]
    said = f"<title>{html.escape(title)}</title><desc>{html.escape(description)}</desc>"
    return head.replace(">", f">\n{said}", 1)


class Page:
    """A page that is written part by part, and the files beside it.

    The ``command`` makes the page again, and stands at its end.
    """

    def __init__(self, title: str, command: str):
        self.command = command.replace("`", "")
        self.parts = [f"# {title}"]
        self.files: dict[str, str] = {}

    def fill(self, template: Path, **values: object) -> None:
        """Add a file of Markdown, its fields filled in by :meth:`str.format`."""
        filled = template.read_text(encoding="utf-8").format(**values)
        # An empty field leaves no gap.
        paragraphs = re.sub(r"\n{3,}", "\n\n", filled)
        self.parts.append("\n".join(line.strip() for line in paragraphs.strip().splitlines()))

    def image(self, name: str, figure: Figure, title: str, description: str) -> str:
        """Put a figure beside the page, as a file of this name; what shows it on the page."""
        self.files[name] = svg_text(figure, title, description)
        return f"![{title}]({name})"

    def csv(self, name: str, frame: pd.DataFrame, formats: Formats | None = None) -> None:
        """Put a CSV file of this name beside the page."""
        self.files[name] = csv_text(frame, formats)

    def markdown(self) -> str:
        """The whole page."""
        return "\n\n".join([*self.parts, f"Made by `{self.command}`."]) + "\n"

    def write(self, folder: Path) -> None:
        """Write ``README.md`` and the files beside it into a folder, which is made.

        Raises
        ------
        OSError
            When a file cannot be written; the old files are then untouched.
        """
        folder.mkdir(parents=True, exist_ok=True)
        with staged_files(folder) as staged:
            for name, content in {**self.files, "README.md": self.markdown()}.items():
                staged.write(name, content)
