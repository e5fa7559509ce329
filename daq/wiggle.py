"""The wiggle test: wires are bent by hand while both leads are watched for the shortest departure.

Pure: the trace's bins go in, each with its lowest and highest sample, so that one sample that departs counts.
The baseline is the median of a second whose halves are alike; a lead departs where a sample is further from
it than all of that second was, by a margin, and until it has been back for a moment: a bouncing contact
counts once.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from daq.samples import Volts
from daq.trace import TraceRing

BASE_S = 1.0
MARGIN_V = 0.3
MARGIN_OF_SOURCE = 0.03
BACK_S = 0.02
"""A lead must be back for so long before it can depart anew (s)."""

KEPT = 50


@dataclass(frozen=True, slots=True)
class Departure:
    """One departure: when (s on the trace's clock), which lead, how far (V, signed), how long so far."""

    at_s: float
    lead: int
    volts: float
    lasts_s: float
    way: str  # "fell" or "rose"
    to_v: float  # how far it went, V


@dataclass
class _Lead:
    low_v: float
    high_v: float
    base_v: float
    since: int | None = None  # bin in which the open departure began
    last: int = 0  # last bin that was away
    far_v: float = 0.0
    way: str = ""


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
        return tuple(n for n, lead in enumerate(self._leads, 1) if lead.since is not None)

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
            _Lead(lowest - margin, highest + margin, float(base[lead]))
            for lead, (lowest, highest) in enumerate(self.spans)
        ]
        self.baseline = self._leads[0].base_v, self._leads[1].base_v
        self._next = end

    def _follow(self, number: int, first: int, low: Volts, high: Volts, bin_s: float) -> None:
        """Open, prolong and close departures of one lead."""
        lead = self._leads[number]
        below, above = low < lead.low_v, high > lead.high_v  # never true where nothing was sampled
        for at in np.flatnonzero(below | above):
            far = _farther(
                low[at] - lead.base_v if below[at] else 0.0, high[at] - lead.base_v if above[at] else 0.0
            )
            here = first + int(at)
            if lead.since is None or (here - lead.last) * bin_s > BACK_S:
                self._open(number, here, far, bin_s)
            elif abs(far) > abs(lead.far_v):
                lead.far_v = far
            lead.last = here
            self._note(number, bin_s)
        if lead.since is not None and (first + len(low) - lead.last) * bin_s > BACK_S:
            lead.since = None

    def _open(self, number: int, here: int, far: float, bin_s: float) -> None:
        lead = self._leads[number]
        lead.since, lead.last, lead.far_v = here, here, far
        lead.way = "rose" if far > 0 else "fell"
        departure = Departure(here * bin_s, number + 1, far, bin_s, lead.way, lead.base_v + far)
        self.departures.append(departure)
        key = (number + 1, departure.way)
        self.counts[key] = self.counts.get(key, 0) + 1

    def _note(self, number: int, bin_s: float) -> None:
        """The open departure of this lead as it is by now."""
        lead = self._leads[number]
        assert lead.since is not None
        lasts_s = (lead.last - lead.since + 1) * bin_s
        to_v = lead.base_v + lead.far_v
        now = Departure(lead.since * bin_s, number + 1, lead.far_v, lasts_s, lead.way, to_v)
        for place, old in enumerate(self.departures):
            if (old.lead, old.at_s) == (now.lead, now.at_s):
                self.departures[place] = now
        if self.largest is None or abs(now.volts) >= abs(self.largest.volts):
            self.largest = now


def _alike(low: Volts, high: Volts, margin: float) -> bool:
    """Whether both halves reach as low and as high: those of pulses do, not of a lead that was moved."""
    half = len(low) // 2
    apart = [
        np.abs(low[:half].min(axis=0) - low[half:].min(axis=0)).max(),
        np.abs(high[:half].max(axis=0) - high[half:].max(axis=0)).max(),
    ]
    return float(max(apart)) <= margin


def _farther(down: float, up: float) -> float:
    return float(down if -down > up else up)
