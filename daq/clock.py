"""The device's clock against the computer's, from (pair counter, arrival) anchors. Pure.

Bytes arrive late by a varying amount and never early. So the earliest arrival of each bin is given, and
slopes are medians over pairs of anchors half a stretch apart (Theil 1950, Sen 1968, thinned to far pairs:
their error is divided by the long distance). Least squares would follow the late ones. Ceramic
resonators drift by 300 ppm while they warm up: the fit is piecewise, with a knot every 10 s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

KNOT_S = 10.0
REACH_S = 20.0  # of a knot's surroundings: enough anchors at the ends too, and still a straight line
LEAST_ANCHORS = 4
SLOWEST = 0.5  # of nominal, host time a pair: below it (or above its inverse) one of the clocks stood still

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Anchor:
    """By `arrival_ns` on the host's clock, the device had taken `counter` pairs of its run, lost ones
    included. To be the earliest of a bin of a second or two (see `clock_notes`)."""

    counter: int
    arrival_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class ClockFit:
    """Host time of a pair counter, linear between knots and beyond them.

    `ppm` is how much faster than nominal the device's clock ran over all.
    """

    counters: Floats
    host_s: Floats  # seconds from `origin_ns`
    origin_ns: int
    ppm: float

    def host_ns(self, counter: float) -> int:
        """When the pair was there, on the host's clock, less the shortest delay of the line."""
        at = int(np.clip(np.searchsorted(self.counters, counter) - 1, 0, len(self.counters) - 2))
        x0, x1 = self.counters[at : at + 2]
        y0, y1 = self.host_s[at : at + 2]
        seconds = float(y0 + (counter - x0) * (y1 - y0) / (x1 - x0))
        return self.origin_ns + round(seconds * 1e9)


def fit_clock(anchors: Sequence[Anchor], rate_hz: float) -> ClockFit | None:
    """Fit one run's anchors, in order of arrival. Cost: n log n.

    None with fewer than four, and for what no pair of clocks says (a file may hold anything): a counter
    that does not rise, a clock that stands still.
    """
    if len(anchors) < LEAST_ANCHORS:
        return None
    origin_ns = anchors[0].arrival_ns
    counters = np.array([a.counter for a in anchors], dtype=np.float64)
    nominal = counters / rate_hz
    if np.any(np.diff(nominal) <= 0):
        return None
    late = np.array([a.arrival_ns - origin_ns for a in anchors], dtype=np.float64) * 1e-9 - nominal
    slope = _far_slope(nominal, late)
    if not _runs(slope):
        return None
    span = nominal[-1] - nominal[0]
    knots = np.linspace(nominal[0], nominal[-1], max(2, min(len(anchors), round(span / KNOT_S) + 1)))
    overall = float(np.min(late - slope * nominal)), slope
    offsets = np.array([_offset_at(knot, nominal, late, overall) for knot in knots])
    return ClockFit(knots * rate_hz, knots + offsets, origin_ns, ppm=-slope / (1 + slope) * 1e6)


def _runs(slope: float) -> bool:
    return SLOWEST < 1 + slope < 1 / SLOWEST


def _far_slope(at: Floats, late: Floats) -> float:
    """Median slope over pairs half the stretch apart."""
    half = len(at) // 2
    run = at[half:] - at[: len(at) - half]
    return float(np.median((late[half:] - late[: len(at) - half]) / run))


def _offset_at(knot: float, at: Floats, late: Floats, overall: tuple[float, float]) -> float:
    """The earliest lateness at a knot, by the slope of the knot's own surroundings.

    `overall`: lateness at 0 and slope of all anchors, for where there are too few or they say nothing.
    """
    middle = max(at[0] + REACH_S, min(knot, at[-1] - REACH_S))  # as many anchors at the ends as elsewhere
    low, high = np.searchsorted(at, (middle - REACH_S, middle + REACH_S))
    near, lates = at[low:high], late[low:high]
    slope = _far_slope(near, lates) if len(near) >= LEAST_ANCHORS else -1.0
    if not _runs(slope):
        return overall[0] + overall[1] * knot
    return float(np.min(lates - slope * (near - knot)))
