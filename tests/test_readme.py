"""The README's commands work as written, one after the other, in a fresh folder."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_logs import DEMO, ROOT

from maturity_model.cli.main import LABORATORY, _parser
from maturity_model.logbook import read_logbook

TEXT = (ROOT / "README.md").read_text("utf-8")
#: A fenced block of a shell, or a command in a sentence, which may go over two lines.
_COMMANDS = re.compile(
    r"^```(?:sh|bat)\n(.*?)^```|`(maturity-model\s[^`]+)`", re.DOTALL | re.MULTILINE
)
#: In capitals stands what a reader puts there.
_PLACEHOLDER = re.compile(r"\b[A-Z]{3,}\b|\bDIR\b")
#: What `new` is answered: a tank with a start, and then Enter.
ANSWERS = ["L1", "2026-03-01", "ann", *[""] * 14]


def commands() -> Iterator[str]:
    """Every command of this program in the README, as one line."""
    for match in _COMMANDS.finditer(TEXT):
        lines = match[1].splitlines() if match[1] else [" ".join(match[2].split())]
        # A command alone, such as `maturity-model validate`, is only spoken of.
        yield from (x for x in lines if re.match(r"maturity-model \S+ \S", x))


CONCRETE = [c for c in commands() if not _PLACEHOLDER.search(c)]
OTHERS = [c for c in commands() if _PLACEHOLDER.search(c)]


def test_each_command_runs_as_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # As after the README's install, in an environment that is open.
    (tmp_path / "bin").mkdir()
    script = tmp_path / "bin" / "maturity-model"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m maturity_model "$@"\n')
    script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{script.parent}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    work = tmp_path / "work"
    shutil.copytree(DEMO, work / "data" / "demo")
    (work / "checkins-ann-2026-03-25.csv").write_text(
        "tank,date,observer,diatoms\nL1,2026-03-25,ann,y\n"
    )
    for command in CONCRETE:
        assert "Traceback" not in _typed(command, work)
    asked = {"new", "tank", "kit", "form", "add", "weekly", "correct", "serve", "template",
             "tables", "guide"}  # fmt: skip
    assert asked <= {command.split()[1] for command in CONCRETE}
    book = read_logbook(work / "mylog")
    assert [t.name for t in book.tanks.values()] == ["L1", "L2"]
    assert [k.analyte for k in book.kits] == ["ammonia"]
    assert book.checkins[0].signs == {"diatoms": False}
    for file in ("ann.html", "paper.html", "looks.ics", "guide.html", "report/L1.html", "log.xlsx"):
        assert (work / file).stat().st_size > 100, file
    assert (work / "newlog" / "tanks.csv").exists()


def _typed(command: str, folder: Path) -> str:
    """Type a command in a shell on a terminal, and answer it; what the terminal shows."""
    answers = {
        "new": ANSWERS,
        "tank": ["L2", "2026-03-01", *[""] * 7],
        "kit": ["1", *[""] * 12],
    }.get(command.split()[1], [])
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        ["sh", "-c", f"exec {command}"], stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder
    )
    os.close(theirs)
    os.write(ours, "".join(f"{a}\n" for a in answers).encode())
    said, ended = b"", False
    with contextlib.suppress(OSError):  # the terminal goes away with the process
        while part := os.read(ours, 4096):
            said += part
            if not ended and b"Ctrl-C ends it" in said:
                process.send_signal(signal.SIGINT)
                ended = True
    os.close(ours)
    assert process.wait(timeout=60) == 0, said.decode()
    return said.decode()


@pytest.mark.parametrize("command", OTHERS)
def test_each_command_with_placeholders_has_these_options(command: str) -> None:
    words = shlex.split(command.replace("...", ""))[1:]
    if words[0] not in LABORATORY:
        _parser(words).parse_args(words)


def test_commands_are_the_same_in_every_shell() -> None:
    """Neither cmd.exe nor PowerShell takes these for what a POSIX shell does."""
    assert len(CONCRETE) > 10
    assert not [c for c in CONCRETE if set(c) & set("'\"\\$%^&|;#*~`")]


def test_what_is_installed_is_named_as_it_is() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    named = re.findall(r"extra `(\w+)`|\.\[(\w+)\]", TEXT)
    assert named
    assert {a or b for a, b in named} <= set(project["optional-dependencies"])
    assert set(project["scripts"]) == {"maturity-model"}
