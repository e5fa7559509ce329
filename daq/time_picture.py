"""Any stretch of a capture as columns of equal time: gaps, changes of rate and single samples are seen."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from daq import pyramid
from daq.capture_reader import CaptureSource
from daq.trace import Columns

Indices = npt.NDArray[np.int64]

_ROUNDING = 1e-6  # of a pair: a pair's own time must find it again


class TimePicture:
    """Draws a capture that does not grow; `marks` are (s from the first pair, what was marked)."""

    def __init__(self, source: CaptureSource, marks: Sequence[tuple[float, str]] = ()) -> None:
        self._source = source
        self._marks = tuple(marks)
        segments = source.segments()
        self._first = np.array([s.first for s in segments], dtype=np.int64)
        self._behind = np.append(self._first[1:], source.end)
        self._rate = np.array([s.layout.rate_hz for s in segments])
        self._start_s = np.array([s.start_s for s in segments])
        self._over_s = self._start_s + (self._behind - self._first) / self._rate

    def columns(self, begin_s: float, end_s: float, columns: int) -> Columns:
        """The time from `begin_s` to `end_s` in `columns` equal columns.

        A column narrower than the time between two pairs shows the pair that was taken last. A capture
        with several rates is drawn from the bins that suit the slowest one in sight.
        """
        if not len(self._first):
            nothing = np.full((columns, 2), np.nan)
            return Columns(0, nothing, nothing, np.zeros(columns, np.bool_))
        times = begin_s + (end_s - begin_s) * np.arange(columns + 1) / columns
        lost = self._lost(begin_s, end_s, columns)
        edges = self._pairs_at(times)
        held = (np.diff(edges) == 0) & ~lost
        if held[0] and edges[0] > self._first[self._segment_at(times[:1])[0]]:
            edges[0] -= 1  # taken before the picture begins, and lasting into it
        level = self._level(times)
        found = self._source.overview_between(edges, level)
        low, high = _held(found.low, held), _held(found.high, held)
        least = 1 if level is None else pyramid.bin_pairs(level)
        lost |= np.isnan(high[:, 0]) & (np.diff(edges) >= least)  # what is damaged
        return Columns(0, low, high, lost, self._marks_in(begin_s, end_s, columns))

    def _segment_at(self, times: npt.NDArray[np.float64]) -> Indices:
        at: Indices = np.maximum(np.searchsorted(self._start_s, times, "right") - 1, 0)
        return at

    def _pairs_at(self, times: npt.NDArray[np.float64]) -> Indices:
        """For each moment the first pair at or after it."""
        at = self._segment_at(times)
        pairs = np.ceil((times - self._start_s[at]) * self._rate[at] - _ROUNDING).astype(np.int64)
        found: Indices = np.clip(self._first[at] + pairs, self._first[at], self._behind[at])
        return found

    def _level(self, times: npt.NDArray[np.float64]) -> int | None:
        begin, end = self._segment_at(times[[0, -1]])
        slowest = float(self._rate[begin : end + 1].min())
        return pyramid.level_for(int(slowest * (times[-1] - times[0])), len(times) - 1)

    def _lost(self, begin_s: float, end_s: float, columns: int) -> npt.NDArray[np.bool_]:
        """Columns in which time was lost between two segments."""
        away, back = self._over_s[:-1], self._start_s[1:]
        real = (back - away > 0.5 / self._rate[:-1]) & (away < end_s) & (back > begin_s)
        per_s = columns / (end_s - begin_s)
        begins = np.clip(np.floor((away[real] - begin_s) * per_s), 0, columns).astype(np.int64)
        ends = np.clip(np.ceil((back[real] - begin_s) * per_s), 0, columns).astype(np.int64)
        steps = np.zeros(columns + 1, np.int64)
        np.add.at(steps, begins, 1)
        np.add.at(steps, ends, -1)
        lost: npt.NDArray[np.bool_] = np.cumsum(steps)[:-1] > 0
        return lost

    def _marks_in(self, begin_s: float, end_s: float, columns: int) -> tuple[tuple[int, str], ...]:
        per_s = columns / (end_s - begin_s)
        return tuple(
            (min(int((at - begin_s) * per_s), columns - 1), what)
            for at, what in self._marks
            if begin_s <= at <= end_s
        )


def _held(values: npt.NDArray[np.float64], held: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """`values` (columns, 2) with each held column showing the last one before it that is not."""
    at = np.where(held, 0, np.arange(len(values)))
    return values[np.maximum.accumulate(at)]


def pair_at(source: CaptureSource, time_s: float) -> int | None:
    """The pair that was taken last at `time_s`; None in a gap."""
    sample = source.sample_at(time_s)
    if sample >= source.end or source.time_of(sample) > time_s + 1e-9:
        sample -= 1
    segments = source.segments()
    at = bisect_right(segments, sample, key=lambda segment: segment.first) - 1
    if at < 0:
        return None
    over_s = segments[at].time_of(sample + 1)
    return sample if time_s < over_s + 1e-9 or sample == source.end - 1 else None


def volts_of(source: CaptureSource, sample: int) -> tuple[float, float] | None:
    """Volts of pair `sample`, (lead 1, lead 2); None where it cannot be read."""
    for block in source.samples(sample, sample + 1):
        one, two = block.layout.scale.volts(block.counts)[0].tolist()
        return one, two
    return None
