"""What a load's states are called, and the scale that its levels are held against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from daq.crossings import SOURCE_LEAST_UV, UV
from daq.stretches import Pair, Steady, Stretch, Train

SETTLED_S = 0.020
SOURCE_SEEN_UV = 4.5 * UV  # as the lead check takes for a source
OFF_BELOW = 0.3
ON_ABOVE = 0.8
RANGE_END_UV = -7.5 * UV
MIRROR_SUM = 0.2  # |lead 1 + lead 2| below this part of |d|: the reference lead is floating


class Label(IntEnum):
    REVERSE = -1
    OFF = 0
    FORWARD = 1
    UNKNOWN = 9


ON = (Label.FORWARD, Label.REVERSE)


@dataclass(slots=True)
class Labelled:
    """A settled stretch (or train) with the load's state at its head and tail."""

    at: int  # position in the list of stretches
    stretch: Steady | Train
    head: Label
    tail: Label
    mirrored: bool


@dataclass(frozen=True, slots=True)
class Scale:
    """Levels of the recording, µV: `source` the highest settled lead, `full` (D) the highest settled |d|."""

    source: float
    full: float

    @property
    def seen(self) -> bool:
        """Whether it can be a source: what leaks through a driver at rest is none."""
        return self.source >= SOURCE_SEEN_UV or self.full >= SOURCE_SEEN_UV

    @property
    def something(self) -> bool:
        """Whether there was any steady level but zero."""
        return self.source >= SOURCE_LEAST_UV or self.full >= SOURCE_LEAST_UV


def difference(levels: Pair) -> float:
    return levels[0] - levels[1]


def is_mirrored(levels: Pair, scale: Scale) -> bool:
    """Plus and minus half the load voltage: what both leads read when the reference lead floats."""
    d = difference(levels)
    low, high = min(levels), max(levels)
    if low < RANGE_END_UV and high > -RANGE_END_UV / 2:
        return True  # half of a 24 V load voltage is beyond the range below zero
    return low < -0.6 * UV and abs(levels[0] + levels[1]) < MIRROR_SUM * abs(d) and abs(d) > 0.3 * scale.full


def settled(stretches: Sequence[Stretch], rate_hz: float) -> list[int]:
    """Positions of the stretches that last long enough to be called a level."""
    least = max(4, SETTLED_S * rate_hz)
    return [
        i
        for i, s in enumerate(stretches)
        if isinstance(s, Train) or (isinstance(s, Steady) and s.end - s.start >= least)
    ]


def scale_of(stretches: Sequence[Stretch], positions: Sequence[int]) -> Scale:
    source = full = 0.0
    for i in positions:
        s = stretches[i]
        if isinstance(s, Steady):
            # a lead that a capacitor holds up slides off on in one stretch: its mean is no level
            source = max(source, *s.mean, *s.tail, *(v for _, a, b in s.trail for v in (a, b)))
            shown = [s.mean, s.head, s.tail, *((a, b) for _, a, b in s.trail)]
            full = max(full, *(abs(difference(levels)) for levels in shown))
        elif isinstance(s, Train):
            source = max(source, *s.up, *s.down)
            full = max(full, abs(difference(s.up)), abs(difference(s.down)))
    return Scale(source, max(full, 0.5 * source))


def seen_scale(stretches: Sequence[Stretch], rate_hz: float, floor: Scale) -> Scale:
    """The scale that these stretches show, at least `floor`."""
    own = scale_of(stretches, settled(stretches, rate_hz))
    return Scale(max(own.source, floor.source), max(own.full, floor.full))
