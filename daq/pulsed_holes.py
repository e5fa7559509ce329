"""Holes of pulsed loads, within trains and between two of one rhythm, as the load's own off kinds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from daq.evidence import OffKind
from daq.holes import Floats, Hole, Holes, away_and_deep
from daq.labels import Scale
from daq.stretches import Held, Lost, Pair, Steady, Stretch, Train, Zone, end_of, held_lead, start_of
from daq.switching import alike, swings_together
from daq.turns import UNEVEN_PERIODS


@dataclass(frozen=True, slots=True)
class PulsedHole:
    """A wire that opened behind pulses: from, to, how the load went off, and how far apart two are one."""

    start: float
    end: float
    kind: OffKind
    apart: float


def joined(before: list[PulsedHole], then: list[PulsedHole]) -> list[PulsedHole]:
    """Those of two consecutive lists of stretches: what lasts from one into the other is one."""
    if not before or not then:
        return before + then
    last, first = before[-1], then[0]
    if last.kind is not first.kind or first.start - last.end > last.apart:
        return before + then
    return [*before[:-1], replace(last, end=max(last.end, first.end)), *then[1:]]


def pulsed_holes(
    stretches: Sequence[Stretch], levels: Sequence[Stretch], scale: Scale, rate_hz: float
) -> list[PulsedHole]:
    """Holes within trains, and such as began in one or lasted to one.

    Args:
        stretches: with all trains.
        levels: the same without those that were told from levels.
    """
    beside = _Beside(levels, scale, rate_hz)
    found: list[PulsedHole] = []
    trains = [s for s in stretches if isinstance(s, Train | Lost)]
    holes = Holes(None, 0.0, rate_hz)
    for before, train, then in zip([None, *trains], trains, [*trains[1:], None], strict=False):
        if isinstance(train, Lost):
            continue
        held, near = held_lead(train.up, train.down), UNEVEN_PERIODS * train.period
        if not (isinstance(before, Train) and alike(before, train) and holes.held is held):
            found += _named(holes)
            holes = Holes(held, train.period, rate_hz)
        if before is None:
            holes.join(h for h in beside.holes(train, -inf, train.start) if train.start - h[1] < near)
        holes.join(train.holes)
        if train.from_levels:
            holes.join(beside.holes(train, train.start, train.end))
        if then is None or (isinstance(then, Train) and alike(train, then)):
            end = inf if then is None else then.start
            holes.join(h for h in beside.holes(train, train.end, end) if h[0] - train.end < near)
    return found + _named(holes)


@dataclass(frozen=True, slots=True)
class _Beside:
    """The stretches that no train is made of, or that a slow one is."""

    stretches: Sequence[Stretch]
    scale: Scale
    rate_hz: float

    def holes(self, train: Train, start: float, end: float) -> list[Hole]:
        """From `start` to `end`, in what the train's drive leaves alone; levels last all the time."""
        holes = Holes(held_lead(train.up, train.down), train.period, self.rate_hz)
        for s in self.stretches:
            if holes.held is None or start_of(s) >= end or end_of(s) <= start:
                continue
            if isinstance(s, Steady):
                level = _furthest(s, holes.held) if swings_together(s, self.scale) else s.mean
                _, deep = away_and_deep(np.array([level]), self._half(1), holes.held)
                holes.join([(s.start, s.end)] if deep[0] else [])
            elif isinstance(s, Zone) and s.raw is not None:
                holes.add(s.raw_start, s.raw, self._half(len(s.raw)))
        return holes.found

    def _half(self, count: int) -> Floats:
        return np.full(count, self.scale.source / 2)


def _furthest(s: Steady, held: Held) -> Pair:
    return s.low if held is Held.FEED else s.high


def _named(holes: Holes) -> list[PulsedHole]:
    kind = OffKind.FEED_FELL if holes.held is Held.FEED else OffKind.GROUND_ROSE
    return [PulsedHole(float(a), float(b), kind, holes.apart) for a, b in holes.found]
