"""Pair positions and seconds: segments of even sampling with lost time between them."""

from __future__ import annotations

from bisect import bisect_right


class Timeline:
    def __init__(self) -> None:
        self._first: list[float] = []
        self._at: list[float] = []
        self._rate: list[float] = []

    def __bool__(self) -> bool:
        return bool(self._first)

    @property
    def first_rate_hz(self) -> float:
        return self._rate[0] if self._rate else 0.0

    def begin(self, first: int, rate_hz: float, lost_s: float = 0.0) -> None:
        """A segment begins at pair `first`, `lost_s` after the previous one ended."""
        at = self.seconds(first) + lost_s if self._first else 0.0
        self._first.append(first)
        self._at.append(at)
        self._rate.append(rate_hz)

    def seconds(self, pair: float) -> float:
        """Seconds from the first sample, gaps included."""
        if not self._first:
            return 0.0
        n = max(0, bisect_right(self._first, pair) - 1)
        return self._at[n] + (pair - self._first[n]) / self._rate[n]

    def end(self, pair: int) -> float:
        """Time of the end of the segment before a segment that begins at `pair`."""
        n = max(0, bisect_right(self._first, pair - 1) - 1)
        return self._at[n] + (pair - self._first[n]) / self._rate[n] if self._first else 0.0

    def pair_at(self, seconds: float) -> float:
        """The (fractional) pair at a time."""
        if not self._first:
            return 0.0
        n = max(0, bisect_right(self._at, seconds) - 1)
        return self._first[n] + (seconds - self._at[n]) * self._rate[n]
