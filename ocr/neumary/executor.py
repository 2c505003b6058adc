"""Where pages are worked on: submit one, collect whichever is ready.

The interface is small enough for a cluster client to stand behind it; here it is met by
this process alone and by a set of local worker processes.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.connection import Connection
from multiprocessing.context import BaseContext
from typing import Final, Generic, Protocol, TypeVar

from neumary.errors import NeumaryError

TaskT = TypeVar("TaskT")
ResultT = TypeVar("ResultT")
ReadyT = TypeVar("ReadyT", covariant=True)

PAGES_PER_WORKER: Final = 200
"""A worker is replaced after so many pages, so that a leak in a codec cannot fill a night."""

_PAUSES_S: Final = (0.0, 0.1, 0.4, 1.6, 3.0)
"""Rests between tries to start a worker."""

_PRELOAD: Final = ["neumary.worker"]


class WorkerDied(NeumaryError):
    """A worker process ended in the middle of a page."""


class Executor(Protocol[TaskT, ReadyT]):
    """Works on tasks, `capacity` of them at a time."""

    @property
    def capacity(self) -> int:
        """Tasks that may be in flight at once."""
        ...

    def submit(self, task: TaskT) -> None:
        """Hand over a task; never more than `capacity` uncollected ones."""
        ...

    def collect(self) -> tuple[TaskT, ReadyT | NeumaryError]:
        """Wait for any task to end; an error instead of a result if its worker died."""
        ...

    def close(self) -> None:
        """Stop at once; tasks in flight are given up."""
        ...


class InProcess(Generic[TaskT, ResultT]):
    """Works in this very process: for a single page, where start-up would cost more."""

    def __init__(self, work: Callable[[TaskT], ResultT]) -> None:
        self._work = work
        self._waiting: list[TaskT] = []

    @property
    def capacity(self) -> int:
        """One."""
        return 1

    def submit(self, task: TaskT) -> None:
        """Keep the task until it is collected."""
        self._waiting.append(task)

    def collect(self) -> tuple[TaskT, ResultT | NeumaryError]:
        """Work on the task now."""
        task = self._waiting.pop(0)
        return task, self._work(task)

    def close(self) -> None:
        """Nothing is running."""
        self._waiting.clear()


class LocalProcesses(Generic[TaskT, ResultT]):
    """One single-worker pool for each page in flight.

    A pool of several workers breaks as a whole when one of them dies, and cannot say
    which page was to blame; a pool of one can, and costs only that page.

    Parameters
    ----------
    work : callable
        A module-level function of one task.
    jobs : int
        Worker processes.
    limit_s : float
        Seconds a task may take; its worker is ended then. 0 sets no limit.
    """

    def __init__(self, work: Callable[[TaskT], ResultT], jobs: int, limit_s: float = 0) -> None:
        self._work = work
        self._limit_s = limit_s
        self._context = _quiet_context()
        # Workers hold the reading end and leave when the writing end goes: when it is
        # closed here, and also when this process is killed outright.
        self._leash, self._hand = self._context.Pipe(duplex=False)
        self._idle = [self._new_pool() for _ in range(jobs)]
        self._busy: dict[Future[ResultT], tuple[TaskT, ProcessPoolExecutor, float]] = {}
        self._jobs = jobs

    def _new_pool(self) -> ProcessPoolExecutor:
        for pause_s in _PAUSES_S:
            try:
                return ProcessPoolExecutor(
                    max_workers=1,
                    mp_context=self._context,
                    initializer=_start_worker,
                    initargs=(self._leash,),
                    max_tasks_per_child=PAGES_PER_WORKER,
                )
            except OSError:  # Python's own helper processes may have been killed as well
                time.sleep(pause_s)
        raise _no_worker()

    @property
    def capacity(self) -> int:
        """Worker processes."""
        return self._jobs

    def submit(self, task: TaskT) -> None:
        """Give the task to an idle worker; one that died while idle is replaced.

        Raises
        ------
        WorkerDied
            If no worker process can be started at all.
        """
        pool = self._idle.pop()
        for pause_s in _PAUSES_S:
            try:
                future = pool.submit(_work_in_time, self._work, task, self._limit_s)
            except (BrokenProcessPool, OSError, EOFError):
                pool.shutdown(wait=False)
                time.sleep(pause_s)  # until the system has noticed that the starting process is gone, too
                pool = self._new_pool()
            else:
                self._busy[future] = (task, pool, time.monotonic())
                return
        raise _no_worker()

    def collect(self) -> tuple[TaskT, ResultT | NeumaryError]:
        """Wait for any worker; a dead one is replaced."""
        done, _ = wait(self._busy, return_when=FIRST_COMPLETED)
        future = done.pop()
        task, pool, started = self._busy.pop(future)
        try:
            result = future.result()
        except BrokenProcessPool:
            pool.shutdown(wait=False)
            self._idle.append(self._new_pool())
            return task, self._obituary(time.monotonic() - started)
        self._idle.append(pool)
        return task, result

    def _obituary(self, seconds: float) -> WorkerDied:
        if self._limit_s and seconds >= self._limit_s:
            return WorkerDied(f"The page took longer than {self._limit_s:g} s.", "Look at it by itself.")
        return WorkerDied(
            f"The worker process died after {seconds:.1f} s.",
            "It may have run out of memory: read this page alone, or with fewer --jobs.",
        )

    def close(self) -> None:
        """End the workers, also in the middle of a page."""
        self._hand.close()
        for pool in [*self._idle, *(pool for _, pool, _ in self._busy.values())]:
            pool.shutdown(wait=True, cancel_futures=True)
        self._leash.close()
        self._busy.clear()


def _no_worker() -> WorkerDied:
    return WorkerDied("No worker process can be started.", "Free memory, or use fewer --jobs.")


def _quiet_context() -> BaseContext:
    """Fresh worker processes; never plain fork, which copies threads' locks in any state."""
    if "forkserver" not in get_all_start_methods():
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(_PRELOAD)
    return context


def _start_worker(leash: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's business
    threading.Thread(target=_leave_with_parent, args=(leash,), daemon=True).start()


def _leave_with_parent(leash: Connection) -> None:
    try:
        leash.recv()
    except (EOFError, OSError):
        os._exit(1)


def _work_in_time(work: Callable[[TaskT], ResultT], task: TaskT, limit_s: float) -> ResultT:
    """Work under an alarm that nobody catches: it ends even a loop inside a C library."""
    if not limit_s or not hasattr(signal, "setitimer"):
        return work(task)
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, limit_s)
    try:
        return work(task)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
