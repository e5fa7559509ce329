"""A logger on a serial line for measuring: the fake logger on a pseudo-terminal, in a process of its own.

So the measured process pays for its own work only, and its threads share no lock with the logger.
"""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from types import TracebackType

import numpy as np

from daq.samples import Counts
from tests.wire.fake_logger import FakeLogger
from tests.wire.pty_logger import PtyLogger

RATE_HZ = 4000.0
NOISE_COUNTS = 0.45  # about 20 mV of 47 mV counts, as the front end has it

Signal = Callable[[int, int], Counts]


def count_of(volts: float) -> float:
    """Count of the nominal scale, 48 V over 1024 from -8 V."""
    return (volts + 8.0) * 1024 / 48


SOURCE, ON_FEED, ON_GROUND = count_of(12.6), count_of(12.5), count_of(0.1)
_NOISE = np.random.default_rng(11).normal(0.0, NOISE_COUNTS, (65_536, 2))


def ground_side(on: np.ndarray, index: np.ndarray) -> Counts:
    """Pairs of a load on the ground side that is `on`, with noise."""
    clean = np.stack([np.where(on, ON_FEED, SOURCE), np.where(on, ON_GROUND, SOURCE)], axis=1)
    counts: Counts = np.rint(clean + _NOISE[index % len(_NOISE)]).astype(np.int32)
    return counts


def calm(first: int, count: int) -> Counts:
    """Switched every four seconds."""
    index = np.arange(first, first + count)
    return ground_side(index // int(4 * RATE_HZ) % 2 == 1, index)


class Switching:
    """On and off at uneven moments, every 0.3 to 0.7 s; `turns` are the first pairs of each new state."""

    def __init__(self, count: int, seed: int = 5) -> None:
        holds = np.random.default_rng(seed).integers(int(0.3 * RATE_HZ), int(0.7 * RATE_HZ), count)
        self.turns = int(RATE_HZ) + np.cumsum(holds)

    def __call__(self, first: int, count: int) -> Counts:
        index = np.arange(first, first + count)
        return ground_side(np.searchsorted(self.turns, index, side="right") % 2 == 1, index)


def pulsed(first: int, count: int) -> Counts:
    """A hundred pulses a second, from the second second on; edges do not fall on samples."""
    index = np.arange(first, first + count)
    on = (index * (100.0 / RATE_HZ) + 0.017) % 1 < 0.35
    return ground_side(on & (index > RATE_HZ), index)


class Line:
    """Use it as a context: `port` is the name to open."""

    def __init__(self, folder: Path, signal: Signal) -> None:
        self.port = str(folder / "port")
        context = multiprocessing.get_context("fork")
        self._ours, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(folder, signal, theirs), daemon=True)

    def __enter__(self) -> Line:
        self._process.start()
        self._ours.recv()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ours.send("end")
        self._process.join(5)

    def started_ns(self) -> int:
        """When the logger's run began, on this computer's perf_counter (one clock for all processes)."""
        self._ours.send("started")
        started = self._ours.recv()
        assert isinstance(started, int)
        return started


def _serve(folder: Path, signal: Signal, ours: Connection) -> None:
    with PtyLogger(folder, FakeLogger(counts=signal)) as line:
        ours.send("ready")
        while ours.recv() != "end":
            while line.logger.started_ns is None:
                time.sleep(0.01)
            ours.send(line.logger.started_ns)
