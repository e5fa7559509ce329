"""Holes of pulsed loads, within trains and between two of one rhythm, as the load's own off kinds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from daq.evidence import OffKind
from daq.holes import Hole, Holes, away, runs
from daq.labels import Scale
from daq.stretches import Held, Lost, Pair, Steady, Stretch, Train, Zone, end_of, held_lead, start_of
from daq.switching import alike, swings_together
from daq.turns import UNEVEN_PERIODS


def pulsed_holes(
    stretches: Sequence[Stretch], levels: Sequence[Stretch], scale: Scale
) -> list[tuple[float, float, OffKind]]:
    """Holes within trains, and such as began in one and lasted to the next: from, to, how the load went off.

    Args:
        stretches: with all trains.
        levels: the same without those that were told from levels.
    """
    found: list[tuple[float, float, OffKind]] = []
    trains = [s for s in stretches if isinstance(s, Train | Lost)]
    holes = Holes(None, 0.0)
    for before, train, then in zip([None, *trains], trains, [*trains[1:], None], strict=False):
        if isinstance(train, Lost):
            continue
        held = held_lead(train.up, train.down)
        if not (isinstance(before, Train) and alike(before, train) and holes.held is held):
            found += _named(holes)
            holes = Holes(held, train.period)
        holes.join(train.holes)
        if train.from_levels:
            holes.join(_levels_away(levels, train.start, train.end, held, scale))
        if isinstance(then, Train) and alike(train, then):
            after = _levels_away(levels, train.end, then.start, held, scale)
            holes.join(after if after and after[0][0] - train.end < UNEVEN_PERIODS * train.period else ())
    return found + _named(holes)


def _levels_away(
    stretches: Sequence[Stretch], start: float, end: float, held: Held | None, scale: Scale
) -> list[Hole]:
    """Among the stretches from `start` to `end`."""
    found: list[Hole] = []
    for s in stretches:
        if held is None or start_of(s) >= end or end_of(s) <= start:
            continue
        if isinstance(s, Steady):
            levels = np.array([_furthest(s, held) if swings_together(s, scale) else s.mean])
            found += [(s.start, s.end)] if away(levels, np.array([scale.source / 2]), held)[0] else []
        elif isinstance(s, Zone) and s.raw is not None:
            half = np.full(len(s.raw), scale.source / 2)
            found += [(s.raw_start + a, s.raw_start + b) for a, b in runs(away(s.raw, half, held))]
    return found


def _furthest(s: Steady, held: Held) -> Pair:
    return s.low if held is Held.FEED else s.high


def _named(holes: Holes) -> list[tuple[float, float, OffKind]]:
    kind = OffKind.FEED_FELL if holes.held is Held.FEED else OffKind.GROUND_ROSE
    return [(float(a), float(b), kind) for a, b in holes.found]
