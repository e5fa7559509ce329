"""Stage 3: pulse trains among the middle crossings.

Five consecutive periods alike (within 15 % or 1.3 pairs) and shorter than 0.2 s make a train: nobody's
hand is that fast and regular. A train goes on while period and share stay alike; it ends with the last
crossing that fits. The frequency is (periods) / (last - first crossing of one direction), whose error
falls with the length of the train; pulse edges are interpolated between samples.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from itertools import pairwise

PERIODS = 5
ALIKE = 0.15
ALIKE_PAIRS = 1.3
SHARE_ALIKE = 0.06
LONGEST_S = 0.2
ENDS = 7  # crossings kept at either end of a train
LEAST_S = 0.012  # shorter bursts are bounce or ringing
REMEMBERED = 201  # crossings: 12 ms at half of 16 kHz
NARROWEST = 0.02  # share: narrower pulses are spikes


@dataclass(slots=True)
class Direction:
    """Crossings of a train in one direction.

    The first and last few are kept: one crossing beside the train's ends may be off by some pairs (the
    middle has only just moved), and the mean period must not hang on it. `wander` is the recent change from
    period to period.
    """

    starts: list[float]
    ends: list[float]
    periods: int
    wander: float

    @classmethod
    def of(cls, times: list[float]) -> Direction:
        direction = cls(times[:ENDS], times[:2], 1, 0.0)
        for at in times[2:]:
            direction._count(at)
        return direction

    def add(self, at: float) -> None:
        if len(self.starts) < ENDS:
            self.starts.append(at)
        self._count(at)

    def _count(self, at: float) -> None:
        ends = self.ends
        change = abs((at - ends[-1]) - (ends[-1] - ends[-2]))
        self.wander += (change - self.wander) / 8
        ends.append(at)
        if len(ends) > ENDS:
            del ends[0]
        self.periods += 1

    @property
    def mean_period(self) -> float:
        """Median of the means between the k-th crossing from the start and the k-th from the end."""
        most = min(len(self.starts), len(self.ends), (self.periods + 1) // 2)
        means = [(self.ends[-1 - k] - self.starts[k]) / (self.periods - 2 * k) for k in range(most)]
        return statistics.median(means)


@dataclass(slots=True)
class Pulse:
    """An open or ended train, in crossings."""

    first: float  # first crossing of the train
    last: float  # last crossing that fits
    period: float  # pairs, of the latest periods
    halves: int  # half periods so far
    up_time: float
    share: float  # of the latest periods
    directions: tuple[Direction, Direction]  # going down, going up
    founders: list[tuple[float, bool]]  # the crossings (and whether up) that established it

    @property
    def periods(self) -> int:
        """Whole periods seen."""
        return self.halves // 2

    @property
    def mean_period(self) -> float:
        """From the direction whose crossings wander less: a motor's own voltage moves the other one."""
        return min(self.directions, key=lambda d: d.wander).mean_period

    @property
    def up_share(self) -> float:
        return self.up_time / (self.last - self.first)


class Rhythm:
    """Push crossings one by one; `open` is the train they form now, or None."""

    def __init__(self, rate_hz: float) -> None:
        self._longest = LONGEST_S * rate_hz
        self._least = LEAST_S * rate_hz
        self._recent: list[tuple[float, bool]] = []
        self.open: Pulse | None = None

    def push(self, at: float, up: bool) -> tuple[Pulse | None, Pulse | None]:
        """Returns (train that this crossing ended, train that it established)."""
        ended = None
        if self.open is not None:
            if self._goes_on(self.open, at, up):
                return None, None
            ended, self.open = self.open, None
            self._recent = self._recent[-2:]
        self._recent.append((at, up))
        self._recent = self._recent[-REMEMBERED:]
        self.open = self._established()
        return ended, self.open

    def late(self, now: float) -> Pulse | None:
        """The train that silence until `now` has ended, if any."""
        if self.open is None or now <= self.open.last + 1.5 * self.open.period + 2:
            return None
        return self.stop()

    def stop(self) -> Pulse | None:
        """Ends whatever is open (end of a segment)."""
        ended, self.open, self._recent = self.open, None, []
        return ended

    def _tolerance(self, period: float) -> float:
        return max(ALIKE * period, ALIKE_PAIRS)

    def _goes_on(self, train: Pulse, at: float, up: bool) -> bool:
        """Whether the crossing fits the train, which then goes on with it."""
        if len(self._recent) < 2:
            return False
        (before, _), latest = self._recent[-2:]
        period, half = at - before, at - latest[0]
        if latest[1] == up or period <= 0:
            return False
        # `half` is the time since the opposite crossing: below the middle when this one goes up
        up_share = 1.0 - half / period if up else half / period
        slack = max(SHARE_ALIKE, 2 * ALIKE_PAIRS / period)
        if abs(period - train.period) > self._tolerance(train.period) or abs(up_share - train.share) > slack:
            return False
        train.period += (period - train.period) / 8
        train.share += (up_share - train.share) / 8
        train.up_time += 0.0 if up else half
        train.halves += 1
        train.last = at
        train.directions[up].add(at)
        self._recent = [latest, (at, up)]
        return True

    def _established(self) -> Pulse | None:
        flips = self._recent
        if len(flips) < 2 * PERIODS + 1:
            return None
        latest = [t for t, _ in flips[-(2 * PERIODS + 1) :]]
        usual = (latest[-1] - latest[0]) / PERIODS
        needed = max(2 * PERIODS, 2 * math.ceil(self._least / max(usual, 1.0))) + 1
        if len(flips) < needed:
            return None
        return self._alike(flips[-needed:])

    def _alike(self, flips: list[tuple[float, bool]]) -> Pulse | None:
        times = [t for t, _ in flips]
        periods = [b - a for a, b in zip(times, times[2:], strict=False)]
        middle = sorted(periods)[len(periods) // 2]
        if middle > self._longest or middle < 2:
            return None
        if any(abs(p - middle) > self._tolerance(middle) for p in periods):
            return None
        halves = [b - a for a, b in pairwise(times)]
        up_time = sum(h for h, (_, went_up) in zip(halves, flips, strict=False) if went_up)
        whole = times[-1] - times[0]
        if not NARROWEST <= up_time / whole <= 1 - NARROWEST:
            return None
        down, up = ([t for t, went_up in flips if went_up is way] for way in (False, True))
        return Pulse(
            first=times[0],
            last=times[-1],
            period=middle,
            halves=len(halves),
            up_time=up_time,
            share=up_time / whole,
            directions=(Direction.of(down), Direction.of(up)),
            founders=flips,
        )
