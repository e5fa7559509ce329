"""What a pulse train gathers while it lasts: levels above and below the middle, and one mean period.

Every sample has a place in its period, counted from where the load was let go to where it is let go again
(that edge is steep whatever the load: what a motor or coil does in the pause comes later). Periods that
fit the sample clock nowhere spread the samples over all places, so the mean period shows more than one
period could (equivalent-time sampling). Sums are integers: the order of adding does not matter.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from daq.stretches import Pair, Raw

Floats = npt.NDArray[np.float64]
Number = TypeVar("Number", float, Floats)
PLACES = 128  # of a period
LINE_LEAST = 4  # moments that make a line
BLOCK_PERIODS = 16
BLOCK_S = 0.25  # a block of periods is no longer than it must be
STEADY = 0.5  # pairs: crossings interpolated between filtered samples are off by less
UNLIKE, UNLIKE_PAIRS = 0.03, 1.0  # of the usual period
STEPS_IN_PLACE = 13  # as a power of two
STEPS = PLACES << STEPS_IN_PLACE  # of a period: positions are summed as integers


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
        places = steps >> STEPS_IN_PLACE
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

    def add(self, moments: Sequence[float]) -> None:
        """The next moments, one after the other: the sums are rounded alike, however many come at once."""
        if self.count == 0 and moments:
            self.origin = moments[0]
        origin, total, weighted = self.origin, self.total, self.weighted
        for k, at in enumerate(moments, self.count):
            total += at - origin
            weighted += k * (at - origin)
        self.count, self.total, self.weighted = self.count + len(moments), total, weighted

    @property
    def middle(self) -> float:
        """The mean of all moments: the best known of them, that of k = (count - 1) / 2."""
        return self.origin + self.total / max(1, self.count)

    @property
    def period(self) -> float | None:
        """None for fewer than four moments."""
        n = self.count
        return None if n < LINE_LEAST else _slope(n, self.total, self.weighted)


def _slope(n: int, total: Number, weighted: Number) -> Number:
    """Of the line through n moments, from their sums since the first."""
    return (12 * weighted - 6 * (n - 1) * total) / (n * (n * n - 1))


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

    def mark(self, crossings: Iterable[tuple[float, bool]]) -> None:
        """The next crossings of the middle (at, up); those that let the load go begin a period.

        The first and the last period are left out: the switch of the whole may have cut them short.
        """
        let_go = [at for at, up in crossings if up is not self.positive]
        if not self._begun and let_go:
            self._begun = True
            del let_go[0]
        self.clock.add([*self._marks[-1:], *let_go][:-1])
        self._marks += let_go

    def add(self, raw: Raw, middle: Floats) -> None:
        """The samples that follow, with the middle at each."""
        self.levels.add(raw, middle)
        self._open = np.concatenate((self._open, raw))
        ends = self._block_ends()
        if ends:
            self._fold(ends)

    def finish(self) -> None:
        """The train has ended: what is left is a shorter block."""
        last = self._complete() - 1
        if last > 0:
            self._fold([last])

    def _complete(self) -> int:
        """How many of the marks may be used: the latest one may end the train, the samples may lag."""
        end = self._first + len(self._open)
        return bisect_right(self._marks, end, hi=max(0, len(self._marks) - 1))

    def _block_ends(self) -> list[int]:
        """The marks that end the next blocks of periods, as far as they are complete."""
        marks, complete = self._marks, self._complete()
        ends = [0]
        while True:
            first = ends[-1]
            following = range(first + 1, min(first + BLOCK_PERIODS, complete - 1) + 1)
            full = first + BLOCK_PERIODS < complete
            if full and marks[first + BLOCK_PERIODS - 1] - marks[first] < self._longest:
                ends.append(first + BLOCK_PERIODS)
                continue
            end = next((n for n in following if marks[n] - marks[first] >= self._longest), None)
            if end is None:
                return ends[1:]
            ends.append(end)

    def _fold(self, ends: Sequence[int]) -> None:
        """Give the samples from the first mark to the last of `ends` their places, block by block."""
        marks = np.asarray(self._marks[: ends[-1] + 1])
        bounds = np.array([0, *ends])
        turns = np.ceil(marks[bounds]).astype(np.int64)
        at = np.arange(turns[0], turns[-1])
        begin, end = int(turns[0]) - self._first, int(turns[-1]) - self._first
        now = self._open[begin:end]
        before = self._open[max(0, begin - 1) : end - 1]
        if begin == 0:  # nothing came before the first sample: it stands for it
            before = np.concatenate((now[:1], before))
        places = _places(at, turns, marks, bounds)
        told = ~np.isnan(places)
        if not told.all():
            places, now, before = places[told], now[told], before[told]
        steps = np.clip((STEPS * places).astype(np.int64), 0, STEPS - 1)
        self.profile.add(steps, now, before)
        self._marks = self._marks[ends[-1] :]
        kept = max(self._first, int(turns[-1]) - 1)
        self._open = self._open[kept - self._first :]
        self._first = kept


def _places(
    at: npt.NDArray[np.int64], turns: npt.NDArray[np.int64], marks: Floats, bounds: npt.NDArray[np.int64]
) -> Floats:
    """Parts of a period, of samples `at` in blocks that begin at `turns` and at the marks `bounds`.

    A steady drive's marks are better known together than each by itself.
    """
    begin, period, steady = _lines(marks, bounds)
    pairs = np.diff(turns)
    places = (at - np.repeat(begin, pairs)) / np.repeat(period, pairs)
    places -= np.floor(places)
    for n in np.flatnonzero(~steady):
        inside = slice(turns[n] - turns[0], turns[n + 1] - turns[0])
        places[inside] = _uneven_places(at[inside], marks[bounds[n] : bounds[n + 1] + 1])
    return places


def _lines(marks: Floats, bounds: npt.NDArray[np.int64]) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """For each block where its line begins, its period, and whether its marks are on it."""
    periods = np.diff(bounds)
    begin, period = np.zeros(len(periods)), np.ones(len(periods))
    steady = np.zeros(len(periods), dtype=np.bool_)
    for count in sorted(set((periods + 1).tolist())):
        if count < LINE_LEAST:
            continue
        k = np.arange(count)
        blocks = np.flatnonzero(periods == count - 1)
        rows = marks[bounds[blocks][:, None] + k]
        since = rows - rows[:, :1]
        slope = _slope(count, _sum_of_rows(since), _sum_of_rows(k * since))
        due = k * slope[:, None]
        due += ((_sum_of_rows(rows) - _sum_of_rows(due)) / count)[:, None]
        begin[blocks], period[blocks] = due[:, 0], slope
        steady[blocks] = np.abs(rows - due).max(axis=1) < STEADY
    return begin, period, steady


def _sum_of_rows(rows: Floats) -> Floats:
    """Each row added from left to right, so that it is rounded alike beside any other rows."""
    return np.asarray(np.cumsum(rows, axis=1)[:, -1])


def _uneven_places(at: npt.NDArray[np.int64], marks: Floats) -> Floats:
    """Parts of a period in one block, by its own marks; nan in periods that are unlike its others."""
    lengths = np.diff(marks)
    usual = float(np.median(lengths))
    alike = np.abs(lengths - usual) <= max(UNLIKE_PAIRS, UNLIKE * usual)
    period = np.clip(np.searchsorted(marks, at, side="right") - 1, 0, len(marks) - 2)
    return np.where(alike[period], (at - marks[period]) / lengths[period], np.nan)


def _mean(sums: npt.NDArray[np.int64], n: int) -> Pair:
    return (float(sums[0]) / n, float(sums[1]) / n) if n else (0.0, 0.0)
