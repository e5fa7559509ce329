"""What the clocks of this computer say beside a recording: anchors, and what befell the clocks themselves.

Samples arrive late by a varying delay and never early, so of every ANCHOR_EVERY_S the arrival that was the
earliest by the recording's own time is noted (see `wall_clock`, which makes wall time of them).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime

from daq.wall_clock import STEP_S, to_epoch

ANCHOR_EVERY_S = 2.0
"""One anchor out of so much time, s: 20 where the fit is straight (`clock.REACH_S`); a megabyte in 10 h."""

SEGMENT_S = 0.2
"""A segment that ends gets an anchor of its own unless the last one is younger than this, s."""

SLEPT_S = 2.0
"""A jump of the sleeping time over this much means that the computer slept, s."""

_QUICK_S = 0.01
"""Two clocks are read at one moment when it takes less; else something came in between, s."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """Pairs of a segment before `sample` had arrived by `host_s`, when the wall clock showed `utc`."""

    segment: int
    sample: int
    host_s: float
    utc: datetime
    late_s: float  # by the recording's own time; only differences within a segment mean something


class ClockNotes:
    """Told of every arrival, gives anchors and words when it is time to write.

    Args:
        clock: runs through sleep and never jumps, s.
        utc: the wall clock.
        asleep: grows by the time that the computer slept, s.
    """

    def __init__(
        self, clock: Callable[[], float], utc: Callable[[], datetime], asleep: Callable[[], float]
    ) -> None:
        self._clock = clock
        self._utc = utc
        self._asleep = asleep
        self._asleep_s = asleep()
        self._ahead_s = self._read_ahead()  # wall clock less clock
        self._best: Arrival | None = None
        self._since_s = clock()
        self._done: list[Arrival] = []

    def arrived(self, segment: int, sample: int, time_s: float) -> None:
        """Pairs before `sample`, which is at `time_s` of the recording, have just come."""
        host_s = self._clock()
        late_s = host_s - time_s
        best = self._best
        if best is not None and best.segment != segment:
            if host_s - self._since_s >= SEGMENT_S:
                self._finish_bin(host_s)
        elif best is not None and late_s >= best.late_s:
            return
        self._best = Arrival(segment, sample, host_s, self._utc(), late_s)

    def anchors(self, now: float, last: bool = False) -> list[Arrival]:
        """Those that are ready to be written; the `last` one before its time is over."""
        if last or now - self._since_s >= ANCHOR_EVERY_S:
            self._finish_bin(now)
        done, self._done = self._done, []
        return done

    def happenings(self) -> Iterator[str]:
        """What befell the clocks since it was asked last, in words for the log."""
        asleep_s = self._asleep()
        slept_s, self._asleep_s = asleep_s - self._asleep_s, asleep_s
        if slept_s > SLEPT_S:
            yield f"computer slept {slept_s:.1f} s"
        ahead_s = self._read_ahead()
        if ahead_s is None:
            return
        step_s = 0.0 if self._ahead_s is None else ahead_s - self._ahead_s
        self._ahead_s = ahead_s
        if abs(step_s) > STEP_S:
            yield f"wall clock set {'forward' if step_s > 0 else 'back'} by {abs(step_s):.3f} s"

    def _finish_bin(self, now: float) -> None:
        if self._best is not None:
            self._done.append(self._best)
        self._best, self._since_s = None, now

    def _read_ahead(self) -> float | None:
        """The wall clock less the other one; None where reading both took too long to compare them."""
        before = self._clock()
        utc = to_epoch(self._utc())
        after = self._clock()
        return utc - (before + after) / 2 if after - before < _QUICK_S else None
