"""Tanks in threads: the same answers in the same order, and the same error."""

from __future__ import annotations

import threading
import time
from functools import partial

import pytest
from assessment.assessed import practice, same
from small_logs import random_log

from maturity_model.assessment import assess, thread_pool
from maturity_model.assessment.thread_pool import map_in_threads
from maturity_model.panel import build_panel


@pytest.fixture(params=[1, 2, 5])
def threads(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr(thread_pool, "cores", lambda: request.param)
    return int(request.param)


def test_results_keep_the_order_of_the_tanks(threads: int) -> None:
    at_once = threading.Barrier(threads)
    by: set[int] = set()

    def work(i: int) -> int:
        if i < threads:
            at_once.wait(10)  # fails unless this many work at the same time
        by.add(threading.get_ident())
        time.sleep(0.002 * (i % 3))
        return 10 * i

    assert map_in_threads(work, 20) == [10 * i for i in range(20)]
    assert len(by) == threads


@pytest.mark.usefixtures("threads")
def test_the_first_tank_that_fails_is_reported() -> None:
    # Tank 7 fails at once and tank 5 only after a while; a single thread would meet tank 5.
    def work(i: int) -> int:
        if i == 5:
            time.sleep(0.05)
        if i in (5, 7):
            raise ValueError(f"tank {i}")
        return i

    for _ in range(5):
        with pytest.raises(ValueError, match="tank 5"):
            map_in_threads(work, 12)


def test_no_more_threads_than_cores_that_may_be_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 8)
    monkeypatch.setattr("os.sched_getaffinity", lambda pid: {3, 5}, raising=False)
    assert thread_pool.cores() == 2
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert thread_pool.cores() == 1
    monkeypatch.delattr("os.sched_getaffinity")
    monkeypatch.setattr("os.cpu_count", lambda: None)
    assert thread_pool.cores() == 1


def test_every_answer_is_the_same_to_the_last_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    book, as_of = random_log(5)
    panel = build_panel(book, as_of=as_of)
    answers = {}
    for number in (1, 2, 7):
        monkeypatch.setattr(thread_pool, "cores", partial(int, number))
        answers[number] = assess(panel, practice()).tanks
    assert same(answers[2], answers[1])
    assert same(answers[7], answers[1])
