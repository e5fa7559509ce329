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
    how the samples arrived.
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
        self._head = self._tail = self._open_window = _NO_PAIRS
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

    def add(self, raw: Raw, half: npt.NDArray[np.float64]) -> None:
        """Add pairs that follow; `half` is half of the source scale at each."""
        at = self.start + self.pairs
        self._follow_onset(raw)
        self._sum = self._sum + _sum(raw)
        late_from = max(0, self._late_after - self.pairs)
        if late_from < len(raw):
            self._late_sum = self._late_sum + _sum(raw[late_from:])
        self._low = np.minimum(self._low, np.minimum.reduce(raw))
        self._high = np.maximum(self._high, np.maximum.reduce(raw))
        if len(self._head) < self._edge:
            self._head = np.concatenate((self._head, raw))[: self._edge]
        self._tail = np.concatenate((self._tail, raw[-self._edge :]))[-self._edge :]
        self._follow_halves(raw, half, at)
        self._follow_trail(raw, half, at)
        self.pairs += len(raw)

    def _follow_onset(self, raw: Raw) -> None:
        """Means of windows that double in length."""
        begins: list[int] = [0]
        ends: list[int] = []
        while len(self._onset) + len(ends) < ONSET_WINDOWS and self.pairs + len(raw) >= self._onset_end:
            ends.append(self._onset_end)
            begins.append(self._onset_end - self.pairs)
            self._onset_end *= 2
        if len(self._onset) == ONSET_WINDOWS:
            return
        if begins[-1] == len(raw):
            begins.pop()
        sums = np.add.reduceat(raw, begins, axis=0, dtype=np.int64)
        sums[0] += self._onset_sum
        for end, (one, two) in zip(ends, sums.tolist(), strict=False):
            begin = end // 2 if self._onset else 0
            self._onset.append((self.start + begin, end - begin, one / (end - begin), two / (end - begin)))
        self._onset_sum = sums[-1] if len(sums) > len(ends) else _NO_SUM

    def _follow_halves(self, raw: Raw, half: npt.NDArray[np.float64], at: int) -> None:
        if self._last_above is None:
            known = int(np.argmax(np.isfinite(half)))  # no crossing of a half that only became known
            if not np.isfinite(half[known]):
                return
            raw, half, at = raw[known:], half[known:], at + known
        above = np.abs(raw[:, 0] - raw[:, 1]) > half
        before, self._last_above = self._last_above, bool(above[-1])
        ups = np.count_nonzero(above)
        if ups in (0, len(above)) and before in (None, self._last_above):
            return
        first = above[0] if before is None else before
        turns = np.flatnonzero(np.diff(above, prepend=first))
        room = HALVES_MOST - len(self._halves)
        self._halves += [float(at + turn) - 0.5 for turn in turns[:room].tolist()]

    def _follow_trail(self, raw: Raw, half: npt.NDArray[np.float64], at: int) -> None:
        """Means of whole windows, kept where they moved from the last one kept."""
        if not len(self._open_window):
            skip = -(at - self._origin) % self.window
            if skip >= len(raw):
                return
            raw, half, at = raw[skip:], half[skip:], at + skip
        before = len(self._open_window)
        part = np.concatenate((self._open_window, raw))
        whole = len(part) // self.window
        self._open_window = part[whole * self.window :]
        if whole:
            scale = half[self.window - 1 - before :: self.window][:whole]
            self._add_windows(part[: whole * self.window], scale, at - before)

    def _add_windows(self, part: Raw, half: Raw64, at: int) -> None:
        begins = np.arange(0, len(part), self.window)
        means = np.add.reduceat(part, begins, axis=0, dtype=np.int64) / self.window
        self._last_windows = np.concatenate((self._last_windows, means))[-SETTLED_WINDOWS:]
        steps = np.maximum(2 * TRAIL_OF_SOURCE * np.where(np.isfinite(half), half, 0.0), TRAIL_LEAST_UV)
        if self._trail and not (np.abs(means - self._trail[-1][1:]) > steps[:, None]).any():
            return
        for i, ((m1, m2), step) in enumerate(zip(means.tolist(), steps.tolist(), strict=True)):
            self._keep((at + (i + 0.5) * self.window, m1, m2), step)

    def _keep(self, point: tuple[float, float, float], step: float) -> None:
        if self._trail:
            _, l1, l2 = self._trail[-1]
            if abs(point[1] - l1) <= step and abs(point[2] - l2) <= step:
                return
        self._trail.append(point)
        if len(self._trail) > TRAIL_MOST:
            self._trail = self._trail[::2]

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


def _middle(windows: Raw64) -> Pair:
    return float(windows[:, 0].mean()), float(windows[:, 1].mean())


def _mean(sums: npt.NDArray[np.int64], n: int) -> Pair:
    if not n:
        return 0.0, 0.0
    one, two = sums.tolist()
    return one / n, two / n
