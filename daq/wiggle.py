"""The wiggle test: wires are bent by hand while both leads are watched for the shortest departure.

Pure: the trace's bins go in, each with its lowest and highest sample, so that one sample that departs counts.
The baseline is the median of a second whose halves are alike; a lead departs where a sample is further from
it than all of that second was, by a margin, and until it has been back for a moment: a bouncing contact
counts once. A lead that pulsed in that second departs, too, where it rests for several of its periods.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from daq.samples import Volts
from daq.trace import TraceRing

Bins = npt.NDArray[np.int_]

BASE_S = 1.0
MARGIN_V = 0.3
MARGIN_OF_SOURCE = 0.03
BACK_S = 0.02
"""A lead must be back for so long before it can depart anew (s)."""

PULSES_V = 1.0
"""A lead whose samples lie farther apart than this in the baseline moves by itself (V)."""

PULSES_LEAST = 3  # in the baseline, or their beat is not known
MISSING = 3.0  # periods without a pulse: a driver that skips one is no contact

KEPT = 50
FED_V = 3.1
"""A lead below this is not fed: the logger's own whisper lifts one that nothing holds to 3.05 V at most."""


@dataclass(frozen=True, slots=True)
class Departure:
    """One departure: when (s on the trace's clock), which lead, how far (V, signed), how long so far."""

    at_s: float
    lead: int
    volts: float
    lasts_s: float
    way: str  # "fell", "rose", "moved" (both ways) or "stopped" (pulsing)
    to_v: float  # how far it went, V; where it rests that pulsed
    other_v: float | None = None  # how far the other way, V, where it went both


@dataclass
class _Beat:
    """The two ends between which a lead pulses. `most` bins without a visit at one of them: it rests."""

    ends_v: tuple[float, float]
    most: int
    seen: list[int]  # last bin at the lower, at the upper end
    since: int | None = None  # bin since which it rests
    end: int = 0  # the end that it does not come to
    shown: Departure | None = None

    def visits(self, low: Volts, high: Volts) -> tuple[Bins, Bins]:
        """The bins at the lower end, and at the upper: within a quarter of the way."""
        quarter = (self.ends_v[1] - self.ends_v[0]) / 4
        return np.flatnonzero(low < self.ends_v[0] + quarter), np.flatnonzero(high > self.ends_v[1] - quarter)


@dataclass
class _Lead:
    low_v: float
    high_v: float
    base_v: float
    beat: _Beat | None = None
    since: int | None = None  # bin in which the open departure began
    last: int = 0  # last bin that was away
    down_v: float = 0.0  # how far from the base, each way
    up_v: float = 0.0
    shown: Departure | None = None  # the open departure, as it was last


@dataclass
class Wiggle:
    """Give it the trace again and again; `departures` are the latest, `counts` those of each lead and way."""

    baseline: tuple[float, float] | None = None
    spans: tuple[tuple[float, float], ...] = ()  # lowest and highest of each lead in the baseline, V
    counts: dict[tuple[int, str], int] = field(default_factory=dict)
    largest: Departure | None = None
    departures: deque[Departure] = field(default_factory=lambda: deque(maxlen=KEPT))
    _leads: list[_Lead] = field(default_factory=list)
    _next: int | None = None  # bin to be looked at next
    _from: int | None = None  # first bin of the baseline

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    @property
    def away(self) -> tuple[int, ...]:
        """The leads that are away now."""
        return tuple(
            n
            for n, lead in enumerate(self._leads, 1)
            if lead.since is not None or (lead.beat is not None and lead.beat.since is not None)
        )

    @property
    def is_unfed(self) -> bool:
        """Whether no lead of the baseline is fed: an open in the feed would change nothing."""
        return self.baseline is not None and max(self.baseline) < FED_V

    @property
    def pulses(self) -> tuple[bool | None, ...]:
        """Whether each lead pulses in a beat that is watched; None: it moves, in no beat that is known."""
        wide = [high - low > PULSES_V for low, high in self.spans]
        return tuple(
            (True if lead.beat else None) if moves else False
            for lead, moves in zip(self._leads, wide, strict=True)
        )

    def anew(self) -> None:
        """Forget everything; the next second is the baseline."""
        self.baseline, self.largest, self._next, self._from = None, None, None, None
        self.counts, self._leads, self.spans = {}, [], ()
        self.departures.clear()

    def watch(self, ring: TraceRing) -> int:
        """Look at all whole bins since the last time; the number of departures that began in them."""
        if not ring.rate_hz:
            return 0
        bin_s = ring.bin_pairs / ring.rate_hz
        end = ring.bins - 1
        if self._next is None:
            self._begin(ring, end, bin_s)
            return 0
        if end < self._next:  # the trace began anew, with another rate
            self.anew()
            return 0
        first, self._next = self._next, end
        if end == first:
            return 0
        seen = ring.columns(first, end, 1)
        before = self.total
        for number in range(2):
            self._follow(number, first, seen.low[:, number], seen.high[:, number], bin_s)
            self._rests(number, first, seen.low[:, number], seen.high[:, number], bin_s)
        return self.total - before

    def _begin(self, ring: TraceRing, end: int, bin_s: float) -> None:
        """Hold the baseline once a second has gone by in which nothing was moved."""
        if self._from is None:
            self._from = end
        if (end - self._from) * bin_s < BASE_S:
            return
        seen = ring.columns(self._from, end, 1)
        low, high = np.nan_to_num(seen.low), np.nan_to_num(seen.high)
        base = np.median((low + high) / 2, axis=0)
        margin = max(MARGIN_V, MARGIN_OF_SOURCE * float(np.abs(base).max()))
        if not _alike(low, high, margin):
            self._from = end
            return
        self.spans = tuple((float(low[:, lead].min()), float(high[:, lead].max())) for lead in range(2))
        self._leads = [
            _Lead(
                lowest - margin,
                highest + margin,
                float(base[lead]),
                _beat(seen.low[:, lead], seen.high[:, lead], self._from, bin_s),
            )
            for lead, (lowest, highest) in enumerate(self.spans)
        ]
        self.baseline = self._leads[0].base_v, self._leads[1].base_v
        self._next = end

    def _follow(self, number: int, first: int, low: Volts, high: Volts, bin_s: float) -> None:
        """Open, prolong and close departures of one lead."""
        lead = self._leads[number]
        below, above = low < lead.low_v, high > lead.high_v  # never true where nothing was sampled
        for at in np.flatnonzero(below | above):
            here = first + int(at)
            if lead.since is None or (here - lead.last) * bin_s > BACK_S:
                lead.since, lead.down_v, lead.up_v, lead.shown = here, 0.0, 0.0, None
            if below[at]:
                lead.down_v = min(lead.down_v, float(low[at]) - lead.base_v)
            if above[at]:
                lead.up_v = max(lead.up_v, float(high[at]) - lead.base_v)
            lead.last = here
            self._note(lead, number, bin_s)
        if lead.since is not None and (first + len(low) - lead.last) * bin_s > BACK_S:
            lead.since = None

    def _note(self, lead: _Lead, number: int, bin_s: float) -> None:
        """The open departure of this lead as it is by now."""
        assert lead.since is not None
        far, other = (lead.down_v, lead.up_v) if -lead.down_v > lead.up_v else (lead.up_v, lead.down_v)
        way = "moved" if other else "rose" if far > 0 else "fell"
        lasts_s = (lead.last - lead.since + 1) * bin_s
        other_v = lead.base_v + other if other else None
        now = Departure(lead.since * bin_s, number + 1, far, lasts_s, way, lead.base_v + far, other_v)
        lead.shown = self._put(now, lead.shown)

    def _put(self, now: Departure, before: Departure | None) -> Departure:
        """A departure as it is by now, in place of what it was `before`."""
        if before is None:
            self.departures.append(now)
        else:
            self._count(before, -1)
            if before in self.departures:
                self.departures[self.departures.index(before)] = now
        self._count(now, 1)
        if self.largest is None or self.largest is before or abs(now.volts) >= abs(self.largest.volts):
            self.largest = now
        return now

    def _count(self, one: Departure, by: int) -> None:
        key = (one.lead, one.way)
        self.counts[key] = self.counts.get(key, 0) + by
        if not self.counts[key]:
            del self.counts[key]

    def _rests(self, number: int, first: int, low: Volts, high: Volts, bin_s: float) -> None:
        """Where a lead that pulsed does not come to one of its ends for several periods."""
        beat = self._leads[number].beat
        if beat is None:
            return
        lost = np.flatnonzero(np.isnan(low))
        if len(lost):  # nobody saw what it did meanwhile
            after = int(lost[-1]) + 1
            first, low, high = first + after, low[after:], high[after:]
            beat.seen[:] = [first, first]
            beat.since = beat.shown = None
        if not len(low):
            return
        until = first + len(low)
        for end, visits in enumerate(beat.visits(low, high)):
            if beat.since is not None and beat.end != end:
                beat.seen[end] = first + int(visits[-1]) if len(visits) else beat.seen[end]
                continue
            for here in (*(first + int(visit) for visit in visits), until):
                if here - beat.seen[end] > beat.most:
                    beat.since, beat.end = beat.seen[end], end
                    at = max(here - first - 1, 0)
                    level, lasts_s = float(low[at] + high[at]) / 2, (here - beat.since) * bin_s
                    far = beat.ends_v[1 - end] - beat.ends_v[end]  # the swing that is missing
                    now = Departure(beat.since * bin_s, number + 1, far, lasts_s, "stopped", level)
                    beat.shown = self._put(now, beat.shown)
                if here < until:
                    beat.seen[end] = here
                    if beat.end == end:
                        beat.since, beat.shown = None, None


def _beat(low: Volts, high: Volts, first: int, bin_s: float) -> _Beat | None:
    """Between what the lead pulsed in the baseline, and how long it may rest; None where it does not."""
    ends = float(low.min()), float(high.max())
    if ends[1] - ends[0] <= PULSES_V:
        return None
    beat = _Beat(ends, 0, [0, 0])
    visits = beat.visits(low, high)
    if _pulses(*visits) < PULSES_LEAST:
        return None
    apart = max(int(np.diff(np.concatenate(([-1], v, [len(low)]))).max()) for v in visits)
    beat.most = max(round(MISSING * apart), round(BACK_S / bin_s))
    beat.seen = [first + int(v[-1]) for v in visits]
    return beat


def _pulses(lower: Bins, upper: Bins) -> int:
    """How often a lead went from one end to the other and back."""
    ends = np.repeat((0, 1), (len(lower), len(upper)))
    in_turn = ends[np.argsort(np.concatenate((lower, upper)), kind="stable")]
    return int(np.count_nonzero(np.diff(in_turn))) // 2


def _alike(low: Volts, high: Volts, margin: float) -> bool:
    """Whether both halves reach as low and as high: those of pulses do, not of a lead that was moved."""
    half = len(low) // 2
    apart = [
        np.abs(low[:half].min(axis=0) - low[half:].min(axis=0)).max(),
        np.abs(high[:half].max(axis=0) - high[half:].max(axis=0)).max(),
    ]
    return float(max(apart)) <= margin
