"""Spikes on a level that goes on: ignition noise cuts no stretch.

A spark every 20 ms would make thousands of stretches a minute that `glue` joins again, one by one. Where the
leads read the same for 2 ms before and after a fast zone of at most 4 ms, and the load voltage did not leave
its level in between, the zone is none: its pairs read as the level around it. All else is left to `glue`,
which asks the same of whole stretches.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.crossings import BOTTOM_UV, MICRO_LIMIT
from daq.per_window import PerWindow
from daq.stretches import RANGE_UV, Raw

APART_S = 0.004  # the longest that a level may be interrupted and still be one
EQUAL_OF_SOURCE = 0.015
EQUAL_LEAST_UV = 40_000
LEFT_OF_D = 0.385
"""Of the load voltage: a gap of half depth and half a millisecond, sampled at its worst, leaves by 0.42 less
ripple."""

OFF_OF_SOURCE = 0.15  # below it a load is off, on any scale that `glue` may have

QUIET_S = 0.002
LEAST_HZ = 1000.0  # slower, a spike and a dropout look alike

Flags = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]


class Spikes:
    """Finds them in pairs that begin and end `around` pairs beyond those asked about.

    Args:
        shortest: pairs of a steady stretch, at least.
    """

    def __init__(self, rate_hz: float, shortest: int) -> None:
        self._shortest = shortest
        self._rare = rate_hz < LEAST_HZ
        self._quiet = max(shortest, round(QUIET_S * rate_hz))
        self._longest = max(2, int(APART_S * rate_hz))
        self.around = 0 if self._rare else self._quiet + self._longest

    def calmed(self, raw: Raw, in_zone: Flags, half: PerWindow, first: int) -> tuple[Flags, Raw]:
        """Without the spikes: `in_zone` (n,) and `raw` (n, 2), or the very same where there are none.

        Args:
            half: half of the source scale; infinite while no source was seen.
            first: the first of these pairs, as `half` counts them.
        """
        if self._rare or not in_zone.any():
            return in_zone, raw
        turns = np.flatnonzero(np.diff(in_zone, prepend=False, append=False))
        starts, ends = turns[::2], turns[1::2]
        apart = starts[1:] - ends[:-1] >= self._shortest  # a short pause inside a zone is part of it
        starts, ends = starts[np.r_[True, apart]], ends[np.r_[apart, True]]
        starts, ends = self._alone(starts, ends, len(raw))
        levels, same = self._on_a_level(raw, starts, ends, 2 * half.of_each(starts + first))
        starts, ends, levels = starts[same], ends[same], levels[same]
        if not len(starts):
            return in_zone, raw
        stay = _inside_rails(raw, starts, ends, levels, half, first)
        if not stay.any():
            return in_zone, raw
        starts, lengths, levels = starts[stay], (ends - starts)[stay], np.rint(levels[stay]).astype(np.int32)
        pairs, _ = _pairs_of(starts, lengths)
        in_zone, raw = in_zone.copy(), raw.copy(order="K")
        in_zone[pairs] = False
        for lead in (0, 1):
            raw[pairs, lead] = np.repeat(levels[:, lead], lengths)
        return in_zone, raw

    def _alone(self, starts: Places, ends: Places, n: int) -> tuple[Places, Places]:
        """Short zones with quiet on either side."""
        before = starts - np.concatenate(([0], ends[:-1]))
        after = np.concatenate((starts[1:], [n])) - ends
        alone = (before >= self._quiet) & (after >= self._quiet) & (ends - starts <= self._longest)
        return starts[alone], ends[alone]

    def _on_a_level(
        self, raw: Raw, starts: Places, ends: Places, source: Floats
    ) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """(k, 2) the level around each zone, and whether it is the same before and after."""
        beside = np.arange(self._quiet)
        before, after = (
            np.stack([raw[:, lead].take(pairs).mean(axis=1) for lead in (0, 1)], axis=1)
            for pairs in (starts[:, None] - 1 - beside, ends[:, None] + beside)
        )
        equal = np.maximum(EQUAL_OF_SOURCE * source, EQUAL_LEAST_UV)
        same = (np.abs(before - after) <= equal[:, None]).all(axis=1) & np.isfinite(source)
        return (before + after) / 2, same


def _inside_rails(
    raw: Raw, starts: Places, ends: Places, levels: Floats, half: PerWindow, first: int
) -> Flags:
    """Which zones never left the range, and whose load voltage, within the rails, stayed at its level.

    The pair before and the pair after a zone count as well.
    """
    pairs, begins = _pairs_of(starts - 1, ends - starts + 2)
    one, two = raw[pairs, 0], raw[pairs, 1]
    low = np.minimum.reduceat(np.minimum(one, two), begins)
    high = np.maximum.reduceat(np.maximum(one, two), begins)
    within = (low > RANGE_UV[0]) & (high < RANGE_UV[1])
    top = np.minimum(1.02 * 2 * half.of_each(pairs + first), MICRO_LIMIT)
    d = np.clip(one, BOTTOM_UV, top) - np.clip(two, BOTTOM_UV, top)
    level, source = levels[:, 0] - levels[:, 1], 2 * half.of_each(starts + first)
    limit = LEFT_OF_D * np.where(np.abs(level) < OFF_OF_SOURCE * source, source, np.abs(level))
    lowest, highest = np.minimum.reduceat(d, begins), np.maximum.reduceat(d, begins)
    return np.asarray(within & (level - lowest < limit) & (highest - level < limit))


def _pairs_of(starts: Places, lengths: Places) -> tuple[Places, Places]:
    """All pairs of these runs one after the other, and where among them each run begins."""
    begins = np.cumsum(lengths) - lengths
    return np.arange(int(lengths.sum())) + np.repeat(starts - begins, lengths), begins
