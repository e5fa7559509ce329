"""Frequency and duty of the longest pulsed stretch."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from daq.findings import Pwm
from daq.labels import difference
from daq.stretches import HISTOGRAM_BINS, Stretch, Train
from daq.switching import Switching

LEAST_PAIRS_A_PERIOD = 4.0  # above a quarter of the sample rate neither frequency nor duty is given
PERIODS_APART = 4.0
ALIKE = 0.02


def pwm_of(stretches: Sequence[Stretch], switching: Switching, rate_hz: float) -> tuple[Pwm | None, str]:
    """(the longest pulsed stretch, what to say when it cannot be measured)."""
    trains = [s for s in stretches if isinstance(s, Train)]
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
    counts = np.sum([t.difference for t in trains], axis=0)
    if not positive:
        counts = counts[::-1]
    threshold = _under_on_level(counts)
    share = float(counts[threshold:].sum() / counts.sum())
    weight = [t.end - t.start for t in trains]
    crossed = float(np.average([t.up_share for t in trains], weights=weight))
    crossed = crossed if positive else 1.0 - crossed
    return crossed if abs(share - crossed) < 0.08 else share


def _under_on_level(counts: np.ndarray[tuple[int, ...], np.dtype[np.int64]]) -> int:
    """The emptiest place between the on level and 0.4 of it."""
    total = int(counts.sum())
    above = np.cumsum(counts[::-1])[::-1]
    on_level = int(np.flatnonzero(above >= max(1, 0.02 * total))[-1])
    zero = HISTOGRAM_BINS // 2
    lowest = zero + round(0.4 * (on_level - zero))
    highest = zero + round(0.92 * (on_level - zero))
    if highest - lowest < 3:
        return (zero + on_level) // 2
    smooth = np.convolve(counts[lowest : highest + 1], np.ones(3), mode="same")
    least = np.flatnonzero(smooth <= smooth.min() + 0.001 * total)
    return lowest + int(least[len(least) // 2])


