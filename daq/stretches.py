"""What a recording is cut into: steady stretches, fast zones between them, pulse trains, lost time.

Positions are dense sample indices; levels are microvolts, (lead 1, lead 2). Sums are integers, so a
stretch is the same however its samples arrived.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

import numpy as np
import numpy.typing as npt

Raw = npt.NDArray[np.int32]  # (k, 2) microvolts
Pair = tuple[float, float]


@dataclass(slots=True)
class Steady:
    """No fast movement on either lead; slow ramps are inside, told by `trail`.

    Attributes:
        start, end: half-open range of pairs.
        mean: mean level; `head` and `tail` the same over the first and last 4 ms; `late` after the first
            60 ms where it lasts 120 ms or more (the mean otherwise), so that inrush is left out.
        settled: mean of the last whole windows, up to 0.1 s (the tail where there is none).
        low, high: extremes.
        trail: (centre, level 1, level 2) of windows, kept where the level moved by 0.6 % of source.
        halves: where |lead 1 - lead 2| crossed half of the source, slowly.
        onset: (first pair, pairs, level 1, level 2) of windows from the start on, each as long as all before
            it, up to a second.
        raw: the samples, where it is short.
        beyond: spikes to an end of the range that were joined over, (from, to), the first ones.
        floats: the leads that nothing holds (see `floating`).
        rippled: made of plateaus that come and go (see `ripple`); all levels are means over them.
    """

    start: int
    end: int
    mean: Pair
    head: Pair
    tail: Pair
    late: Pair
    settled: Pair
    low: Pair
    high: Pair
    trail: list[tuple[float, float, float]] = field(default_factory=list)
    halves: list[float] = field(default_factory=list)
    onset: list[tuple[int, int, float, float]] = field(default_factory=list)
    raw: Raw | None = None
    beyond: list[tuple[int, int]] = field(default_factory=list)
    floats: tuple[bool, bool] = (False, False)
    rippled: bool = False


@dataclass(slots=True)
class Zone:
    """Fast movement. `raw` has one pair more on either side where they exist; None when it is long."""

    start: int
    end: int
    raw_start: int
    raw: Raw | None
    low: Pair
    high: Pair


@dataclass(frozen=True, slots=True, eq=False)
class Period:
    """The mean period of a train: both leads over one period, the front end's low-pass undone.

    Attributes:
        pairs: its length.
        at: (k,) positions in it; a sample there tells of the interval of one pair that ends there.
        levels: (k, 2) µV.
        counts: (k,) samples each is made of.
        rise, fall: when the drive makes, and when it next breaks.
        filtered: False where the samples show no low-pass.
    """

    pairs: float
    at: npt.NDArray[np.float64]
    levels: npt.NDArray[np.float64]
    counts: npt.NDArray[np.int64]
    rise: float
    fall: float
    filtered: bool

    @property
    def duty(self) -> float:
        """Part of the period the load is driven."""
        return (self.fall - self.rise) / self.pairs

    def inside(self, start: float, end: float) -> npt.NDArray[np.bool_]:
        """Which positions lie from `start` to `end`, whatever periods those are in."""
        return np.asarray((self.at - start) % self.pairs <= end - start)


@dataclass(slots=True)
class Train:
    """Regular pulses of lead 1 - lead 2: at least five periods alike.

    `up`/`down`: mean levels of both leads while the difference is above/below its local middle;
    `up_share` the part of a period it is above; `beats` (mean moment, number) of the times when the drive let
    go; `mean_period` where the drive's own edges were found;
    `from_levels`: told from steady stretches, `up` and `down` are settled levels; `holes`: where the lead
    that stays put was away (see `holes`), from, to.
    """

    start: float
    end: float
    periods: int
    period: float  # pairs
    up_share: float
    up: Pair
    down: Pair
    low: Pair
    high: Pair
    beats: tuple[float, int]
    mean_period: Period | None
    from_levels: bool = False
    holes: tuple[tuple[int, int], ...] = ()


@dataclass(slots=True)
class Lost:
    """Time without samples before pair `at`."""

    at: int
    seconds: float


Stretch = Steady | Zone | Train | Lost


RANGE_UV = (-7_900_000, 39_900_000)  # of the front end, -8 to +40 V


def is_beyond(low: Pair, high: Pair) -> bool:
    """Whether some reading is at an end of the range."""
    return min(low) <= RANGE_UV[0] or max(high) >= RANGE_UV[1]


STAYS = 0.3  # a lead that moves less than this part of the other's movement stays put


class Held(Enum):
    """The lead of a pulsed load that the drive leaves where it is."""

    FEED = "feed"
    GROUND = "ground"


def held_lead(up: Pair, down: Pair) -> Held | None:
    """Which one stays put, from both phases' mean levels; None where both move, or none."""
    moved = abs(up[0] - down[0]), abs(up[1] - down[1])
    for lead in (0, 1):
        if moved[lead] < STAYS * moved[1 - lead]:
            return Held.FEED if up[lead] > 0.3 * max(*up, *down) else Held.GROUND
    return None


def on_while_up(up: Pair, down: Pair) -> bool:
    """Whether a pulsed load is on while lead 1 - lead 2 is above its middle, from both phases' mean levels.

    One lead stays put: at source it is the feed, near zero the ground. Else on is the phase with one lead low
    (a coil's kick lifts a lead above source, beside the other).
    """
    held = held_lead(up, down)
    if held is not None:
        lead_1 = abs(up[0] - down[0]) < abs(up[1] - down[1])
        return lead_1 is (held is Held.FEED)
    up_on, down_on = up[1] < 0.5 * up[0], down[0] < 0.5 * down[1]
    if up_on != down_on:
        return up_on
    return abs(up[0] - up[1]) >= abs(down[0] - down[1])


def start_of(stretch: Stretch) -> float:
    return stretch.at if isinstance(stretch, Lost) else stretch.start


def end_of(stretch: Stretch) -> float:
    return stretch.at if isinstance(stretch, Lost) else stretch.end
