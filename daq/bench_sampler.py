"""The simulated logger's converter: which lead is converted when, sums, and pairs cut into data frames."""

from __future__ import annotations

import math

import numpy as np

from daq.bench_front import codes
from daq.bench_workbench import Workbench
from daq.pairs import DataFrame
from daq.results import Started
from daq.samples import Bias, Counts

BiasPair = tuple[Bias, Bias]
CLOCK_HZ = 16_000_000


class Sampler:
    """One run: lead 1 of raw pair j at ``2 j interval``, lead 2 at ``(2 j + 1) interval`` after `origin_us`.

    Lead 2 of a pair may lie beyond the moment run up to; such a pair waits.
    """

    def __init__(
        self, bench: Workbench, run: Started, bias: BiasPair, noise: tuple[np.random.Generator, ...]
    ) -> None:
        self.run = run
        self._bench, self._noise = bench, noise
        self._origin_us = float(bench.horizon_us)
        self._interval_us = run.interval / CLOCK_HZ * 1e6
        self._sums = 1 << run.sum_shift
        self._converted = [0, 0]
        self._raw = [np.empty(0, dtype=np.int32), np.empty(0, dtype=np.int32)]
        self._pairs: Counts = np.empty((0, 2), dtype=np.int32)
        self._first = 0  # index of the first pair in _pairs
        self._bias = bias
        self._next_bias: tuple[int, BiasPair] | None = None

    @property
    def next_index(self) -> int:
        """Index of the first pair that has not been handed out."""
        return self._first

    @property
    def made(self) -> int:
        """How many pairs the run has made."""
        return self._first + len(self._pairs)

    def set_bias(self, bias: BiasPair) -> int:
        """From the next pair on; returns when that begins, µs."""
        pair_us = 2 * self._interval_us * self._sums
        index = max(self.made, math.ceil((self._bench.horizon_us - self._origin_us) / pair_us))
        self._next_bias = (index, bias)
        return max(self._bench.horizon_us, int(self._origin_us + index * pair_us))

    def convert(self, until_us: int) -> None:
        """Convert everything due before `until_us`, up to which the bench must have been run."""
        for lead in (0, 1):
            begin_us = self._origin_us + lead * self._interval_us
            period_us = 2 * self._interval_us
            due = max(0, math.ceil((until_us - begin_us) / period_us))
            times_us = begin_us + period_us * np.arange(self._converted[lead], due, dtype=np.float64)
            self._converted[lead] = due
            if len(times_us):
                fresh = codes(self._bench.volts(lead, times_us), self._noise[lead])
                self._raw[lead] = np.concatenate([self._raw[lead], fresh])
        self._pair_up()

    def _pair_up(self) -> None:
        whole = min(len(self._raw[0]), len(self._raw[1])) // self._sums
        if whole == 0:
            return
        used = whole * self._sums
        columns = [raw[:used].reshape(whole, self._sums).sum(axis=1, dtype=np.int32) for raw in self._raw]
        self._raw = [raw[used:] for raw in self._raw]
        self._pairs = np.concatenate([self._pairs, np.stack(columns, axis=1)])

    def frames(self, everything: bool = False) -> list[DataFrame]:
        """The frames that are full; with `everything` (at stop) the last, shorter one as well."""
        frames: list[DataFrame] = []
        while True:
            count = min(len(self._pairs), self.run.pairs_per_frame)
            ended = everything or count == self.run.pairs_per_frame
            if self._next_bias is not None:
                until_bias = self._next_bias[0] - self._first
                if until_bias == 0:
                    self._bias, self._next_bias = self._next_bias[1], None
                elif until_bias <= count:
                    count, ended = until_bias, True
            if count == 0 or not ended:
                return frames
            frames.append(self._frame(count))

    def _frame(self, count: int) -> DataFrame:
        frame = DataFrame(
            self._first, self.run.run, self._pairs[:count], sums=self._sums > 1, bias=self._bias
        )
        self._pairs = self._pairs[count:]
        self._first += count
        return frame
