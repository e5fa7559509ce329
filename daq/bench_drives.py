"""How a position moves on the bench: by a hand with bouncing contacts, in pulses, or by a bad joint.

A drive turns one request ("closed, now") into moves at whole microseconds; a generator of them may go on
for ever. All randomness comes from the generator handed in, so a seed tells the whole story.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

Move = tuple[int, str]  # (µs, new value of the drive's position)
Seconds = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Set:
    """To one value, once. A contact is `open_value` for `travel_s` first, and bounces for up to `bounce_s`.

    Eighteen kinds of switches bounced 1.6 ms on average, 6.2 ms at worst (Ganssle's measurements as commonly
    quoted, from memory).
    """

    position: str
    value: str
    open_value: str = "open"
    bounce_s: float = 0.0
    travel_s: float = 0.0

    def moves(self, at_us: int, rng: np.random.Generator) -> Iterator[Move]:
        begin = at_us + round(self.travel_s * 1e6)
        if begin > at_us:
            yield at_us, self.open_value
        if self.bounce_s == 0.0:
            yield begin, self.value
            return
        flips = 2 * int(rng.integers(0, 4))
        length = self.bounce_s * float(rng.beta(1.5, 3.0))
        instants = np.sort(rng.uniform(0.05, 1.0, flips)) * length * 1e6
        touching = self.value != self.open_value
        first, second = (self.value, self.open_value) if touching else (self.open_value, "closed")
        yield begin, first
        for number, instant in enumerate(instants):
            yield begin + int(instant) + number + 1, second if number % 2 == 0 else first


@dataclass(frozen=True, slots=True)
class Pulse:
    """`high` for `high_us` of every `period_us`, else `low`, until another drive takes the position."""

    position: str
    period_us: int
    high_us: int
    high: str = "closed"
    low: str = "open"

    def moves(self, at_us: int, rng: np.random.Generator) -> Iterator[Move]:
        return self.moves_after(at_us, at_us - 1)

    def moves_after(self, origin_us: int, after_us: int) -> Iterator[Move]:
        """The moves later than `after_us` of a train that began at `origin_us`."""
        for number in itertools.count(max(0, (after_us - origin_us) // self.period_us)):
            begin = origin_us + number * self.period_us
            if begin > after_us:
                yield begin, self.high
            if begin + self.high_us > after_us:
                yield begin + self.high_us, self.low

    def value_at(self, phase_us: int) -> str:
        return self.high if phase_us < self.high_us else self.low


@dataclass(frozen=True, slots=True)
class Flicker:
    """A bad joint: `bad` for random moments, `good` between, for `for_s` seconds (then `good`)."""

    position: str
    every_s: Seconds
    lasts_s: Seconds
    good: str = "good"
    bad: str = "bad"
    for_s: float = float("inf")

    def moves(self, at_us: int, rng: np.random.Generator) -> Iterator[Move]:
        at = float(at_us)
        yield at_us, self.good
        while True:
            at += 1e6 * float(rng.uniform(*self.every_s))
            end = at + max(2.0, 1e6 * float(rng.uniform(*self.lasts_s)))
            if end > at_us + 1e6 * self.for_s:
                return
            yield int(at), self.bad
            yield int(end), self.good
            at = end


Drive = Set | Pulse | Flicker
