"""Tanks in threads, and parts of a tank for whoever has nothing left to do.

The kernels release the GIL. Results keep their order and hang on no thread: the same work is
done with the same numbers, wherever. Bare threads: concurrent.futures imports logging and
more, which takes longer than a small tank.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


def cores() -> int:
    """Number of cores that this process may use, which can be fewer than the machine has."""
    there = os.cpu_count() or 1
    return min(there, len(os.sched_getaffinity(0))) if hasattr(os, "sched_getaffinity") else there


class _Part(Generic[T]):
    """Something to be done once, by whoever comes first."""

    def __init__(self, work: Callable[[], T]):
        self.work: Callable[[], T] | None = work
        self.taken, self.ended = threading.Lock(), threading.Event()
        self.found: list[T] = []
        self.error: BaseException | None = None

    def do(self) -> None:
        """Do it, unless somebody does already."""
        if not self.taken.acquire(blocking=False):
            return
        # What stays in a queue afterwards must not keep a tank's arrays alive.
        work, self.work = self.work, None
        assert work is not None
        try:
            self.found.append(work())
        except BaseException as error:
            self.error = error
        finally:
            self.ended.set()

    def __call__(self) -> T:
        """What came of it; done now, if nobody has begun."""
        self.do()
        self.ended.wait()
        if self.error is not None:
            raise self.error
        return self.found[0]


class Crew:
    """Threads that share work.

    Parameters
    ----------
    threads : int
        The caller's own counts.
    """

    def __init__(self, threads: int):
        self.threads = threads
        self._parts: deque[_Part[object]] = deque()
        self._news = threading.Condition()

    def aside(self, work: Callable[[], T]) -> Callable[[], T]:
        """Offer a part to threads that have nothing to do, now or soon.

        Returns
        -------
        callable
            Gives its result, or raises what it raised. Must be called.
        """
        if self.threads < 2:
            return work
        part = _Part(work)
        with self._news:
            self._parts.append(part)  # type: ignore[arg-type]
            self._news.notify()
        return part

    def all(self, work: Callable[[int], T], n: int) -> list[T]:
        """Do ``work(0) ... work(n - 1)``; results in this order.

        Raises
        ------
        BaseException
            What the first of them that fails raises: the one that a single thread would meet.
        """
        if self.threads < 2:
            return [work(i) for i in range(n)]
        found: dict[int, T] = {}
        failed: dict[int, BaseException] = {}
        waiting = iter(range(n))
        lock = threading.Lock()
        working = self.threads

        def some() -> None:
            nonlocal working
            while not failed:
                with lock:
                    i = next(waiting, None)
                if i is None:
                    break
                try:
                    found[i] = work(i)
                except BaseException as error:
                    failed[i] = error
            with self._news:
                working -= 1
                self._news.notify_all()
            self._help(lambda: working > 0)

        # Daemons: a second interrupt ends the command without waiting for them.
        others = [threading.Thread(target=some, daemon=True) for _ in range(self.threads - 1)]
        try:
            for i, other in enumerate(others):
                try:
                    other.start()
                except RuntimeError:
                    # The system allows no more: those that are there do it all.
                    with self._news:
                        working -= len(others) - i
                        self._news.notify_all()
                    del others[i:]
                    break
            some()
            for other in others:
                other.join()
        except BaseException as error:
            # An interrupt, outside of any tank: the others begin no more.
            failed.setdefault(n, error)
            raise
        if failed:
            # All before it were taken up, and ended well.
            raise failed[min(failed)]
        return [found[i] for i in range(n)]

    def _help(self, others_work: Callable[[], bool]) -> None:
        while True:
            with self._news:
                while not self._parts and others_work():
                    self._news.wait()
                if not self._parts:
                    return
                part = self._parts.popleft()
            part.do()
