"""Stage 4: from labelled stretches to the load's states in time: turns, gaps and off parts."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
import numpy.typing as npt

from daq.labels import Label, Labelled, Scale
from daq.stretches import Lost, Pair, Steady, Stretch, Train, Zone, end_of, start_of
from daq.turns import UNEVEN_PERIODS, Turn, join_bounce, turns_between

BOUNCE_S = 0.007
TOGETHER_MOVED = 0.6  # of source, both leads added
TOGETHER_DOWN = 0.5
SWINGS = 0.5  # of source
ALIKE = 0.03  # of a period
SHORT_S = 0.045  # an off part shorter than this is no evidence of a hand on a switch


@dataclass(slots=True)
class Part:
    """An interval in one state, between turns (or the ends of the recording).

    `levels` are what the leads show in it, µV; `begins`/`ends` tell whether its ends were seen as
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
            between = turns_between(stretches, known[n - 1], here, scale, rate_hz)
            if between is None:
                broken.append(start_of(here.stretch))
                if here.head is not known[n - 1].tail:
                    turns.append(Turn(start_of(here.stretch), here.head))
            else:
                turns += between
    turns = join_bounce(turns, known[0].head, BOUNCE_S * rate_hz)
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
    return alike(a, b) and b.start - a.end < UNEVEN_PERIODS * b.period


def alike(a: Train, b: Train) -> bool:
    """Whether their periods are the same."""
    return abs(a.period - b.period) < ALIKE * b.period + 0.1


def swings_together(s: Steady, scale: Scale) -> bool:
    """Whether both leads go up and down all the way, as a pulsed load does whose ground is open: no level."""
    return min(high - low for low, high in zip(s.low, s.high, strict=True)) > SWINGS * scale.source


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
    if not part.stretches:
        return [replace(part, mirrored=True)]
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
