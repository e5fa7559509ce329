"""Stage 3: pulse trains among the middle crossings.

Five consecutive periods alike (within 15 % or 1.3 pairs) and shorter than 0.2 s make a train: nobody's
hand is that fast and regular. A train goes on while period and share stay alike; it ends with the last
crossing that fits. The frequency is (periods) / (last - first crossing of one direction), whose error
falls with the length of the train; pulse edges are interpolated between samples.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Flip = tuple[float, bool]  # when, and whether up

PERIODS = 5
ALIKE = 0.15
ALIKE_PAIRS = 1.3
SHARE_ALIKE = 0.06
LONGEST_S = 0.2
ENDS = 7  # crossings kept at either end of a train
LEAST_S = 0.012  # shorter bursts are bounce or ringing
REMEMBERED = 201  # crossings: 12 ms at half of 16 kHz
NARROWEST = 0.02  # share: narrower pulses are spikes
AT_ONCE, AT_ONCE_LEAST = 1024, 24  # crossings looked at together
SURE = 1 - 1e-9  # of a limit: beyond any rounding


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
        direction._count(times[2:])
        return direction

    def add(self, times: Sequence[float]) -> None:
        """The next crossings."""
        self.starts += times[: ENDS - len(self.starts)]
        self._count(times)

    def _count(self, times: Sequence[float]) -> None:
        before, last = self.ends[-2:]
        wander, period = self.wander, last - before
        for at in times:
            change = (at - last) - period
            wander += ((change if change > 0 else -change) - wander) / 8
            period, last = at - last, at
        self.wander = wander
        self.ends = [*self.ends, *times][-ENDS:]
        self.periods += len(times)

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


def _due(last: float, period: float) -> float:
    """When the next crossing of a train must be certain at the latest."""
    return last + 1.5 * period + 2


class Rhythm:
    """`open` is the train that the crossings form now, or None.

    While one is open, `go_on` takes the crossings that fit it; any other, and each while none is open, is to
    be pushed.
    """

    def __init__(self, rate_hz: float) -> None:
        self._longest = LONGEST_S * rate_hz
        self._least = LEAST_S * rate_hz
        self._recent: list[tuple[float, bool]] = []
        self.open: Pulse | None = None

    def push(self, at: float, up: bool) -> tuple[Pulse | None, Pulse | None]:
        """A crossing that no train goes on with: (train that it ended, train that it established)."""
        ended, self.open = self.open, None
        if ended is not None:
            self._recent = self._recent[-2:]
        self._recent.append((at, up))
        self._recent = self._recent[-REMEMBERED:]
        self.open = self._established()
        return ended, self.open

    def late(self, now: float) -> Pulse | None:
        """The train that silence until `now` has ended, if any."""
        if self.open is None or now <= _due(self.open.last, self.open.period):
            return None
        return self.stop()

    def stop(self) -> Pulse | None:
        """Ends whatever is open (end of a segment)."""
        ended, self.open, self._recent = self.open, None, []
        return ended

    def _tolerance(self, period: float) -> float:
        return max(ALIKE * period, ALIKE_PAIRS)

    def go_on(self, at: Floats, seen: Ints, up: Flags, first: int) -> int:
        """How many of the crossings from `first` on fit the open train, which then has gone on with them.

        A crossing is due when it was certain, not when it happened. They are looked at together where that is
        enough, else one by one: a pulsed recording has a hundred of them a second.
        """
        n = first
        while self.open is not None and len(self._recent) >= 2 and n < len(at):
            part = slice(n, n + AT_ONCE)
            moments = at[part].tolist()
            fit = self._fitting(self.open, at[part], seen[part], up[part])
            for begin in range(min(2, fit)):  # up and down take turns
                self.open.directions[bool(up[n + begin])].add(moments[begin:fit:2])
            self.open.halves += fit
            for k in range(max(0, fit - 2), fit):
                self._recent = [self._recent[-1], (moments[k], bool(up[n + k]))]
            n += fit
            if fit < len(moments):
                break
        return n - first

    def _fitting(self, train: Pulse, at: Floats, seen: Ints, up: Flags) -> int:
        """How many of these crossings fit one after the other."""
        before, latest = self._recent[-2:]
        if len(at) < AT_ONCE_LEAST or not _all_fit(train, before, latest, at, seen, up):
            return _one_by_one(
                train, before, latest, zip(at.tolist(), seen.tolist(), up.tolist(), strict=True)
            )
        return len(at)

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


def _one_by_one(train: Pulse, before: Flip, latest: Flip, flips: Iterable[tuple[float, int, bool]]) -> int:
    """How many of the crossings (at, seen, up) fit after those two; the train's means go on with them."""
    (before_at, _), (latest_at, was_up) = before, latest
    period, share, up_time, last = train.period, train.share, train.up_time, train.last
    fit = 0
    for now, seen, up in flips:
        length, half = now - before_at, now - latest_at
        if seen > _due(last, period) or up == was_up or length <= 0:
            break
        # `half` is the time since the opposite crossing: below the middle when this one goes up
        up_share = 1.0 - half / length if up else half / length
        longer, more = abs(length - period), abs(up_share - share)
        if longer > ALIKE * period and longer > ALIKE_PAIRS:
            break
        if more > SHARE_ALIKE and more > 2 * ALIKE_PAIRS / length:
            break
        period += (length - period) / 8
        share += (up_share - share) / 8
        up_time += 0.0 if up else half
        before_at, latest_at, was_up, last = latest_at, now, up, now
        fit += 1
    train.period, train.share, train.up_time, train.last = period, share, up_time, last
    return fit


def _all_fit(train: Pulse, before: Flip, latest: Flip, at: Floats, seen: Ints, up: Flags) -> bool:
    """Whether they surely all fit, whatever the means come to on the way, for means stay among what they are
    means of; if so the train's means go on with them, to the last bit as one by one."""
    moments = np.concatenate(([before[0], latest[0]], at))
    lengths, halves = moments[2:] - moments[:-2], moments[2:] - moments[1:-1]
    shortest, longest = min(train.period, lengths.min()), max(train.period, lengths.max())
    if shortest <= 0 or up[0] == latest[1] or (up[1:] == up[:-1]).any():
        return False
    shares = halves / lengths
    shares[up] = 1.0 - shares[up]
    spread = max(train.share, shares.max()) - min(train.share, shares.min())
    if (
        (seen - moments[1:-1]).max() > SURE * _due(0.0, shortest)
        or longest - shortest > SURE * max(ALIKE * shortest, ALIKE_PAIRS)
        or spread > SURE * max(SHARE_ALIKE, 2 * ALIKE_PAIRS / longest)
    ):
        return False
    period, share = train.period, train.share
    for length, up_share in zip(lengths.tolist(), shares.tolist(), strict=True):
        period += (length - period) / 8
        share += (up_share - share) / 8
    train.period, train.share, train.last = period, share, float(at[-1])
    train.up_time = float(np.cumsum(np.concatenate(([train.up_time], halves[~up])))[-1])
    return True
