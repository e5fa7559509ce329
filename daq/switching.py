"""Stage 4: from labelled stretches to the load's states in time: edges, gaps and off parts.

An edge is timed at the first crossing of the middle between the two levels it joins (IEEE Std 181
mid-reference level instant, interpolated). Crossings less than 7 ms apart are one event: contact bounce
when the state differs afterwards, a single gap (or blip) when it does not.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
import numpy.typing as npt

from daq.labels import OFF_BELOW, ON, Label, Labelled, Scale, difference
from daq.stretches import Lost, Pair, Steady, Stretch, Train, Zone, end_of, start_of

BOUNCE_S = 0.007
HYSTERESIS = 0.05  # of D
UNEVEN_PERIODS = 6.0  # pulses beside a train, within this many periods, are part of it
COASTS_ABOVE = 0.6  # of D: an off part that begins higher is a motor let go
COAST_STEP = 0.012
LET_GO_S = 0.0015
LET_GO_STEP = 0.08  # of D
TOGETHER_MOVED = 0.6  # of source, both leads added
TOGETHER_DOWN = 0.5
SHORT_S = 0.045  # an off part shorter than this is no evidence of a hand on a switch


@dataclass(slots=True)
class Turn:
    """The load's state from position `at` (fractional pairs) on."""

    at: float
    label: Label
    settled: bool = True  # False: seen only inside a fast zone
    last: float | None = None  # last crossing of a bounce


@dataclass(slots=True)
class Part:
    """An interval in one state, between turns (or the ends of the recording).

    `levels` are what the leads show in it, µV; `before`/`after` tell whether its ends were seen as
    transitions; `train` where it is pulsed.
    """

    start: float
    end: float
    label: Label
    levels: Pair | None
    begins: bool
    ends: bool
    mirrored: bool = False
    train: Train | None = None
    stretches: tuple[Steady, ...] = ()


@dataclass(slots=True)
class Switching:
    turns: list[Turn]
    parts: list[Part]
    initial: Label


def follow(
    stretches: Sequence[Stretch], labelled: Sequence[Labelled], scale: Scale, rate_hz: float
) -> Switching:
    """States in time from the labelled stretches and the samples between them."""
    known = [x for x in labelled if x.head is not Label.UNKNOWN or x.tail is not Label.UNKNOWN]
    known = _without_pauses(known)
    if not known:
        return Switching([], [], Label.UNKNOWN)
    turns: list[Turn] = []
    broken: list[float] = []
    for n, here in enumerate(known):
        if n:
            between = _between(stretches, known[n - 1], here, scale, rate_hz)
            if between is None:
                broken.append(start_of(here.stretch))
                if here.head is not known[n - 1].tail:
                    turns.append(Turn(start_of(here.stretch), here.head))
            else:
                turns += between
    turns = _join_bounce(turns, known[0].head, BOUNCE_S * rate_hz)
    parts = [q for p in _parts(turns, known, stretches, broken) for q in _split_together(p, scale)]
    return Switching(turns, parts, known[0].head)


def _without_pauses(known: Sequence[Labelled]) -> list[Labelled]:
    """Leave out what stands between two trains of one rhythm: a few uneven pulses are no pause."""
    out: list[Labelled] = []
    for x in known:
        if isinstance(x.stretch, Train):
            n = len(out) - 1
            while n >= 0 and not isinstance(out[n].stretch, Train):
                n -= 1
            if n >= 0 and _one_rhythm(out[n].stretch, x.stretch) and out[n].head is x.head:
                del out[n + 1 :]
        out.append(x)
    return out


def _one_rhythm(a: Stretch, b: Stretch) -> bool:
    if not isinstance(a, Train) or not isinstance(b, Train):
        return False
    alike = abs(a.period - b.period) < 0.03 * b.period + 0.1
    return alike and b.start - a.end < UNEVEN_PERIODS * b.period


def _split_together(part: Part, scale: Scale) -> list[Part]:
    """Cut an off part where both leads moved together: feed woke or was lost, or a ground opened."""
    if part.label is not Label.OFF:
        return [part]
    return _split(part, lambda s, before: _moved_together(s, before, scale), set())


def _moved_together(s: Steady, before: Steady, scale: Scale) -> bool:
    """From near zero to source or back; a source far down (an engine being cranked) stays above that."""
    a, b = sum(s.mean), sum(before.mean)
    return abs(a - b) > TOGETHER_MOVED * scale.source and min(a, b) < TOGETHER_DOWN * scale.source


def _split(part: Part, apart: Callable[[Steady, Steady], bool], mirrored: set[float]) -> list[Part]:
    """Cut a part between stretches that are `apart`; the cuts are no transitions."""
    if not part.stretches:
        return [part]
    groups: list[list[Steady]] = [[part.stretches[0]]]
    for s in part.stretches[1:]:
        if apart(s, groups[-1][-1]):
            groups.append([])
        groups[-1].append(s)
    cuts = [part.start, *(float(g[0].start) for g in groups[1:]), part.end]
    last = len(groups) - 1
    return [
        replace(
            part,
            start=cuts[n],
            end=cuts[n + 1],
            levels=_levels(group, [], cuts[n], cuts[n + 1]),
            begins=part.begins and n == 0,
            ends=part.ends and n == last,
            mirrored=group[0].start in mirrored or part.mirrored,
            train=part.train if last == 0 else None,
            stretches=tuple(group),
        )
        for n, group in enumerate(groups)
    ]


def _between(
    stretches: Sequence[Stretch], left: Labelled, right: Labelled, scale: Scale, rate_hz: float
) -> list[Turn] | None:
    """Turns between two labelled stretches; None where time or too many samples were lost there."""
    inner = stretches[left.at + 1 : right.at]
    if any(isinstance(s, Lost) for s in inner):
        return None
    if not inner:
        return [] if left.tail is right.head else [Turn(float(start_of(right.stretch)), right.head)]
    if isinstance(left.stretch, Train) or isinstance(right.stretch, Train):
        return _beside_train(left, right, inner)
    joined = _join(inner)
    if joined is None:
        if left.tail is right.head:
            return []
        return [Turn(float(start_of(inner[0])), right.head)]
    start, raw = joined
    if left.tail in ON and right.head is Label.OFF:
        let_go = _let_go(start, raw, inner, left, scale, rate_hz)
        if let_go is not None:
            return [let_go]
    return _turns_in(start, raw, left, right, scale)


def _let_go(
    start: float,
    raw: npt.NDArray[np.int32],
    inner: Sequence[Stretch],
    left: Labelled,
    scale: Scale,
    rate_hz: float,
) -> Turn | None:
    """A motor that is let go and braked a moment later: off where it falls to its own voltage, not at the
    brake. Told by a level in between that it drops to at once (a source sags more slowly) and never rises
    from."""
    first = next((s for s in inner if isinstance(s, Steady)), None)
    if first is None or not isinstance(left.stretch, Steady):
        return None
    if first.start - left.stretch.end > max(2, LET_GO_S * rate_hz):
        return None
    on, own = difference(left.stretch.tail), difference(first.mean)
    fell = abs(on) - abs(own)
    if own * on <= 0 or fell < LET_GO_STEP * scale.full or abs(own) < OFF_BELOW * scale.full:
        return None
    d = (raw[:, 0].astype(np.float64) - raw[:, 1]) * np.sign(on)
    settled = d[int(first.start - start) :]
    if settled.max() > abs(own) + HYSTERESIS * scale.full or 2 * abs(own) < abs(on):
        return None
    return _first_crossing(start, d, (abs(on) + abs(own)) / 2, Label.OFF)[0]


def _beside_train(left: Labelled, right: Labelled, inner: Sequence[Stretch]) -> list[Turn]:
    """The first and last pulses of a train may be too uneven to belong to it: the zones beside it do."""
    if left.tail is right.head:
        return []
    zones = [s for s in inner if isinstance(s, Zone)]
    if isinstance(left.stretch, Train):
        train = left.stretch
        near = zones and start_of(right.stretch) - train.end < UNEVEN_PERIODS * train.period
        return [Turn(float(zones[-1].start if near else train.end), right.head)]
    assert isinstance(right.stretch, Train)
    train = right.stretch
    near = zones and train.start - end_of(left.stretch) < UNEVEN_PERIODS * train.period
    return [Turn(float(zones[0].start if near else train.start), right.head)]


def _join(inner: Sequence[Stretch]) -> tuple[float, npt.NDArray[np.int32]] | None:
    """The samples of short stretches in a row, with one more on either side; None if some are not kept."""
    pieces: list[npt.NDArray[np.int32]] = []
    start = -1.0
    for n, s in enumerate(inner):
        if not isinstance(s, Steady | Zone) or s.raw is None:
            return None
        if isinstance(s, Zone):
            a = 0 if n == 0 else s.start - s.raw_start
            b = len(s.raw) if n == len(inner) - 1 else s.end - s.raw_start
            pieces.append(s.raw[a:b])
            start = s.raw_start + a if n == 0 else start
        else:
            pieces.append(s.raw)
            start = s.start if n == 0 else start
    if not pieces:
        return None
    return start, np.concatenate(pieces)


def _turns_in(
    start: float, raw: npt.NDArray[np.int32], left: Labelled, right: Labelled, scale: Scale
) -> list[Turn]:
    assert isinstance(left.stretch, Steady)
    assert isinstance(right.stretch, Steady)
    d_left, d_right = difference(left.stretch.tail), difference(right.stretch.head)
    x = np.clip(raw, -0.5e6, max(1.02 * scale.source, *left.stretch.tail, *right.stretch.head)).astype(
        np.float64
    )
    if left.mirrored or right.mirrored:
        x = raw.astype(np.float64)
    d = x[:, 0] - x[:, 1]
    if left.tail is right.head:
        middle, to = _excursion_middle(left.tail, d_left, d_right, scale)
    else:
        middle, to = (d_left + d_right) / 2, right.head
        if right.head is Label.OFF and abs(d_right) > COASTS_ABOVE * scale.full:
            middle = d_left - np.sign(d_left) * COAST_STEP * scale.full
            return _first_crossing(start, d, middle, to)
    above, below = (to, left.tail) if d_left < middle else (left.tail, to)
    return _crossing_turns(start, d, middle, HYSTERESIS * scale.full, above, below, d_left > middle)


def _first_crossing(start: float, d: npt.NDArray[np.float64], middle: float, to: Label) -> list[Turn]:
    """Let go of a motor: timed where the first small step begins, since the half comes much later."""
    beyond = np.flatnonzero(abs(d) < abs(middle))
    at = int(beyond[0]) if len(beyond) else 0
    return [Turn(start + _interpolate(at, d, middle), to, settled=False)]


def _excursion_middle(label: Label, d_left: float, d_right: float, scale: Scale) -> tuple[float, Label]:
    """Same state on both sides: half the level away from it would be an excursion to the other state."""
    d = (d_left + d_right) / 2
    if label is Label.OFF:
        sign = 1.0 if d >= -0.1 * scale.full else -1.0
        return d + sign * max(0.5 * (scale.full - abs(d)), 0.25 * scale.full), (
            Label.FORWARD if sign > 0 else Label.REVERSE
        )
    return 0.5 * d, Label.OFF


def _crossing_turns(
    start: float,
    d: npt.NDArray[np.float64],
    middle: float,
    hysteresis: float,
    above: Label,
    below: Label,
    begins_above: bool,
) -> list[Turn]:
    """Turns at each crossing that is followed through by `hysteresis` (half of it for short excursions)."""
    turns: list[Turn] = []
    high = begins_above
    crossed = 0.0
    was = begins_above
    for i, v in enumerate(d.tolist()):
        now = v > middle
        if now != was:
            crossed = _interpolate(i, d, middle)
            was = now
        if high and v < middle - hysteresis:
            high = False
            turns.append(Turn(start + crossed, below, settled=False))
        elif not high and v > middle + hysteresis:
            high = True
            turns.append(Turn(start + crossed, above, settled=False))
    return turns


def _interpolate(i: int, d: npt.NDArray[np.float64], middle: float) -> float:
    if i == 0:
        return 0.0
    return i - 1 + float((middle - d[i - 1]) / (d[i] - d[i - 1]))


def _join_bounce(turns: list[Turn], initial: Label, within: float) -> list[Turn]:
    """Chains of turns closer than `within` become one turn, or one gap that starts and ends with them."""
    out: list[Turn] = []
    state = initial
    i = 0
    while i < len(turns):
        j = i
        while j + 1 < len(turns) and turns[j + 1].at - turns[j].at < within:
            j += 1
        chain = turns[i : j + 1]
        if chain[-1].label is not state:
            out.append(Turn(chain[0].at, chain[-1].label, chain[-1].settled, chain[-1].at))
        elif len(chain) > 1 and chain[0].label is Label.OFF:  # as short a blip of on is a spike, or a kick
            inner = chain[0]
            out.append(Turn(chain[0].at, inner.label, settled=False))
            out.append(Turn(chain[-1].at, state))
        state = chain[-1].label
        i = j + 1
    return out


def _parts(
    turns: Sequence[Turn], known: Sequence[Labelled], stretches: Sequence[Stretch], broken: Sequence[float]
) -> list[Part]:
    start = start_of(known[0].stretch)
    end = end_of(known[-1].stretch)
    bounds = [start, *(t.at for t in turns), end]
    labels = [known[0].head, *(t.label for t in turns)]
    members = _members(known, bounds)
    parts = []
    for n, label in enumerate(labels):
        a, b, inside = bounds[n], bounds[n + 1], members[n]
        steady = tuple(k.stretch for k in inside if isinstance(k.stretch, Steady))
        trains = [k.stretch for k in inside if isinstance(k.stretch, Train)]
        whole = Part(
            a,
            b,
            label,
            _levels(steady, stretches, a, b, label is Label.OFF),
            begins=n > 0 and a not in broken,
            ends=n < len(labels) - 1 and b not in broken,
            train=max(trains, key=lambda t: t.end - t.start) if trains else None,
            stretches=steady,
        )
        parts += _split_mirrored(whole, {k.stretch.start for k in inside if k.mirrored})
    return parts


def _split_mirrored(part: Part, mirrored: set[float]) -> list[Part]:
    """Cut an on part where the reference lead was lost or found."""
    if not mirrored:
        return [part]
    return _split(part, lambda s, before: (s.start in mirrored) != (before.start in mirrored), mirrored)


def _members(known: Sequence[Labelled], bounds: Sequence[float]) -> list[list[Labelled]]:
    """For each interval between two bounds (in order of time), what lies in it with more than its half."""
    members: list[list[Labelled]] = [[] for _ in bounds[1:]]
    for k in known:
        start, end = start_of(k.stretch), end_of(k.stretch)
        n = min(max(bisect_right(bounds, (start + end) / 2) - 1, 0), len(members) - 1)
        if min(end, bounds[n + 1]) - max(start, bounds[n]) > 0.5 * (end - start):
            members[n].append(k)
    return members


def _levels(
    steady: Sequence[Steady], stretches: Sequence[Stretch], a: float, b: float, off: bool = False
) -> Pair | None:
    if steady:
        n = [s.end - s.start for s in steady]
        return (
            sum(s.mean[0] * k for s, k in zip(steady, n, strict=True)) / sum(n),
            sum(s.mean[1] * k for s, k in zip(steady, n, strict=True)) / sum(n),
        )
    return _short_levels(stretches, a, b, off)


def _short_levels(stretches: Sequence[Stretch], a: float, b: float, off: bool) -> Pair | None:
    """Levels in the middle of a short part, from the samples kept around it."""
    best: list[npt.NDArray[np.int32]] = []
    for s in islice(stretches, bisect_left(stretches, a, key=end_of), None):
        if isinstance(s, Lost | Train):
            continue
        if start_of(s) > b:
            break
        if s.raw is None:
            continue
        first = s.raw_start if isinstance(s, Zone) else s.start
        p, q = max(0, int(np.ceil(a - first))), int(np.floor(b - first)) + 1
        if q > p:
            best.append(s.raw[p:q])
    if not best:
        return None
    raw = np.concatenate(best)
    if not len(raw):
        return None
    # a gap that frets is on for part of its time: the samples furthest from on are its level
    by_load = np.argsort(np.abs(raw[:, 0].astype(np.int64) - raw[:, 1]), kind="stable")
    if off:
        raw = raw[by_load[: max(1, len(raw) // 3)]]
    middle = np.median(raw, axis=0)
    return float(middle[0]), float(middle[1])
