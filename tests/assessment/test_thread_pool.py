"""Tanks and their parts in threads: the same answers in the same order, and the same error."""

from __future__ import annotations

import gc
import threading
import time
import weakref
from dataclasses import fields
from functools import cache

import numpy as np
import pytest
from small_logs import random_log

from maturity_model.assessment import answers, assess, thread_pool
from maturity_model.assessment.thread_pool import Crew
from maturity_model.panel import build_panel
from maturity_model.population import load_population

THREADS = [1, 2, 5]


@pytest.mark.parametrize("threads", THREADS)
def test_results_keep_the_order_of_the_tanks(threads: int) -> None:
    at_once = threading.Barrier(threads)
    by: set[int] = set()

    def work(i: int) -> int:
        if i < threads:
            at_once.wait(10)  # Fails unless so many work at the same time.
        by.add(threading.get_ident())
        time.sleep(0.002 * (i % 3))
        return 10 * i

    assert Crew(threads).all(work, 20) == [10 * i for i in range(20)]
    assert len(by) == threads


@pytest.mark.parametrize("threads", THREADS)
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
            Crew(threads).all(work, 12)


@pytest.mark.parametrize("threads", THREADS)
def test_after_a_failure_no_tank_is_begun(threads: int) -> None:
    begun = []

    def work(i: int) -> int:
        begun.append(i)
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        Crew(threads).all(work, 50)
    assert len(begun) <= threads


@pytest.mark.parametrize("threads", THREADS)
def test_parts_are_done_once_by_whoever_is_free(threads: int) -> None:
    mates = Crew(threads)
    done: list[int] = []
    by: set[int] = set()
    owners: set[int] = set()

    def part(i: int) -> int:
        done.append(i)
        by.add(threading.get_ident())
        time.sleep(0.01)
        return i * i

    def work(i: int) -> int:
        owners.add(threading.get_ident())
        given = mates.aside(lambda: part(i))
        time.sleep(0.03)
        return given() + given() if threads > 1 else 2 * given()

    # One tank alone: another thread takes its part.
    assert mates.all(work, 1) == [0]
    assert (by == owners) == (threads == 1)
    done.clear()
    assert mates.all(work, 9) == [2 * i * i for i in range(9)]
    assert sorted(done) == list(range(9))


@pytest.mark.parametrize("threads", THREADS)
def test_what_a_part_raises_is_raised_where_it_is_asked_for(threads: int) -> None:
    mates = Crew(threads)

    def fail() -> int:
        raise ValueError("part")

    def work(i: int) -> int:
        given = mates.aside(fail)
        if i == 1:
            return given()
        return i

    with pytest.raises(ValueError, match="part"):
        mates.all(work, 3)


def test_a_part_that_is_done_keeps_nothing_alive() -> None:
    class Big:
        pass

    mates, kept = Crew(2), []

    def work(i: int) -> int:
        big = Big()
        kept.append(weakref.ref(big))
        return mates.aside(lambda: int(isinstance(big, Big)))()

    assert mates.all(work, 20) == [1] * 20
    gc.collect()
    assert not any(ref() for ref in kept)


def test_where_no_thread_can_be_had_the_callers_own_does_it_all(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    begun: list[threading.Thread] = []
    real = threading.Thread.start

    def start(thread: threading.Thread) -> None:
        if begun:
            raise RuntimeError("can't start new thread")
        begun.append(thread)
        real(thread)

    monkeypatch.setattr(threading.Thread, "start", start)
    assert Crew(4).all(lambda i: i * i, 9) == [i * i for i in range(9)]
    begun[0].join(timeout=10)
    assert not begun[0].is_alive()


def test_no_more_threads_than_cores_that_may_be_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 8)
    monkeypatch.setattr("os.sched_getaffinity", lambda pid: {3, 5}, raising=False)
    assert thread_pool.cores() == 2
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert thread_pool.cores() == 1
    monkeypatch.delattr("os.sched_getaffinity")
    monkeypatch.setattr("os.cpu_count", lambda: None)
    assert thread_pool.cores() == 1


def same(a: object, b: object, where: str) -> int:
    """Compare to the last bit; how many numbers were compared."""
    if isinstance(a, np.ndarray):
        assert isinstance(b, np.ndarray), where
        np.testing.assert_array_equal(a, b, err_msg=where)
        return a.size
    if hasattr(a, "__dataclass_fields__"):
        names = [f.name for f in fields(a)]  # type: ignore[arg-type]
        return sum(same(getattr(a, n), getattr(b, n), f"{where}.{n}") for n in names)
    if isinstance(a, (tuple, list)):
        assert len(a) == len(b), where  # type: ignore[arg-type]
        return sum(same(x, y, f"{where}[{i}]") for i, (x, y) in enumerate(zip(a, b, strict=True)))  # type: ignore[call-overload]
    assert a == b or a != a, where
    return isinstance(a, float)


@pytest.mark.parametrize("threads", [2, 3, 7])
def test_every_answer_is_the_same_to_the_last_bit(
    threads: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answers, "cores", lambda: threads)
    found = assess(build_panel(log()[0], as_of=log()[1]), load_population())
    assert sum(same(a, b, a.tank.name) for a, b in zip(found.tanks, alone(), strict=True)) > 2_000


def log() -> tuple:  # type: ignore[type-arg]
    book, as_of = random_log(5)
    return book, as_of


@cache
def alone() -> tuple:  # type: ignore[type-arg]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(answers, "cores", lambda: 1)
        return assess(build_panel(log()[0], as_of=log()[1]), load_population()).tanks
