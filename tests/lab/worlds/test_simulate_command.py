"""``maturity-model simulate`` writes a logbook, and nothing over what is not its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from maturity_model.cli.main import main


def call(out: Path, *more: str, world: str = "mechanistic") -> int:
    return main(
        ["simulate", "--world", world, "--tanks", "6", "--weeks", "12", "--out", str(out), *more]
    )


def test_options_reach_the_world(tmp_path: Path, capsys) -> None:
    from maturity_model.lab.worlds import simulate

    out = tmp_path / "new" / "club"
    asked = "--seed 4 --range rough --break kit_bias --break missing_sign=diatoms --judged 1"
    assert call(out, *asked.split(), "--judge-accuracy", "0.9") == 0
    assert "6 tanks to the end of week 12" in capsys.readouterr().out
    expected = simulate(
        "mechanistic", 6, 12, 4, preset="rough", broken=["kit_bias", "missing_sign=diatoms"],
        judged=1.0, judge_accuracy=0.9,
    )  # fmt: skip
    for name, text in expected.files.items():
        assert (out / name).read_text("utf-8") == text


def test_an_earlier_simulation_is_replaced_only_when_asked(tmp_path: Path, capsys) -> None:
    out = tmp_path / "club"
    assert call(out, "--seed", "1") == 0
    first = (out / "checkins.csv").read_text("utf-8")
    assert call(out, "--seed", "2") == 2
    assert "--force" in capsys.readouterr().err
    assert (out / "checkins.csv").read_text("utf-8") == first
    assert call(out, "--seed", "2", "--force") == 0
    assert (out / "checkins.csv").read_text("utf-8") != first


@pytest.mark.parametrize("force", [(), ("--force",)])
@pytest.mark.parametrize("name", ["notes.txt", "tanks.csv"])
def test_what_is_not_its_own_is_never_touched(
    name: str, force: tuple[str, ...], tmp_path: Path, capsys
) -> None:
    (tmp_path / name).write_text("mine")
    assert call(tmp_path, *force) == 2
    assert "choose another folder" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"


@pytest.mark.parametrize(
    "more", [("--range", "none"), ("--break", "none"), ("--break", "missing_sign=none")]
)
def test_unknown_names(more: tuple[str, ...], tmp_path: Path, capsys) -> None:
    assert call(tmp_path / "club", *more) == 2
    assert "one of" in capsys.readouterr().err
    assert not (tmp_path / "club").exists()
