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

from daq.crossings import UV
from daq.findings import EventKind
from daq.labels import OFF_BELOW, Label, Scale, difference
from daq.stretches import Pair, Steady, Stretch, Zone
from daq.switching import Part

DIP_BELOW = 0.93  # of the level before
BACK_ABOVE = 0.95
AGREES_TO = 1.1  # a doubtful level higher than this is a kick
LOST_BELOW = 0.2  # lower is off or open, not a dip (ISO 16750-2 starting level III goes down to 3 V of 12)
SETTLE_S = 0.12  # after switching on, inrush pulls the feed down
SHORT_LEVEL_S = 0.003
LEAST_S = 0.008
SAG_LEAST_S = 0.02
ALIKE = 0.93  # part of the higher lead: both show the source
CRANK_LEAST_S = 0.15
CRANK_MOST_S = 20.0
CRANK_RECOVERS = 0.15  # of the depth, while still down
STATE_DEEPER = 0.15  # of the level before: a flat fall this deep that comes back alike is a bias, no dip
STATE_ALIKE = 0.01
MOVED_ALIKE = 0.04  # of source
BELOW_ZERO_UV = -0.2 * UV
CURRENT_SEEN_UV = 0.08 * UV  # drop of the ground side that a current makes
CURRENT_GONE = 0.25


@dataclass(frozen=True, slots=True)
class Dip:
    kind: EventKind
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Point:
    """What a lead shows of the source at one time.

    `resting` when nothing but the source can move it; `doubtful` when it may not be the source at all;
    `settling` just after switching on, when inrush pulls it down; `moving` while a coil kicks or a motor
    coasts. `ground` is the other lead while on.
    """

    at: float
    level: float
    part: int
    resting: bool = False
    doubtful: bool = False
    settling: bool = False
    moving: bool = False
    ground: float | None = None


@dataclass(frozen=True, slots=True)
class Fall:
    """The level went below what it was and came back: `base` before, `inside` meanwhile."""

    base: float
    before: Point
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
    grounded = False
    for n, steady in enumerate(_levels_of_parts(stretches, parts, scale, rate_hz)):
        part = parts[n]
        if part.mirrored or part.train is not None or part.label is Label.UNKNOWN:
            continue
        points += _on_points(part, n, steady, rate_hz) if part.label is not Label.OFF else []
        if part.label is Label.OFF:
            grounded = _rests_at_ground(parts, n, steady, grounded)
            points += _off_points(n, steady, scale, grounded)
    return points


def _rests_at_ground(parts: Sequence[Part], n: int, steady: Sequence[Steady], before: bool) -> bool:
    """Whether the leads show the ground through the load, however far neighbours lift it, and not the source:
    the feed is further from where it was beside this off part, while on, than the ground side.

    Args:
        before: whether the part before did; that is what one without a switching at either end goes on with.
    """
    part = parts[n]
    if part.begins and n and parts[n - 1].stretches:
        on, off = parts[n - 1].stretches[-1].tail, [x for s in steady for x in (s.head, s.tail)]
    elif part.ends and n + 1 < len(parts) and parts[n + 1].stretches:
        on, off = parts[n + 1].stretches[0].head, [x for s in reversed(steady) for x in (s.tail, s.head)]
    else:
        return before
    if not off:
        return False
    rest = next((levels for levels in off if min(levels) > ALIKE * max(levels)), off[0])
    return max(on) - max(rest) > min(rest) - min(on)


def _on_points(part: Part, n: int, steady: Sequence[Steady], rate_hz: float) -> list[Point]:
    feed = 0 if part.label is Label.FORWARD else 1
    settled = part.start + SETTLE_S * rate_hz if part.begins else part.start
    return [
        Point(at, levels[feed], n, ground=levels[1 - feed], settling=at < settled)
        for s in steady
        for at, levels in _times_and_levels(s)
    ]


def _off_points(n: int, steady: Sequence[Steady], scale: Scale, grounded: bool) -> list[Point]:
    points = []
    rest = steady[0].settled if steady else (0.0, 0.0)
    lifted = grounded  # both leads came up from zero: a shared ground does that, not the source
    for s in steady:
        for at, (a, b) in _times_and_levels(s):
            high = max(a, b)
            if high < LOST_BELOW * scale.source:
                lifted = True
                continue
            alike = min(a, b) > ALIKE * high or (not grounded and _moved_alike((a, b), rest, scale))
            resting = alike and not lifted
            moving = abs(high - max(rest)) > MOVED_ALIKE * scale.source
            points.append(Point(at, high, n, resting=resting, doubtful=not resting, moving=moving))
    return points


def _moved_alike(levels: Pair, rest: Pair, scale: Scale) -> bool:
    """A diode string rests apart from the other lead; the source moves both. What goes below zero is not held
    by it: a motor that coasts while its feed is away."""
    if min(levels) < BELOW_ZERO_UV:
        return False
    a, b = levels[0] - rest[0], levels[1] - rest[1]
    return abs(a - b) < MOVED_ALIKE * scale.source < min(abs(a), abs(b))


def _levels_of_parts(
    stretches: Sequence[Stretch], parts: Sequence[Part], scale: Scale, rate_hz: float
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
            s = short[n]
            of_its_state = part.label is Label.OFF or abs(difference(s.mean)) > OFF_BELOW * scale.full
            if s.start >= part.start and s.start not in taken and of_its_state:
                steady.append(s)
            n += 1
        out.append(sorted(steady, key=lambda s: s.start))
    return out


def _times_and_levels(s: Steady) -> list[tuple[float, Pair]]:
    inner = [(at, (a, b)) for at, a, b in s.trail]
    return [(float(s.start), s.head), *inner, (float(s.end), s.tail)]


def find_dips(stretches: Sequence[Stretch], parts: Sequence[Part], scale: Scale, rate_hz: float) -> list[Dip]:
    points = source_points(stretches, parts, scale, rate_hz)
    falls = _falls(points, stretches, parts, CRANK_MOST_S * rate_hz)
    resting = [p.level for p in points if p.resting]
    dips = []
    for fall in falls:
        kind = _kind(fall, parts, rate_hz)
        if kind is not None and not _is_a_state(fall, falls, resting):
            dips.append(Dip(kind, fall.start, fall.end))
    return dips


def _falls(
    points: Sequence[Point], stretches: Sequence[Stretch], parts: Sequence[Part], longest: float
) -> list[Fall]:
    """Falls that came back within `longest` pairs; what stays down is another level, and may have its own."""
    falls: list[Fall] = []
    base: float | None = None
    before: Point | None = None
    n = 0
    while n < len(points):
        p = points[n]
        n += 1
        if p.doubtful or (p.settling and (base is None or p.level < DIP_BELOW * base)):
            agrees = base is not None and DIP_BELOW * base <= p.level <= AGREES_TO * base
            before = p if agrees and not p.moving else before
            continue
        if base is None or before is None or p.level >= DIP_BELOW * base:
            base = p.level if base is None else base + 0.5 * (p.level - base)
            before = p
            continue
        inside, after = [p], n
        while n < len(points) and points[n].at - p.at < longest and not _is_back(points[n], base):
            if not (points[n].doubtful or points[n].settling):
                inside.append(points[n])
            n += 1
        back = points[n] if n < len(points) and _is_back(points[n], base) else None
        switched = parts[p.part].begins and before.part != p.part
        if back is None:
            base, before, n = p.level, p, after
            continue
        if switched or min(x.level for x in inside) < LOST_BELOW * base:
            base = inside[-1].level if len(inside) > 3 else base  # another level, not a dip
        else:
            start = _fall_start(stretches, before.at, p.at)
            end = back.at if back.part == inside[-1].part else inside[-1].at
            falls.append(Fall(base, before, inside, start, end))
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
    if _current_stopped(fall):
        return EventKind.FEED_DROPOUT
    loaded = all(parts[p.part].label is not Label.OFF for p in fall.inside)
    if loaded and seconds >= SAG_LEAST_S:
        return EventKind.SAG_OR_FEED_LOSS
    return None


def _current_stopped(fall: Fall) -> bool:
    """The ground side lost its drop: the feed opened, and a motor that spins on hides it."""
    ground = fall.before.ground
    if ground is None or ground < CURRENT_SEEN_UV:
        return False
    return all(p.ground is not None and abs(p.ground) < CURRENT_GONE * ground for p in fall.inside)


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
