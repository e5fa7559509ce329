"""Wall time of every pair of a recording, from the computer's clocks as they were noted beside it. Pure.

An anchor says that by `host_s` (a clock that never jumps and runs through sleep) the recording had come to
`time_s`. Anchors are late by a varying delay and never early, so `clock.fit_clock` takes the earliest of
each neighbourhood and slopes over far pairs. Where the logger was away, or this computer slept, the
recording's own time is only as good as the host's clock was at that moment: each such run is fitted alone.

From host to UTC: the difference of the two clocks, medians of neighbours. Where the wall clock was stepped
(set by hand or by the network) the last setting counts for the whole recording, since one sets a clock to
correct it; the steps are told.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from daq import clock

STEP_S = 0.1
"""A change of the wall clock against the host's by more than this is a step: setting, not steering."""

FASTEST_DRIFT = 0.006
"""No ceramic resonator is off by more (0.5 %), relative."""

LATE_S = 0.5
"""Anchors later than this beside later ones were taken while old samples were written down in one go."""

NEIGHBOURS = 5  # anchors in a median

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NS = 1_000_000_000

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ClockPoint:
    """By `host_s`, when the wall clock showed `utc_s` (s since 1970), the recording had come to `time_s`."""

    time_s: float
    host_s: float
    utc_s: float


@dataclass(frozen=True, slots=True)
class Step:
    """Near `time_s` of the recording the wall clock was set forward by `seconds` (back where negative)."""

    time_s: float
    seconds: float


@dataclass(frozen=True, slots=True)
class _Run:
    begin_s: float
    fit: clock.ClockFit | None  # counters in ns of the recording's time
    late_s: float  # without a fit: host time less recording's time

    def host_s(self, time_s: float) -> float:
        if self.fit is None:
            return time_s + self.late_s
        return self.fit.host_ns(time_s * _NS) / _NS


class WallClock:
    """Wall time of the moments of a recording.

    Attributes:
        ppm: how much faster than its nominal rate the logger's clock ran; None where too little is known.
        steps: where the computer's wall clock was set during the recording.
    """

    def __init__(
        self, runs: Sequence[_Run], host_s: Floats, ahead_s: Floats, steps: tuple[Step, ...]
    ) -> None:
        self._runs = runs
        self._host_s = host_s
        self._ahead_s = ahead_s  # wall clock less host clock
        fits = [run.fit for run in runs if run.fit is not None]
        longest = max(fits, key=lambda fit: float(np.ptp(fit.counters)), default=None)
        self.ppm = None if longest is None else longest.ppm
        self.steps = steps

    def utc(self, time_s: float) -> datetime:
        """UTC at `time_s` from the first pair, gaps included."""
        host_s = self.host_s(time_s)
        return from_epoch(host_s + float(np.interp(host_s, self._host_s, self._ahead_s)))

    def point(self, time_s: float) -> ClockPoint:
        """What the clocks will have said at `time_s`."""
        return ClockPoint(time_s, self.host_s(time_s), to_epoch(self.utc(time_s)))

    def host_s(self, time_s: float) -> float:
        at = bisect_right(self._runs, time_s, key=lambda run: run.begin_s) - 1
        return self._runs[max(at, 0)].host_s(time_s)


def to_epoch(moment: datetime) -> float:
    """Seconds since 1970 of an aware datetime."""
    return (moment - _EPOCH) / timedelta(seconds=1)


def from_epoch(seconds: float) -> datetime:
    """The other way; moments no calendar has become its ends."""
    try:
        return _EPOCH + timedelta(seconds=seconds)
    except OverflowError:
        return datetime.max.replace(tzinfo=UTC) if seconds > 0 else datetime.min.replace(tzinfo=UTC)


def fit_wall_clock(points: Sequence[ClockPoint], run_begins_s: Sequence[float]) -> WallClock | None:
    """Fit the points of a recording; None without any.

    Args:
        points: in order of host time.
        run_begins_s: where, in the recording's time, the logger's clock begins anew (0 first).
    """
    if not points:
        return None
    time_s = np.array([p.time_s for p in points])
    host_s = np.array([p.host_s for p in points])
    timely = _timely(time_s, host_s)
    ahead_s, steps = _ahead(time_s, np.array([p.utc_s for p in points]) - host_s)
    runs = _runs(time_s[timely], host_s[timely], run_begins_s)
    return WallClock(runs, host_s, ahead_s, steps)


def _timely(time_s: Floats, host_s: Floats) -> npt.NDArray[np.bool_]:
    """False for anchors so late beside later ones that no drift explains it."""
    late = host_s - time_s
    best = np.minimum.accumulate((late + FASTEST_DRIFT * time_s)[::-1])[::-1]
    timely: npt.NDArray[np.bool_] = late <= best - FASTEST_DRIFT * time_s + LATE_S
    return timely


def _ahead(time_s: Floats, ahead_s: Floats) -> tuple[Floats, tuple[Step, ...]]:
    """Wall less host clock as if it had always been set as at the end; and the steps."""
    moves = np.diff(ahead_s, prepend=ahead_s[0])
    stepped = np.abs(moves) > STEP_S
    to_come = np.where(stepped, moves, 0.0).sum() - np.cumsum(np.where(stepped, moves, 0.0))
    steps = tuple(Step(float(time_s[n]), float(moves[n])) for n in np.flatnonzero(stepped))
    return _medians(ahead_s + to_come), steps


def _medians(values: Floats) -> Floats:
    reach = NEIGHBOURS // 2
    return np.array([np.median(values[max(0, n - reach) : n + reach + 1]) for n in range(len(values))])


def _runs(time_s: Floats, host_s: Floats, begins_s: Sequence[float]) -> list[_Run]:
    """One fit a run; a run without an anchor of its own goes on as the one before it, or the next, did."""
    begins = [float(b) for b in begins_s] or [0.0]
    ends = [*begins[1:], np.inf]
    runs: list[_Run] = []
    for begin, end in zip(begins, ends, strict=True):
        # an anchor speaks of the pair before it: one at the very end of a run belongs to that run
        inside = (time_s > begin) & (time_s <= end)
        if inside.any():
            runs.append(_run(begin, time_s[inside], host_s[inside]))
    return runs or [_run(begins[0], time_s, host_s)]


def _run(begin_s: float, time_s: Floats, host_s: Floats) -> _Run:
    anchors = [clock.Anchor(round(t * _NS), round(h * _NS)) for t, h in zip(time_s, host_s, strict=True)]
    return _Run(begin_s, clock.fit_clock(anchors, _NS), float(np.min(host_s - time_s)))
