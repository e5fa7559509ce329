"""What departs from normal without switching the load off: seen here part by part, named in `events`.

A load that stops drawing current while it stays connected (open inside, or it switches itself off); a feed
that falls asleep and wakes; a spike beyond the range; the drops of the wires over time, which rise when a
connection heats up; pulses that change.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.labels import ON, Label, Scale
from daq.stretches import Pair, Steady, Stretch, Train, Zone, is_beyond
from daq.switching import Part
from daq.turns import Turn

NEAR_SWITCHING_S = 0.02  # a coil's kick belongs to the switching

CURRENT_SEEN_UV = 140_000  # drop of the ground side: two steps of a trail, so that a slow fall is not one
CURRENT_GONE_UV = 15_000  # and what is left when none flows
AT_ONCE_S = 0.04
OPEN_LEAST_S = 0.05
UP_OF_SOURCE = 0.6
DOWN_OF_SOURCE = 0.15
ASLEEP_LEAST_S = 0.1

POINT_LEAST_S = 0.2
DRIFT_UV = 60_000
DRIFT_SHARE = 0.5  # of the drop it had
DRIFT_POINTS = 3
ONE_STEP = 0.5  # of the rise: more than that at once is another load, no heating
BASELINE_S = 60.0

PERIOD_CHANGE = 0.02
DUTY_CHANGE = 0.05
ROUGHLY = 0.15
TRAIN_LEAST_S = 0.2

Span = tuple[float, float]  # from, to, pairs


@dataclass(frozen=True, slots=True)
class OnPoint:
    """Settled levels while on, µV: `rest` is the source as last seen at rest, None where never seen."""

    at: float
    feed: float
    ground: float
    rest: float | None


def on_points(parts: Sequence[Part], rate_hz: float) -> list[OnPoint]:
    """The levels while on in time, without inrush; pulsed parts are left out."""
    points: list[OnPoint] = []
    rest: float | None = None
    for part in parts:
        if part.mirrored or part.train is not None:
            continue
        if part.label is Label.OFF and part.stretches:
            low, high = sorted(part.stretches[-1].settled)
            rest = high if low > 0.9 * high > 0 else rest
        if part.label not in ON:
            continue
        for s in part.stretches:
            if s.end - s.start >= POINT_LEAST_S * rate_hz:
                middle = (s.start + s.end) / 2
                points += [
                    _point(middle, s.late, part.label, rest),
                    _point(s.end, s.settled, part.label, rest),
                ]
    return points


def _point(at: float, levels: Pair, label: Label, rest: float | None) -> OnPoint:
    feed = 0 if label is Label.FORWARD else 1
    return OnPoint(at, levels[feed], levels[1 - feed], rest)


def opened_loads(parts: Sequence[Part], rate_hz: float) -> list[Span]:
    """Where the ground side lost its drop at once, and the feed its own, and the load stayed connected."""
    spans: list[Span] = []
    for part in parts:
        if part.label in ON and not part.mirrored and part.train is None:
            opened = _opened(part, rate_hz)
            spans += [(a, b) for a, b in opened if b - a >= OPEN_LEAST_S * rate_hz]
    return spans


def _opened(part: Part, rate_hz: float) -> list[Span]:
    feed = 0 if part.label is Label.FORWARD else 1
    points = [(at, levels[feed], levels[1 - feed]) for at, levels in _levels(part)]
    spans: list[Span] = []
    since: float | None = None
    for n, (at, level, ground) in enumerate(points):
        if since is not None and ground > CURRENT_SEEN_UV:
            spans.append((since, at))
            since = None
        if since is None and n and abs(ground) < CURRENT_GONE_UV:
            before = points[n - 1]
            if n >= 2 and before[2] < CURRENT_SEEN_UV and at - before[0] < AT_ONCE_S * rate_hz:
                before = points[n - 2]  # the window in which it happened lies between
            if before[2] > CURRENT_SEEN_UV and level >= before[1]:
                since = at
    return spans if since is None else [*spans, (since, part.end)]


def _levels(part: Part) -> list[tuple[float, Pair]]:
    points: list[tuple[float, Pair]] = []
    for s in part.stretches:
        points += [
            (float(s.start), s.head),
            *((at, (a, b)) for at, a, b in s.trail),
            (float(s.end), s.settled),
        ]
    return points


@dataclass(frozen=True, slots=True)
class Feed:
    """What the feed did while off: times asleep, shorter gaps, and moments when it woke."""

    asleep: list[Span]
    gaps: list[Span]
    woke: list[float]


def feed_while_off(parts: Sequence[Part], scale: Scale, rate_hz: float) -> Feed:
    """Where both leads went down together from source, or came up together."""
    feed = Feed([], [], [])
    since: float | None = None
    for a, b in pairwise(parts):
        together = a.label is Label.OFF and b.label is Label.OFF and not b.begins
        if not together or a.levels is None or b.levels is None:
            since = None
            continue
        if at_source(a.levels, scale) and _down(b.levels, scale):
            since = b.start
        elif _down(a.levels, scale) and at_source(b.levels, scale):
            if since is not None and b.start - since < ASLEEP_LEAST_S * rate_hz:
                feed.gaps.append((since, b.start))
            else:
                feed.woke.append(b.start)
                feed.asleep.extend([] if since is None else [(since, b.start)])
            since = None
    return feed


def at_source(levels: Pair, scale: Scale) -> bool:
    """Both leads, while off."""
    return min(levels) > UP_OF_SOURCE * scale.source


def _down(levels: Pair, scale: Scale) -> bool:
    return max(levels) < DOWN_OF_SOURCE * scale.source


def spikes(stretches: Sequence[Stretch], turns: Sequence[Turn], rate_hz: float) -> list[Span]:
    """Readings at an end of the range, away from the load's own switching."""
    near = NEAR_SWITCHING_S * rate_hz
    found: list[tuple[int, int]] = []
    for s in stretches:
        if isinstance(s, Steady):
            found += s.beyond
        if isinstance(s, Steady | Zone) and is_beyond(s.low, s.high):
            found.append((s.start, s.end))
    times = [t.at for t in turns]
    spans: list[Span] = []
    for start, end in sorted(found):
        if bisect_left(times, start - near) != bisect_left(times, end + near):
            continue
        if spans and start - spans[-1][1] < near:
            spans[-1] = (spans[-1][0], float(end))
        else:
            spans.append((float(start), float(end)))
    return spans


def drifting(points: Sequence[OnPoint], baseline: float | None, rate_hz: float) -> list[Span]:
    """Where a drop rose slowly and stayed up: a connection that heats up."""
    spans: list[Span] = []
    for drops in (
        [(p.at, p.ground) for p in points],
        [(p.at, p.rest - p.feed) for p in points if p.rest is not None],
    ):
        spans += _drifts(drops, baseline, rate_hz)
    spans.sort()
    out: list[Span] = []
    for span in spans:
        if out and span[0] <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], span[1]))
        else:
            out.append(span)
    return out


def _drifts(drops: Sequence[tuple[float, float]], baseline: float | None, rate_hz: float) -> list[Span]:
    normal = _normal(drops, baseline, rate_hz)
    if normal is None:
        return []
    limit = normal + max(DRIFT_UV, DRIFT_SHARE * abs(normal))
    spans: list[Span] = []
    run: list[int] = []
    for n, (at, drop) in enumerate([*drops, (drops[-1][0], normal)]):
        if drop > limit and (baseline is None or at > baseline):
            run.append(n)
            continue
        if len(run) >= DRIFT_POINTS and _rose_slowly([normal, *(drops[i][1] for i in _before(run, drops))]):
            spans.append((drops[run[0]][0], drops[run[-1]][0]))
        run = []
    return spans


def _before(run: Sequence[int], drops: Sequence[tuple[float, float]]) -> range:
    """The points of a run with the few that led up to it."""
    return range(max(0, run[0] - DRIFT_POINTS), min(len(drops), run[-1] + 1))


def _rose_slowly(drops: Sequence[float]) -> bool:
    rise = max(drops) - drops[0]
    return max(b - a for a, b in pairwise(drops)) <= ONE_STEP * rise


def _normal(drops: Sequence[tuple[float, float]], baseline: float | None, rate_hz: float) -> float | None:
    """The drop in the baseline minute, or that of the first points."""
    if baseline is None:
        first = [drop for _, drop in drops[: max(DRIFT_POINTS, len(drops) // 8)]]
    else:
        first = [drop for at, drop in drops if baseline - BASELINE_S * rate_hz <= at <= baseline]
    return sorted(first)[len(first) // 2] if first and len(drops) > DRIFT_POINTS else None


def changed_pulses(trains: Sequence[Train], rate_hz: float) -> list[Span]:
    """Where period or duty left what the longest train shows (the duty where it is measured well)."""
    kept = [t for t in trains if t.end - t.start > TRAIN_LEAST_S * rate_hz]
    if len(kept) < 2:
        return []
    usual = max(kept, key=lambda t: t.end - t.start)
    spans: list[Span] = []
    open_span = False
    for train in kept:
        if _differs(train, usual):
            spans.append((spans.pop()[0] if open_span else train.start, train.end))
            open_span = True
        else:
            open_span = False
    return spans


def _differs(train: Train, usual: Train) -> bool:
    if abs(train.period - usual.period) > max(PERIOD_CHANGE * usual.period, 0.5):
        return True
    duty, usual_duty = _sure_duty(train), _sure_duty(usual)
    return duty is not None and usual_duty is not None and abs(duty - usual_duty) > DUTY_CHANGE


def _sure_duty(train: Train) -> float | None:
    """The duty by the drive's own edges, where the middle crossings agree at least roughly."""
    if train.mean_period is None:
        return None
    duty = train.mean_period.duty
    crossed = min(abs(duty - train.up_share), abs(duty - 1 + train.up_share))
    return duty if crossed < ROUGHLY else None


def is_on(turns: Sequence[Turn], initial: Label | None, at: float) -> bool | None:
    """Whether the load was on at `at`; None where nothing is known."""
    label = initial
    for turn in turns:
        if turn.at > at:
            break
        label = turn.label
    return None if label is None or label is Label.UNKNOWN else label is not Label.OFF
