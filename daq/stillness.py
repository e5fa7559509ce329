"""Whether both leads stand still, and what they read then.

From the bins of the trace, so that a single sample that departs is seen, whatever the plug and the bias.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from daq.pulse_look import on_levels
from daq.samples import Volts
from daq.trace import TraceRing

WINDOW_S = 0.5
"""Long enough for hum and ripple to pass many times, short enough to hold a hand still (s)."""

STILL_V = 0.3
STILL_OF_LEVEL = 0.04
"""A lead whose samples stay within this much of each other stands still: generator ripple passes."""


@dataclass(frozen=True, slots=True)
class Look:
    """Both leads over a window, V.

    Attributes:
        begin_s, end_s: of the window, on the trace's own clock (s from its first sample).
        volts: median; mean: as a meter that averages would read.
        error_v: standard error of the median.
        low_v, high_v: the lowest and the highest sample.
        lost: time was lost in the window.
        on_v: the levels while on, where they pulse in an even beat.
    """

    begin_s: float
    end_s: float
    volts: tuple[float, float]
    mean: tuple[float, float]
    error_v: tuple[float, float]
    low_v: tuple[float, float]
    high_v: tuple[float, float]
    lost: bool = False
    on_v: tuple[float, float] | None = None

    @property
    def levels(self) -> tuple[float, float]:
        """What a reading takes: of pulses the levels while on, of anything else that moves the mean."""
        if self.still:
            return self.volts
        return self.on_v or self.mean

    @property
    def still(self) -> bool:
        return not self.lost and all(
            high - low <= max(STILL_V, STILL_OF_LEVEL * abs(volts))
            for volts, low, high in zip(self.volts, self.low_v, self.high_v, strict=True)
        )


def clock_s(ring: TraceRing) -> float:
    """The trace's own time of its newest bin; 0 before there is any."""
    return ring.bins * ring.bin_pairs / ring.rate_hz if ring.rate_hz else 0.0


def look(ring: TraceRing, window_s: float = WINDOW_S) -> Look | None:
    """The latest `window_s` of whole bins; None while there is less than that.

    The standard error of a median of n values is 1.2533 sigma / sqrt(n) for normal noise (textbook result);
    sigma is that of the bins' middles, from their quartiles.
    """
    if not ring.rate_hz:
        return None
    bin_s = ring.bin_pairs / ring.rate_hz
    last = ring.bins - 1  # the newest may still grow
    count = round(window_s / bin_s)
    if count < 1 or last < count:
        return None
    seen = ring.columns(last - count, last, 1)
    whole = ~np.isnan(seen.low[:, 0])
    if not whole.any():
        return None
    low, high = seen.low[whole], seen.high[whole]
    middle = (low + high) / 2
    upper, lower = np.quantile(middle, (0.75, 0.25), axis=0)
    error = 1.2533 * (upper - lower) / 1.349 / math.sqrt(len(middle))
    lost = bool(seen.lost.any() or not whole.all())
    found = Look(
        (last - count) * bin_s,
        last * bin_s,
        _pair(np.median(middle, axis=0)),
        _pair(middle.mean(axis=0)),
        _pair(error),
        _pair(low.min(axis=0)),
        _pair(high.max(axis=0)),
        lost,
    )
    return found if found.still or lost else replace(found, on_v=on_levels(low, high))


def _pair(values: Volts) -> tuple[float, float]:
    return float(values[0]), float(values[1])
