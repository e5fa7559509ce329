"""What a pulse train gathers while it lasts: levels above and below the middle, and one mean period.

Every sample has a place in its period, counted from where the load was let go to where it is let go again
(that edge is steep whatever the load: what a motor or coil does in the pause comes later). Periods that
fit the sample clock nowhere spread the samples over all places, so the mean period shows more than one
period could (equivalent-time sampling). Sums are integers: the order of adding does not matter.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from daq.stretches import Pair, Raw

Floats = npt.NDArray[np.float64]
PLACES = 128  # of a period
LINE_LEAST = 4  # moments that make a line
BLOCK_PERIODS = 16
BLOCK_S = 0.25  # a block of periods is no longer than it must be
STEADY = 0.5  # pairs: crossings interpolated between filtered samples are off by less
UNLIKE, UNLIKE_PAIRS = 0.03, 1.0  # of the usual period
STEPS = 1 << 20  # of a period: positions are summed as integers


@dataclass(slots=True, eq=False)
class Profile:
    """Sums over a train by place in the period, from letting the load go to letting it go again.

    Attributes:
        counts: (PLACES,) samples at each place.
        steps: (PLACES,) sums of their positions, in 1/STEPS of the period.
        now: (PLACES, 2) sums of both leads, µV.
        before: (PLACES, 2) sums of the samples one pair earlier: what a low-pass filter needs to be undone.
    """

    counts: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(PLACES, dtype=np.int64))
    steps: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(PLACES, dtype=np.int64))
    now: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros((PLACES, 2), dtype=np.int64))
    before: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros((PLACES, 2), dtype=np.int64))

    def add(self, steps: npt.NDArray[np.int64], now: Raw, before: Raw) -> None:
        """Count samples at their positions, in steps."""
        places = steps // (STEPS // PLACES)
        self.counts += np.bincount(places, minlength=PLACES)
        self.steps += _summed(places, steps)
        for lead in (0, 1):
            self.now[:, lead] += _summed(places, now[:, lead])
            self.before[:, lead] += _summed(places, before[:, lead])


def _summed(
    places: npt.NDArray[np.int64], values: npt.NDArray[np.int32] | npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Sums by place; as floats they are exact below 2^53, some million samples of 1000 V."""
    return np.bincount(places, weights=values, minlength=PLACES).astype(np.int64)


@dataclass(slots=True)
class Clock:
    """Straight line through the moments k = 0, 1, 2 … by least squares: the period of what made them."""

    count: int = 0
    origin: float = 0.0
    total: float = 0.0  # of moments since the origin
    weighted: float = 0.0  # of k times these

    def add(self, at: float) -> None:
        if self.count == 0:
            self.origin = at
        self.total += at - self.origin
        self.weighted += self.count * (at - self.origin)
        self.count += 1

    @property
    def middle(self) -> float:
        """The mean of all moments: the best known of them, that of k = (count - 1) / 2."""
        return self.origin + self.total / max(1, self.count)

    @property
    def period(self) -> float | None:
        """None for fewer than four moments."""
        n = self.count
        return None if n < LINE_LEAST else (12 * self.weighted - 6 * (n - 1) * self.total) / (n * (n * n - 1))


class LevelSums:
    """Levels of both leads while their difference is above and below its middle."""

    def __init__(self) -> None:
        self._sums = np.zeros((2, 2), dtype=np.int64)
        self._counts = [0, 0]
        self.low: Pair = (np.inf, np.inf)
        self.high: Pair = (-np.inf, -np.inf)

    def add(self, raw: Raw, middle: Floats) -> None:
        """Samples, with the middle at each."""
        up = raw[:, 0] - raw[:, 1] > middle
        above = np.array([lead[up].sum(dtype=np.int64) for lead in raw.T])
        self._sums += np.stack((raw.sum(axis=0, dtype=np.int64) - above, above))
        ups = int(np.count_nonzero(up))
        self._counts[0] += len(raw) - ups
        self._counts[1] += ups
        low, high = raw.min(axis=0), raw.max(axis=0)
        self.low = min(self.low[0], float(low[0])), min(self.low[1], float(low[1]))
        self.high = max(self.high[0], float(high[0])), max(self.high[1], float(high[1]))

    @property
    def down(self) -> Pair:
        return _mean(self._sums[0], self._counts[0])

    @property
    def up(self) -> Pair:
        return _mean(self._sums[1], self._counts[1])


class PulseSums:
    """Push the samples of a train and its crossings, in any portions.

    `first` is the position of the first sample pushed; `positive` tells whether lead 1 - lead 2 is positive
    while the load is on.
    """

    def __init__(self, first: int, positive: bool, rate_hz: float) -> None:
        self.positive = positive
        self.levels = LevelSums()
        self.profile = Profile()
        self.clock = Clock()
        self._longest = BLOCK_S * rate_hz
        self._begun = False
        self._marks: list[float] = []
        self._open: Raw = np.empty((0, 2), dtype=np.int32)
        self._first = first  # position of the first open sample

    def mark(self, at: float, up: bool) -> None:
        """A crossing of the middle at `at`; those that let the load go begin a period.

        The first and the last period are left out: the switch of the whole may have cut them short.
        """
        if up is self.positive:
            return
        if self._begun:
            if self._marks:
                self.clock.add(self._marks[-1])
            self._marks.append(at)
        self._begun = True

    def add(self, raw: Raw, middle: Floats) -> None:
        """The samples that follow, with the middle at each."""
        self.levels.add(raw, middle)
        self._open = np.concatenate((self._open, raw))
        while (last := self._block_end()) is not None:
            self._fold(last)

    def finish(self) -> None:
        """The train has ended: what is left is a shorter block."""
        last = self._complete() - 1
        if last > 0:
            self._fold(last)

    def _complete(self) -> int:
        """How many of the marks may be used: the latest one may end the train, the samples may lag."""
        end = self._first + len(self._open)
        return bisect_right(self._marks, end, hi=max(0, len(self._marks) - 1))

    def _block_end(self) -> int | None:
        """The mark that ends the next block of periods; None while it is not complete."""
        for n in range(1, self._complete()):
            if n == BLOCK_PERIODS or self._marks[n] - self._marks[0] >= self._longest:
                return n
        return None

    def _fold(self, last: int) -> None:
        """Give the samples from the first mark to mark `last` their places."""
        marks = np.asarray(self._marks[: last + 1])
        start, stop = math.ceil(marks[0]), math.ceil(marks[-1])
        at = np.arange(start, stop)
        now = self._open[start - self._first : stop - self._first]
        before = self._open[np.maximum(at - 1 - self._first, 0)]
        places = _places(at, marks)
        told = ~np.isnan(places)
        steps = np.clip((STEPS * places[told]).astype(np.int64), 0, STEPS - 1)
        self.profile.add(steps, now[told], before[told])
        self._marks = self._marks[last:]
        kept = max(self._first, stop - 1)
        self._open = self._open[kept - self._first :]
        self._first = kept


def _places(at: npt.NDArray[np.int64], marks: Floats) -> Floats:
    """Parts of a period; nan in periods that are unlike the others of the block.

    A steady drive's marks are better known together than each by itself.
    """
    line = Clock()
    for mark in marks.tolist():
        line.add(mark)
    if line.period is not None:
        due = np.arange(len(marks)) * line.period
        due += marks.mean() - due.mean()
        if np.abs(marks - due).max() < STEADY:
            return np.asarray((at - due[0]) / line.period % 1.0)
    lengths = np.diff(marks)
    usual = float(np.median(lengths))
    alike = np.abs(lengths - usual) <= max(UNLIKE_PAIRS, UNLIKE * usual)
    period = np.clip(np.searchsorted(marks, at, side="right") - 1, 0, len(marks) - 2)
    return np.where(alike[period], (at - marks[period]) / lengths[period], np.nan)


def _mean(sums: npt.NDArray[np.int64], n: int) -> Pair:
    return (float(sums[0]) / n, float(sums[1]) / n) if n else (0.0, 0.0)
