"""Many recordings analysed by any concurrent.futures executor: processes here, or a cluster elsewhere.

Files go out in batches that take at least BATCH_S, so that what it costs to hand a task to another process
or computer stays small beside the task; how long a file takes is guessed from its size and corrected by what
was measured. Where a worker dies, the files it may have died of are tried again one at a time.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any

from daq.survey import Row, Task, row_without_answer, survey_file

BATCH_S = 0.25
"""A batch is meant to take this long, s; to hand one out costs a millisecond, over a network a few."""

MOST_FILES = 500  # in a batch: what is tried again where a worker dies
AHEAD = 2  # batches handed out per worker

FILE_S = 0.01  # first guesses, until measured: to open a file,
BYTES_A_SECOND = 2e6  # and to analyse it

_STOPS = (signal.SIGINT, signal.SIGTERM)

Answer = tuple[list[Row], float]
MakeExecutor = Callable[[], AbstractContextManager[Executor]]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a survey has come."""

    done: int
    unusable: int
    files: int


@dataclass(frozen=True, slots=True)
class _Batch:
    tasks: tuple[Task, ...]
    executor: Executor  # that it was given to
    alone: bool  # nothing else was under way


def survey(
    tasks: Sequence[Task],
    make_executor: MakeExecutor,
    workers: int,
    expectation: str | None = None,
    progress: Callable[[Progress], Any] = lambda _: None,
) -> list[Row]:
    """The rows of all tasks, in their order, whoever was done first.

    Args:
        make_executor: gives an executor to enter; asked again where one broke.
        workers: how many tasks it runs at a time.
        progress: told after every batch.
    """
    with ExitStack() as stack:
        run = _Survey(tasks, lambda: stack.enter_context(make_executor()), workers, expectation, progress)
        return run.rows()


def survey_batch(batch: Sequence[Task], expectation: str | None) -> Answer:
    """Rows of some files, and how long they took, s: what workers run."""
    begin = time.perf_counter()
    rows = [survey_file(task.shown, task.path, expectation) for task in batch]
    return rows, time.perf_counter() - begin


@contextmanager
def local_processes(workers: int) -> Iterator[Executor]:
    """Processes of this computer; where the survey is broken off, they are ended."""
    context = multiprocessing.get_context("spawn")  # no surprises with threads, and the same everywhere
    with _stops_held_back():
        pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_begin_work)
    try:
        yield pool
    except BaseException:
        for process in multiprocessing.active_children():
            process.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def _stops_held_back() -> Iterator[None]:
    """Let a stop wait while the pool starts processes: half-started ones would complain, or stay behind.

    Signals are blocked, so that what is started inherits that until it is ready; and handled by taking note,
    because another thread of this process may be given them.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    held: list[int] = []
    handlers = [signal.signal(stop, lambda number, _: held.append(number)) for stop in _STOPS]
    maskable = hasattr(signal, "pthread_sigmask")  # not on Windows
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, _STOPS) if maskable else set()
    try:
        yield
    finally:
        if maskable:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for stop, handler in zip(_STOPS, handlers, strict=True):
            signal.signal(stop, handler)
        if held:
            signal.raise_signal(held[0])


def _begin_work() -> None:
    """In a process of the pool. Ctrl-C reaches every process of a terminal: the one that surveys decides."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _STOPS)


def processors() -> int:
    """Processes that can run at once here."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class _Survey:
    """One survey under way."""

    def __init__(
        self,
        tasks: Sequence[Task],
        make_executor: Callable[[], Executor],
        workers: int,
        expectation: str | None,
        progress: Callable[[Progress], Any],
    ) -> None:
        self._tasks = tasks
        self._waiting = deque(tasks)
        self._make_executor = make_executor
        self._most_out = AHEAD * workers
        self._expectation = expectation
        self._progress = progress
        self._executor = make_executor()
        self._out: dict[Future[Answer], _Batch] = {}
        self._suspects: deque[Task] = deque()  # of batches that died: one of each batch is to blame
        self._pace = 1.0  # time taken / time guessed
        self._done: dict[str, Row] = {}
        self._unusable = 0

    def rows(self) -> list[Row]:
        while self._waiting or self._out or self._suspects:
            self._hand_out()
            finished, _ = wait(self._out, return_when=FIRST_COMPLETED)
            for future in finished:
                self._take(future, self._out.pop(future))
        return [self._done[task.path] for task in self._tasks]

    def _hand_out(self) -> None:
        """A suspect goes alone, with nobody else about: if the worker dies again, it was that file."""
        if self._suspects:
            if not self._out:
                self._submit((self._suspects.popleft(),), alone=True)
            return
        while self._waiting and len(self._out) < self._most_out:
            self._submit(self._batch(), alone=False)

    def _batch(self) -> tuple[Task, ...]:
        batch: list[Task] = []
        seconds = 0.0
        while self._waiting and seconds < BATCH_S and len(batch) < MOST_FILES:
            batch.append(self._waiting.popleft())
            seconds += _guess_s(batch[-1]) * self._pace
        return tuple(batch)

    def _submit(self, tasks: tuple[Task, ...], alone: bool) -> None:
        with _stops_held_back():  # a pool starts its processes as work comes in
            future = self._executor.submit(survey_batch, tasks, self._expectation)
        self._out[future] = _Batch(tasks, self._executor, alone)

    def _take(self, future: Future[Answer], batch: _Batch) -> None:
        try:
            rows, seconds = future.result()
        except Exception as error:  # nothing in `survey_file` raises: the worker itself failed
            self._died(batch, error)
            return
        self._pace += 0.3 * (seconds / sum(map(_guess_s, batch.tasks)) - self._pace)
        self._keep(batch.tasks, rows)

    def _died(self, batch: _Batch, error: Exception) -> None:
        if isinstance(error, BrokenExecutor) and batch.executor is self._executor:
            self._executor = self._make_executor()
        if not batch.alone:
            self._suspects.extend(batch.tasks)
            return
        why = f"whoever analysed it died ({type(error).__name__}): it may be too large for that computer"
        self._keep(batch.tasks, [row_without_answer(task.shown, why) for task in batch.tasks])

    def _keep(self, tasks: Sequence[Task], rows: Sequence[Row]) -> None:
        self._done.update((task.path, row) for task, row in zip(tasks, rows, strict=True))
        self._unusable += sum(bool(row["error"]) for row in rows)
        self._progress(Progress(len(self._done), self._unusable, len(self._tasks)))


def _guess_s(task: Task) -> float:
    return FILE_S + task.size / BYTES_A_SECOND
