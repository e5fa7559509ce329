"""The source as the leads show it, and where it dips.

The feed lead shows the source while the load is on (less the feed wire's drop), both leads show it on a
low-side circuit that is off. Off with the leads apart, the higher one may be the source or a driver's
leakage: it says nothing unless it agrees with what was seen before. A fall of both leads while off is the
supply. A fall while on may as well be a loss in the feed wire: it is called a supply dip only when it has
the shape of an engine being cranked (a deep fall that recovers by itself in part, then in full). Switching
the load meanwhile does not end a dip.
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
AGREES_TO = 1.1  # a doubtful level higher than this is a kick
LOST_BELOW = 0.25  # lower is off or open, not a dip
SETTLE_S = 0.12  # after switching on, inrush pulls the feed down
SHORT_LEVEL_S = 0.003
LEAST_S = 0.008
SAG_LEAST_S = 0.02
NEAR = 0.7  # a diode string lets a lead rest this far below the other
ALIKE = 0.96
APART_S = 0.05  # after switching off, a coil's kick and a motor's own voltage pull the leads apart
CRANK_LEAST_S = 0.15
CRANK_MOST_S = 20.0
CRANK_RECOVERS = 0.15  # of the depth, while still down
STATE_DEEPER = 0.15  # of the level before: a flat fall this deep that comes back alike is a bias, no dip
STATE_ALIKE = 0.01


@dataclass(frozen=True, slots=True)
class Dip:
    kind: EventKind
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Point:
    """What a lead shows of the source at one time.

    `resting` when nothing but the source can move it; `doubtful` when it may not be the source at all.
    """

    at: float
    level: float
    resting: bool
    doubtful: bool
    part: int


@dataclass(frozen=True, slots=True)
class Fall:
    """The level went below what it was and came back: `base` before, `inside` meanwhile."""

    base: float
    inside: Sequence[Point]
    start: float
    end: float

    @property
    def lowest(self) -> float:
        return min(p.level for p in self.inside)

    @property
    def flat(self) -> bool:
        return max(p.level for p in self.inside) - self.lowest < STATE_ALIKE * self.base

    def same_state(self, level: float) -> bool:
        return abs(level - self.lowest) < STATE_ALIKE * self.base


def source_points(
    stretches: Sequence[Stretch], parts: Sequence[Part], scale: Scale, rate_hz: float
) -> list[Point]:
    """What the leads show of the source, in order of time."""
    points: list[Point] = []
    for n, steady in enumerate(_levels_of_parts(stretches, parts, rate_hz)):
        part = parts[n]
        if part.mirrored or part.train is not None or part.label is Label.UNKNOWN:
            continue
        switched_on = part.label is not Label.OFF and part.begins
        settled = part.start + SETTLE_S * rate_hz if switched_on else 0.0
        shown = (
            _shown(at, levels, part, n, scale, rate_hz) for s in steady for at, levels in _times_and_levels(s)
        )
        points += [p for p in shown if p is not None and p.at >= settled]
    return points


def _levels_of_parts(
    stretches: Sequence[Stretch], parts: Sequence[Part], rate_hz: float
) -> list[list[Steady]]:
    """The stretches of each part, with those too short to carry a label."""
    least = max(4, SHORT_LEVEL_S * rate_hz)
    short = [s for s in stretches if isinstance(s, Steady) and s.end - s.start >= least]
    out: list[list[Steady]] = []
    n = 0
    for part in parts:
        steady = list(part.stretches)
        taken = {s.start for s in steady}
        while n < len(short) and short[n].end <= part.end + 1:
            if short[n].start >= part.start and short[n].start not in taken:
                steady.append(short[n])
            n += 1
        out.append(sorted(steady, key=lambda s: s.start))
    return out


def _times_and_levels(s: Steady) -> list[tuple[float, Pair]]:
    inner = [(at, (a, b)) for at, a, b in s.trail]
    return [(float(s.start), s.head), *inner, (float(s.end), s.tail)]


def _shown(at: float, levels: Pair, part: Part, n: int, scale: Scale, rate_hz: float) -> Point | None:
    if part.label is not Label.OFF:
        return Point(at, levels[0 if part.label is Label.FORWARD else 1], False, False, n)
    high = max(levels)
    if high < LOST_BELOW * scale.source:
        return None
    just_off = part.begins and at < part.start + APART_S * rate_hz
    together = min(levels) > (ALIKE if just_off else NEAR) * high
    return Point(at, high, together, not together, n)


def find_dips(stretches: Sequence[Stretch], parts: Sequence[Part], scale: Scale, rate_hz: float) -> list[Dip]:
    points = source_points(stretches, parts, scale, rate_hz)
    falls = _falls(points, stretches, parts)
    resting = [p.level for p in points if p.resting]
    dips = []
    for fall in falls:
        kind = _kind(fall, parts, rate_hz)
        if kind is not None and not _is_a_state(fall, falls, resting):
            dips.append(Dip(kind, fall.start, fall.end))
    return dips


def _falls(points: Sequence[Point], stretches: Sequence[Stretch], parts: Sequence[Part]) -> list[Fall]:
    falls: list[Fall] = []
    base: float | None = None
    before: Point | None = None
    n = 0
    while n < len(points):
        p = points[n]
        n += 1
        if p.doubtful:
            continue
        if base is None or before is None or p.level >= DIP_BELOW * base:
            base = p.level if base is None else base + 0.5 * (p.level - base)
            before = p
            continue
        inside = [p]
        while n < len(points) and not _is_back(points[n], base):
            if not points[n].doubtful:
                inside.append(points[n])
            n += 1
        back = points[n] if n < len(points) else None
        switched = parts[p.part].begins and before.part != p.part
        if back is None or switched or min(x.level for x in inside) < LOST_BELOW * base:
            base = inside[-1].level if back is None or len(inside) > 3 else base  # another level, not a dip
        else:
            start = _fall_start(stretches, before.at, p.at)
            end = back.at if back.part == inside[-1].part else inside[-1].at
            falls.append(Fall(base, inside, start, end))
        before = inside[-1]
    return falls


def _is_back(p: Point, base: float) -> bool:
    return p.level >= BACK_ABOVE * base and not (p.doubtful and p.level > AGREES_TO * base)


def _kind(fall: Fall, parts: Sequence[Part], rate_hz: float) -> EventKind | None:
    seconds = (fall.end - fall.start) / rate_hz
    if seconds < LEAST_S:
        return None
    if all(p.resting for p in fall.inside) or _cranking(fall, seconds):
        return EventKind.SUPPLY_DIP
    loaded = all(parts[p.part].label is not Label.OFF for p in fall.inside)
    if loaded and seconds >= SAG_LEAST_S:
        return EventKind.SAG_OR_FEED_LOSS
    return None


def _is_a_state(fall: Fall, falls: Sequence[Fall], resting: Sequence[float]) -> bool:
    """A circuit that is biased between its switches rests at one level again and again."""
    if not fall.flat or fall.base - fall.lowest < STATE_DEEPER * fall.base:
        return False
    inside = sum(p.resting for p in fall.inside)
    rests = sum(fall.same_state(level) for level in resting) > inside
    return rests or any(f is not fall and f.flat and fall.same_state(f.lowest) for f in falls)


def _cranking(fall: Fall, seconds: float) -> bool:
    if not CRANK_LEAST_S <= seconds <= CRANK_MOST_S:
        return False
    levels = [p.level for p in fall.inside]
    later = max(levels[levels.index(fall.lowest) :])
    depth = fall.base - fall.lowest
    return later - fall.lowest > CRANK_RECOVERS * depth and depth > 0.15 * fall.base


def _fall_start(stretches: Sequence[Stretch], before: float, after: float) -> float:
    """The fast zone between the last good point and the first low one starts the dip."""
    for s in stretches:
        if isinstance(s, Zone) and before - 1 <= s.start <= after + 1:
            return float(s.start)
        if isinstance(s, Zone) and s.start > after:
            break
    return after
