"""Tanks in threads: the same answers in the same order, and the same error."""

from __future__ import annotations

import threading
import time

import pytest

from maturity_model.assessment import answers


@pytest.fixture(params=[1, 2, 5])
def threads(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr(answers, "_cores", lambda: request.param)
    return int(request.param)


def test_results_keep_the_order_of_the_tanks(threads: int) -> None:
    at_once = threading.Barrier(threads)
    by: set[int] = set()

    def work(i: int) -> int:
        if i < threads:
            at_once.wait(10)  # Fails unless so many work at the same time.
        by.add(threading.get_ident())
        time.sleep(0.002 * (i % 3))
        return 10 * i

    assert answers._in_threads(work, 20) == [10 * i for i in range(20)]  # type: ignore[comparison-overlap,arg-type]
    assert len(by) == threads


def test_the_first_tank_that_fails_is_told(threads: int) -> None:
    # Tank 7 fails at once, tank 5 only after a while: told is what a single thread would meet.
    def work(i: int) -> int:
        if i == 5:
            time.sleep(0.05)
        if i in (5, 7):
            raise ValueError(f"tank {i}")
        return i

    for _ in range(5):
        with pytest.raises(ValueError, match="tank 5"):
            answers._in_threads(work, 12)  # type: ignore[arg-type]


def test_after_a_failure_no_tank_is_begun(threads: int) -> None:
    begun = []

    def work(i: int) -> int:
        begun.append(i)
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        answers._in_threads(work, 50)  # type: ignore[arg-type]
    assert len(begun) <= threads


def test_no_more_threads_than_cores_that_may_be_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 8)
    monkeypatch.setattr("os.sched_getaffinity", lambda pid: {3, 5}, raising=False)
    assert answers._cores() == 2
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert answers._cores() == 1
    monkeypatch.delattr("os.sched_getaffinity")
    monkeypatch.setattr("os.cpu_count", lambda: None)
    assert answers._cores() == 1
