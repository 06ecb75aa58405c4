"""Tasks of a study: what is kept comes back with the same numbers, and only the rest is run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from maturity_model.lab.tasks import digest, keep, run_tasks


def draws(seed: int, n: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.DataFrame({"x": rng.normal(size=n) * 1e-7, "n": np.arange(n), "name": "a, b"})


def test_the_same_numbers_come_back(tmp_path: Path) -> None:
    made = draws(1, 200)
    made.loc[3, "x"], made.loc[4, "x"] = np.nan, np.inf
    first = keep(tmp_path / "in" / "x.npz", lambda: made)
    again = keep(tmp_path / "in" / "x.npz", lambda: pytest.fail("made again"))
    assert first is made
    pd.testing.assert_frame_equal(again, made, check_exact=True)


@pytest.mark.parametrize("damage", [b"", b"PK\x03\x04", b"\xff\xfe\x00", "cut", "object"])
def test_a_damaged_file_is_made_again(tmp_path: Path, damage: bytes | str) -> None:
    path = tmp_path / "x.npz"
    if damage == "cut":
        keep(path, lambda: draws(1, 5))
        path.write_bytes(path.read_bytes()[:-100])
    elif damage == "object":
        # Nothing on file is ever evaluated.
        np.savez(path, **{".x": np.array([{"a": 1}], dtype=object)})
    else:
        path.write_bytes(damage)
    assert len(keep(path, lambda: draws(2, 6))) == 6
    assert len(keep(path, lambda: pytest.fail("made again"))) == 6


def test_a_run_goes_on_where_it_stopped(tmp_path: Path) -> None:
    ran: list[int] = []
    tasks = {f"task {i}": (i, 4) for i in range(4)}

    def work(seed: int, n: int) -> pd.DataFrame:
        if seed == 2 and ran == [0, 1]:
            ran.append(-1)
            raise KeyboardInterrupt
        ran.append(seed)
        return draws(seed, n)

    with pytest.raises(KeyboardInterrupt):
        run_tasks(work, tasks, folder=tmp_path)
    said: list[str] = []
    found = run_tasks(work, tasks, folder=tmp_path, say=said.append)
    assert ran == [0, 1, -1, 2, 3]
    assert list(found) == list(tasks)
    assert said[0] == "2 of 4 results are kept already"
    assert [line.partition(",")[0] for line in said[1:]] == ["task 2: 3 of 4", "task 3: 4 of 4"]
    # Of other arguments, or another key: nothing is kept.
    run_tasks(work, {"task 0": (0, 5)}, folder=tmp_path)
    run_tasks(work, {"task 0": (0, 4)}, folder=tmp_path, key=digest("other"))
    assert ran[5:] == [0, 0]


def test_processes_give_the_same_in_the_same_order() -> None:
    # A worker imports the module of its function, and this one is imported by its path.
    tasks = {str(i): (np.random.default_rng(i).normal(size=(3, 2)),) for i in range(3)}
    one, two = (run_tasks(pd.DataFrame, tasks, processes=n) for n in (1, 2))
    assert list(one) == list(two)
    for name, frame in one.items():
        pd.testing.assert_frame_equal(frame, two[name], check_exact=True)
