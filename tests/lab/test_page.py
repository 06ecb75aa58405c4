"""The one writer of study pages: tables, CSV files and figures as asked, and the same each time."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from maturity_model.lab.page import Page, markdown_table

FRAME = pd.DataFrame({"what": ["a|b", "c, d"], "share": [0.256, np.nan], "n": [3, 4]})


def test_a_table_by_hand() -> None:
    assert markdown_table(FRAME, {"share": "{:.0%}", "n": lambda n: f"{n} tanks"}, "–") == (
        "| what | share | n |\n"
        "| --- | ---: | ---: |\n"
        "| a\\|b | 26% | 3 tanks |\n"
        "| c, d | – | 4 tanks |"
    )
    with pytest.raises(KeyError, match="no column 'tanks'"):
        markdown_table(FRAME, {"tanks": "{}"})


def _page(folder: Path) -> Page:
    figure = Figure((3, 2), layout="constrained")
    figure.subplots().plot([1, 2], [3, 5], label="line")
    page = Page("Title", "command `--out x`")
    template = folder / "page.md"
    template.write_text("  Two lines\nof a {what}.\n\n{nothing}\n\n{figure}\n\n{table}\n", "utf-8")
    page.fill(
        template,
        what="paragraph",
        nothing="",
        figure=page.image("line.svg", figure, "ω & <more>", "from 3 to 5"),
        table=markdown_table(FRAME),
    )
    page.csv("line.csv", FRAME)
    return page


def test_a_page_and_the_files_beside_it(tmp_path: Path) -> None:
    _page(tmp_path).write(tmp_path / "new")
    text = (tmp_path / "new" / "README.md").read_text(encoding="utf-8")
    assert text.startswith(
        "# Title\n\nTwo lines\nof a paragraph.\n\n![ω & <more>](line.svg)\n\n| what |"
    )
    assert text.endswith("\n\nMade by `command --out x`.\n")
    assert {p.name for p in (tmp_path / "new").iterdir()} == {"README.md", "line.csv", "line.svg"}
    root = ET.fromstring((tmp_path / "new" / "line.svg").read_text(encoding="utf-8"))
    assert root.get("role") == "img"
    assert root.get("aria-label") == "ω & <more>"
    assert root.findtext("{http://www.w3.org/2000/svg}desc") == "from 3 to 5"


def test_the_same_numbers_give_the_same_files(tmp_path: Path) -> None:
    one, other = _page(tmp_path), _page(tmp_path)
    assert one.files == other.files
    assert one.markdown() == other.markdown()
    assert "dc:date" not in one.files["line.svg"]
