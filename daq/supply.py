"""The source as the leads show it, and where it dips.

The feed lead shows the source while the load is on (less the feed wire's drop), both leads show it on a
low-side circuit that is off. A fall of both leads while off is the supply. A fall while on may as well be
a loss in the feed wire: it is called a supply dip only when it has the shape of an engine being cranked
(a deep fall that recovers by itself in part, then in full).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from daq.findings import EventKind
from daq.labels import Label, Scale
from daq.stretches import Pair, Steady, Stretch, Zone
from daq.switching import Part

DIP_BELOW = 0.93  # of the level before
BACK_ABOVE = 0.95
LOST_BELOW = 0.25  # lower is off or open, not a dip
SETTLE_S = 0.12  # after switching on, inrush pulls the feed down
CRANK_LEAST_S = 0.15
CRANK_MOST_S = 20.0
CRANK_RECOVERS = 0.15  # of the depth, while still down


@dataclass(frozen=True, slots=True)
class Dip:
    kind: EventKind
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Point:
    """What a lead shows of the source at one time; `resting` when nothing but the source can move it."""

    at: float
    level: float
    resting: bool
    part: int


def source_points(parts: Sequence[Part], scale: Scale, rate_hz: float) -> list[Point]:
    """What the leads show of the source, in order of time."""
    points: list[Point] = []
    for n, part in enumerate(parts):
        if part.mirrored or part.train is not None or part.label is Label.UNKNOWN:
            continue
        for s in part.stretches:
            for at, levels in _times_and_levels(s):
                level, resting = _shown(levels, part.label, scale)
                settling = (
                    part.label is not Label.OFF and at - part.start < SETTLE_S * rate_hz and part.begins
                )
                if level is not None and not settling:
                    points.append(Point(at, level, resting, n))
    return points


def _times_and_levels(s: Steady) -> list[tuple[float, Pair]]:
    inner = [(at, (a, b)) for at, a, b in s.trail]
    return [(float(s.start), s.head), *inner, (float(s.end), s.tail)]


def _shown(levels: Pair, label: Label, scale: Scale) -> tuple[float | None, bool]:
    if label is Label.OFF:
        high = max(levels)
        if high < LOST_BELOW * scale.source:
            return None, False
        together = min(levels) > 0.7 * high
        return high, together
    feed = 0 if label is Label.FORWARD else 1
    return levels[feed], False


def find_dips(stretches: Sequence[Stretch], parts: Sequence[Part], scale: Scale, rate_hz: float) -> list[Dip]:
    points = source_points(parts, scale, rate_hz)
    dips: list[Dip] = []
    base: float | None = None
    n = 0
    while n < len(points):
        p = points[n]
        if base is None or p.level >= DIP_BELOW * base:
            base = p.level if base is None else base + 0.5 * (p.level - base)
            n += 1
            continue
        end = n
        while end < len(points) and points[end].level < BACK_ABOVE * base:
            end += 1
        dip = _dip(points, n, end, base, stretches, parts, rate_hz)
        if dip is not None:
            dips.append(dip)
        else:
            base = points[end - 1].level if end == len(points) or end - n > 3 else base
        n = max(end, n + 1)
    return dips


def _dip(
    points: Sequence[Point],
    first: int,
    end: int,
    base: float,
    stretches: Sequence[Stretch],
    parts: Sequence[Part],
    rate_hz: float,
) -> Dip | None:
    inside = points[first:end]
    if first == 0 or points[first - 1].part != inside[0].part:
        return None  # came with a switching: a drop under load, not a dip
    lowest = min(p.level for p in inside)
    if lowest < LOST_BELOW * base:
        return None
    start = _fall_start(stretches, points[first - 1].at, inside[0].at)
    stop = points[end].at if end < len(points) else inside[-1].at
    if end == len(points):
        return None  # it never came back: a lower level, not a dip
    resting = all(p.resting for p in inside)
    seconds = (stop - start) / rate_hz
    if seconds < 0.008:
        return None
    if resting or _cranking(inside, lowest, base, seconds):
        return Dip(EventKind.SUPPLY_DIP, start, stop)
    if all(parts[p.part].label is not Label.OFF for p in inside):
        return Dip(EventKind.SAG_OR_FEED_LOSS, start, stop)
    return None


def _cranking(inside: Sequence[Point], lowest: float, base: float, seconds: float) -> bool:
    if not CRANK_LEAST_S <= seconds <= CRANK_MOST_S:
        return False
    at = min(range(len(inside)), key=lambda i: inside[i].level)
    later = max((p.level for p in inside[at:]), default=lowest)
    return later - lowest > CRANK_RECOVERS * (base - lowest) and base - lowest > 0.15 * base


def _fall_start(stretches: Sequence[Stretch], before: float, after: float) -> float:
    """The fast zone between the last good point and the first low one starts the dip."""
    for s in stretches:
        if isinstance(s, Zone) and before - 1 <= s.start <= after + 1:
            return float(s.start)
        if isinstance(s, Zone) and s.start > after:
            break
    return after
