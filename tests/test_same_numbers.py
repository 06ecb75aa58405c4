"""The script that compares two versions sees a number that moved, and only that."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from same_numbers import compare


def written(folder: Path, probability: float, density: float, word: str = "mature") -> Path:
    import h5py
    import pyarrow as pa
    import pyarrow.parquet as pq

    folder.mkdir()
    (folder / "phase.csv").write_text(f"phase,p\n{word},{probability!r}\n")
    (folder / "tank.json").write_text(json.dumps({"version": word, "p": [probability, 1]}))
    (folder / "density.json").write_text(json.dumps({"log_density": density}))
    pq.write_table(pa.table({"p": [probability, float("nan")]}), folder / "part.parquet")
    with h5py.File(folder / "draws.nc", "w") as handle:
        handle["draws"] = np.array([probability])
    return folder


def test_what_moved_is_a_line_each_and_the_last_digits_are_not(tmp_path: Path) -> None:
    a = written(tmp_path / "a", 0.25, 1e3)
    assert not compare(a, written(tmp_path / "same", 0.25 + 1e-15, 1e3 + 1e-8))
    moved = compare(a, written(tmp_path / "moved", 0.25 + 1e-11, 1e3 + 1e-6))
    assert [line.split(":")[0] for line in moved] == [
        "density.json", "draws.nc", "part.parquet", "phase.csv[1][1]", "tank.json",
    ]  # fmt: skip
    (word,) = compare(a, written(tmp_path / "word", 0.25, 1e3, "bloom"))
    assert word == "phase.csv[1][0]: 'mature' and 'bloom'"
    (tmp_path / "a" / "more.csv").write_text("")
    assert compare(a, tmp_path / "same") == [f"more.csv: only in {a}"]
