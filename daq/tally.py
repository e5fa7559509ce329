"""Running sums of a stretch that is still open."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.stretches import Pair, Raw, Steady

EDGE_S = 0.004  # head and tail
LATE_AFTER_S = 0.060
RAW_S = 0.060
TRAIL_OF_SOURCE = 0.006
TRAIL_LEAST_UV = 50_000.0
TRAIL_MOST = 512
HALVES_MOST = 32
SETTLED_WINDOWS = 4
ONSET_S = 0.001  # the first window from the start; the next is as long, then each twice as long
ONSET_WINDOWS = 11  # up to a second

Raw64 = npt.NDArray[np.float64]

# What a tally begins with; never written to.
_NO_SUM = np.zeros(2, dtype=np.int64)
_NO_LOW = np.full(2, np.iinfo(np.int32).max, dtype=np.int32)
_NO_HIGH = np.full(2, np.iinfo(np.int32).min, dtype=np.int32)
_NO_PAIRS: Raw = np.empty((0, 2), dtype=np.int32)
_NO_WINDOWS: Raw64 = np.empty((0, 2))


class SteadyTally:
    """Sums of an open steady stretch; `finish` makes the Steady.

    The trail uses windows at absolute positions (counted from `origin`), so that it does not depend on
    how the samples arrived. A stretch ends where it `is_full`, so that what swings slowly for hours is kept.
    """

    def __init__(self, start: int, rate_hz: float, window: int, origin: int) -> None:
        self.start = start
        self.pairs = 0
        self._edge = max(1, round(EDGE_S * rate_hz))
        self._late_after = round(LATE_AFTER_S * rate_hz)
        self._raw_most = max(round(RAW_S * rate_hz), 4)
        self.window, self._origin = window, origin
        self._sum = self._late_sum = _NO_SUM
        self._low, self._high = _NO_LOW, _NO_HIGH
        self._head = self._tail = _NO_PAIRS
        self._open_sum: npt.NDArray[np.int64] | None = (
            None  # of the window that is open, where all of it is known
        )
        self._trail: list[tuple[float, float, float]] = []
        self._halves: list[float] = []
        self._last_windows = _NO_WINDOWS
        self._last_above: bool | None = None
        self._onset: list[tuple[int, int, float, float]] = []
        self._onset_end = max(1, round(ONSET_S * rate_hz))
        self._onset_sum = _NO_SUM  # of the window that is open

    @property
    def mean(self) -> Pair:
        return _mean(self._sum, self.pairs)

    @property
    def tail(self) -> Pair:
        return _mean(_sum(self._tail), len(self._tail))

    @property
    def settled(self) -> Pair:
        """Mean of the last whole windows, or of what there is."""
        return _middle(self._last_windows) if len(self._last_windows) else self.tail

    @property
    def spread(self) -> Pair:
        return float(self._high[0] - self._low[0]), float(self._high[1] - self._low[1])

    @property
    def is_full(self) -> bool:
        """Whether the trail has no room for more; then nothing can be added."""
        return len(self._trail) >= TRAIL_MOST

    def add(self, raw: Raw, half: Raw64) -> int:
        """Add pairs that follow, as far as the trail has room; how many that were.

        `half` is half of the source scale in each window they are in.
        """
        total, taken = self._follow_trail(raw, half)
        raw = raw[:taken]
        low, high = np.minimum.reduce(raw), np.maximum.reduce(raw)
        self._follow_onset(raw)
        self._follow_halves(raw, half, _apart(low, high))
        self._sum = self._sum + total
        late_from = max(0, self._late_after - self.pairs)
        if late_from < len(raw):
            self._late_sum = self._late_sum + total - (_sum(raw[:late_from]) if late_from else 0)
        self._low, self._high = np.minimum(self._low, low), np.maximum(self._high, high)
        if len(self._head) < self._edge:
            self._head = np.concatenate((self._head, raw[: self._edge]))[: self._edge]
        self._tail = np.concatenate((self._tail, raw[-self._edge :]))[-self._edge :]
        self.pairs += taken
        return taken

    def _follow_onset(self, raw: Raw) -> None:
        """Means of windows that double in length."""
        if len(self._onset) == ONSET_WINDOWS:
            return
        begins: list[int] = [0]
        ends: list[int] = []
        while len(self._onset) + len(ends) < ONSET_WINDOWS and self.pairs + len(raw) >= self._onset_end:
            ends.append(self._onset_end)
            begins.append(self._onset_end - self.pairs)
            self._onset_end *= 2
        if len(self._onset) + len(ends) == ONSET_WINDOWS:
            raw = raw[: begins[-1]]
        if begins[-1] == len(raw):
            begins.pop()
        sums = np.add.reduceat(raw, begins, axis=0, dtype=np.int64)
        sums[0] += self._onset_sum
        for end, (one, two) in zip(ends, sums.tolist(), strict=False):
            begin = end // 2 if self._onset else 0
            self._onset.append((self.start + begin, end - begin, one / (end - begin), two / (end - begin)))
        self._onset_sum = sums[-1] if len(sums) > len(ends) else _NO_SUM

    def _follow_halves(self, raw: Raw, half: Raw64, apart: tuple[int, int]) -> None:
        """`apart`: the leads are at least and at most so far from each other."""
        if np.isfinite(half[0]):
            above, below = bool(apart[0] > half.max()), bool(apart[1] <= half.min())
            if (above or below) and self._last_above in (None, above):
                self._last_above = above
                return
        at = self.start + self.pairs
        before_at = (at - self._origin) % self.window
        if self._last_above is None:
            known = int(np.argmax(np.isfinite(half)))  # no crossing of a half that only became known
            if not np.isfinite(half[known]):
                return
            known = max(0, known * self.window - before_at)
            raw, at = raw[known:], at + known
            before_at += known
        limit = np.repeat(half, self.window)[before_at : before_at + len(raw)]
        beyond = np.abs(raw[:, 0] - raw[:, 1]) > limit
        before, self._last_above = self._last_above, bool(beyond[-1])
        first = beyond[0] if before is None else before
        turns = np.flatnonzero(np.diff(beyond, prepend=first))
        room = HALVES_MOST - len(self._halves)
        self._halves += [float(at + turn) - 0.5 for turn in turns[:room].tolist()]

    def _follow_trail(self, raw: Raw, half: Raw64) -> tuple[npt.NDArray[np.int64], int]:
        """Means of whole windows, kept where they moved from the last one kept, until the trail is full;
        the sum of the pairs up to there, and their number."""
        at = self.start + self.pairs
        before = (at - self._origin) % self.window
        begins = np.arange(-before, len(raw), self.window)
        begins[0] = 0
        sums = np.add.reduceat(raw, begins, axis=0, dtype=np.int64)
        total: npt.NDArray[np.int64] = np.add.reduce(sums)
        begun = (
            before == 0 or self._open_sum is not None
        )  # else the first window is in part of what was before
        if before and self._open_sum is not None:
            sums[0] += self._open_sum
        ended = (before + len(raw)) // self.window
        self._open_sum = sums[-1] if len(sums) > ended and (ended or begun) else None
        first = 0 if begun else 1
        if first < ended:
            begin = at - before + first * self.window
            used = first + self._add_windows(sums[first:ended] / self.window, half[first:ended], begin)
            if self.is_full:
                taken = used * self.window - before
                return _sum(raw[:taken]), taken
        return total, len(raw)

    def _add_windows(self, means: Raw64, half: Raw64, at: int) -> int:
        """Add whole windows from pair `at`, until the trail is full; how many."""
        used = self._follow_windows(means, half, at)
        self._last_windows = np.concatenate((self._last_windows, means[:used]))[-SETTLED_WINDOWS:]
        return used

    def _follow_windows(self, means: Raw64, half: Raw64, at: int) -> int:
        steps = np.maximum(2 * TRAIL_OF_SOURCE * np.where(np.isfinite(half), half, 0.0), TRAIL_LEAST_UV)
        first = 0
        if self._trail:  # mostly nothing has moved
            moved = np.abs(means - self._trail[-1][1:]) > steps[:, None]
            first = int(moved.argmax()) // 2
            if not moved[first].any():
                return len(means)
        last = self._trail[-1] if self._trail else (0.0, np.inf, np.inf)
        for i, (one, two), step in zip(
            range(first, len(means)), means[first:].tolist(), steps[first:].tolist(), strict=True
        ):
            if -step <= one - last[1] <= step and -step <= two - last[2] <= step:
                continue
            last = at + (i + 0.5) * self.window, one, two
            self._trail.append(last)
            if self.is_full:
                return i + 1
        return len(means)

    @property
    def is_short(self) -> bool:
        """So short that its samples are kept."""
        return self.pairs <= self._raw_most

    def finish(self, raw: Raw | None) -> Steady:
        """The Steady of all pairs added; `raw` are those pairs, where it is short."""
        n = self.pairs
        late_n = n - self._late_after
        mean = self.mean
        return Steady(
            start=self.start,
            end=self.start + n,
            mean=mean,
            head=_mean(_sum(self._head), len(self._head)),
            tail=self.tail,
            late=_mean(self._late_sum, late_n) if late_n >= self._late_after else mean,
            settled=self.settled,
            low=(float(self._low[0]), float(self._low[1])),
            high=(float(self._high[0]), float(self._high[1])),
            trail=self._trail,
            halves=self._halves,
            onset=self._onset,
            raw=raw if raw is not None and len(raw) == n else None,
        )


def _sum(raw: Raw) -> npt.NDArray[np.int64]:
    total: npt.NDArray[np.int64] = np.add.reduce(raw, dtype=np.int64)
    return total


def _apart(low: Raw, high: Raw) -> tuple[int, int]:
    """How far from each other two leads within these extremes are, at least and at most, µV."""
    (low1, low2), (high1, high2) = low.tolist(), high.tolist()
    return max(low1 - high2, low2 - high1), max(high1 - low2, high2 - low1)


def _middle(windows: Raw64) -> Pair:
    return float(windows[:, 0].mean()), float(windows[:, 1].mean())


def _mean(sums: npt.NDArray[np.int64], n: int) -> Pair:
    if not n:
        return 0.0, 0.0
    one, two = sums.tolist()
    return one / n, two / n
