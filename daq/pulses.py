"""Frequency and duty of the longest pulsed stretch."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from daq.findings import Pwm
from daq.labels import difference
from daq.stretches import HISTOGRAM_BINS, Train

LEAST_PAIRS_A_PERIOD = 4.0  # above a quarter of the sample rate neither frequency nor duty is given
PERIODS_APART = 6.0
ALIKE = 0.03
TRAINS_MOST = 64


def keep_longest(trains: Sequence[Train]) -> list[Train]:
    """The longest trains, in order of time: enough to tell the longest pulsed stretch."""
    if len(trains) <= TRAINS_MOST:
        return list(trains)
    longest = sorted(trains, key=lambda t: t.start - t.end)[: TRAINS_MOST // 2]
    return sorted(longest, key=lambda t: t.start)


def pwm_of(trains: Sequence[Train], rate_hz: float) -> tuple[Pwm | None, str]:
    """(the longest pulsed stretch, what to say when it cannot be measured)."""
    if not trains:
        return None, ""
    longest = max(_groups(trains), key=lambda g: g[-1].end - g[0].start)
    period = sum(t.period * t.periods for t in longest) / sum(t.periods for t in longest)
    if period < LEAST_PAIRS_A_PERIOD:
        return None, "Pulsed, but too fast for this sample rate to measure frequency and duty."
    main = max(longest, key=lambda t: t.end - t.start)
    return Pwm(rate_hz / period, duty_of(longest, _positive(main))), ""


def _groups(trains: Sequence[Train]) -> list[list[Train]]:
    """Trains that follow each other with the same period are one stretch."""
    groups: list[list[Train]] = []
    for t in trains:
        last = groups[-1][-1] if groups else None
        near = last is not None and t.start - last.end < PERIODS_APART * t.period
        if near and last is not None and abs(t.period - last.period) < ALIKE * t.period + 0.1:
            groups[-1].append(t)
        else:
            groups.append([t])
    return groups


def _positive(train: Train) -> bool:
    return abs(difference(train.up)) >= abs(difference(train.down))


def duty_of(trains: Sequence[Train], positive: bool) -> float:
    """Part of the time the load is on.

    Between two clear levels the crossings tell it best. A motor's off phase sits at its own voltage,
    above the middle: there the time above a threshold just under the on level is counted instead.
    """
    weight = [t.end - t.start for t in trains]
    crossed = [t.up_share if positive else 1.0 - t.up_share for t in trains]
    counted = [_share_on(t.difference if positive else t.difference[::-1]) for t in trains]
    shares = [c if abs(c - n) < 0.08 else n for c, n in zip(crossed, counted, strict=True)]
    return float(np.average(shares, weights=weight))


def _share_on(counts: npt.NDArray[np.int64]) -> float:
    """Part of the samples above the valley between the on level and the next lower one."""
    total = int(counts.sum())
    above = np.cumsum(counts[::-1])[::-1]
    top = int(np.flatnonzero(above >= max(1, 0.005 * total))[-1])
    zero = HISTOGRAM_BINS // 2
    height = max(4, top - zero)
    smooth = np.convolve(counts, np.ones(3), mode="same")
    on_low = top - max(2, round(0.12 * height))
    on_level = on_low + int(np.argmax(smooth[on_low : top + 1]))
    below = on_level - max(2, round(0.08 * height))
    lower = zero - height // 4 + int(np.argmax(smooth[zero - height // 4 : below]))
    between = smooth[lower : on_level + 1]
    least = np.flatnonzero(between <= between.min() + 0.001 * total)
    valley = lower + int(least[len(least) // 2])
    return float(counts[valley:].sum() / total)
