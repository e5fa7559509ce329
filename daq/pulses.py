"""Frequency and duty of the longest pulsed stretch."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from daq.findings import Pwm
from daq.pulse_sums import PLACES
from daq.stretches import Pair, Period, Train, on_while_up

LEAST_PAIRS_A_PERIOD = 4.0  # above a quarter of the sample rate neither frequency nor duty is given
TOO_FAST = (
    "Pulsed, but too fast for this sample rate to measure frequency and duty, or to tell short gaps: "
    "record at a higher rate."
)
PERIODS_APART = 6.0
ALIKE = 0.03
ONE_BEAT = 0.01  # trains that make the period differ more than this are not pieces of one
TRAINS_MOST = 64
CLEAR_OF_EDGE = 0.15  # pairs, beside what a place in the period is wide
APART = 0.5  # pairs
SETTLED = 3.0  # pairs after an edge the low-pass has settled, undone or not
SETTLED_SHARE = 0.55  # of a phase too short for that, so much is left out
SHORT = 6.0  # pairs: in a phase as short as this the level must be seen to stand still
STILL_UV = 20_000
MOVES = 0.04  # of the swing, in a longer one
LEAST_PAIRS_A_PHASE = 2.2
SAMPLES_LEAST = 6
FIRST_PAIRS = 0.8
FIRST_SHARE = 0.1  # of a phase
LATE_SHARE = 0.5

Shown = tuple[float | None, float | None]  # levels of both leads, µV, where they can be told


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
    period = _period_of(longest)
    if period < LEAST_PAIRS_A_PERIOD:
        return None, TOO_FAST
    return Pwm(rate_hz / period, duty_of(longest)), ""


def _period_of(trains: Sequence[Train]) -> float:
    """The period of trains that are pieces of one: from the first to the last, if all keep one beat."""
    mean = sum(t.period * t.periods for t in trains) / sum(t.periods for t in trains)
    told = [t for t in trains if t.beats[1]]
    if len(told) < 2:
        return mean
    usual = max(told, key=lambda t: t.periods).period
    count, period = 0.0, usual
    for before, then in pairwise(t.beats for t in told):
        # the mean of n beats is that of number (n - 1) / 2: a whole number of periods, or half of one more
        half = (then[1] - before[1]) / 2
        count += round((then[0] - before[0]) / period - half) + half
        period = (then[0] - told[0].beats[0]) / count
        if abs(period - usual) > ONE_BEAT * usual:
            return mean
    return period


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


def duty_of(trains: Sequence[Train]) -> float:
    """Part of the time the load is on: from the drive's own edges in the mean period."""
    weight = [t.end - t.start for t in trains]
    return float(np.average([_duty(t) for t in trains], weights=weight))


def _duty(train: Train) -> float:
    if train.mean_period is not None:
        return train.mean_period.duty
    return train.up_share if on_while_up(train.up, train.down) else 1.0 - train.up_share


def train_levels(train: Train, on: Pair, off: Pair) -> tuple[Shown, Shown]:
    """Levels of both leads driven, and late in the pause; `on` and `off` are the train's mean levels."""
    if train.from_levels:
        return on, off
    if train.mean_period is None:
        return (None, None), (None, None)
    return on_levels(train.mean_period), pause_levels(train.mean_period)


def on_levels(period: Period) -> Shown:
    """Both leads while driven, edges left out; None where the pulses are too short to show it."""
    return _shown(period, period.rise, period.fall, 1.0)


def pause_levels(period: Period) -> Shown:
    """Both leads late in the pause, when a coil's current has died away if it does so at all."""
    return _shown(period, period.fall, period.rise + period.pairs, LATE_SHARE)


def rough_levels(period: Period) -> Shown:
    """Both leads at the top of pulses too short to settle: as good as the low-pass is known; None below one
    pair, where the top is never reached."""
    return _means(period, period.rise + 1.0, period.fall)


def break_levels(period: Period) -> Shown:
    """Both leads just after the drive has let go: where a coil's kick stands."""
    return _first(period, period.fall, period.rise + period.pairs)


def make_levels(period: Period) -> Shown:
    """Both leads just after the drive has made, before a coil's current has risen."""
    return _first(period, period.rise, period.fall)


def _first(period: Period, start: float, end: float) -> Shown:
    first = start + 1.0 + CLEAR_OF_EDGE + period.pairs / (2 * PLACES)
    return _means(period, first, min(end, first + max(FIRST_PAIRS, FIRST_SHARE * (end - start))))


def _shown(period: Period, start: float, end: float, share: float) -> Shown:
    """Mean levels of a phase, or of its last `share`, where they stand still as well as may be asked.

    In a short phase that shows whether the low-pass was undone rightly; in a long one a current may rise and
    fall, but pulses that widen all the time leave no level in their mean.
    """
    length = end - start
    if length < LEAST_PAIRS_A_PHASE:
        return None, None
    place = period.pairs / PLACES
    clear = CLEAR_OF_EDGE + place / 2
    first = start + max(1.0 + clear, min(SETTLED, SETTLED_SHARE * length), (1.0 - share) * length)
    # where periods fit the sample clock every sample came clearly before or after the edge
    last = end if np.max(np.diff(period.at), initial=0.0) > max(APART, 1.5 * place) else end - clear
    means = _means(period, first, last)
    middle = (first + last) / 2
    halves = zip(_means(period, first, middle), _means(period, middle, last), strict=True)
    allowed = STILL_UV if length < SHORT else max(STILL_UV, MOVES * float(np.ptp(period.levels)))
    still = [a is not None and b is not None and abs(a - b) < allowed for a, b in halves]
    return (means[0] if still[0] else None), (means[1] if still[1] else None)


def _means(period: Period, first: float, last: float) -> Shown:
    inside = period.inside(first, last) if last > first else np.zeros(len(period.at), dtype=np.bool_)
    counts = period.counts[inside]
    if counts.sum() < SAMPLES_LEAST:
        return None, None
    means = (period.levels[inside] * counts[:, None]).sum(axis=0) / counts.sum()
    return float(means[0]), float(means[1])
