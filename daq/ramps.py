"""A level that swings slowly from off to on and back, as a dimmer's or a fading lamp's, is cut at its turns.

Nothing in such a stretch is fast enough to cut it, so one can hold many switchings. Each piece then goes one
way only, and is labelled and timed as any slow ramp is.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace

from daq.labels import ON_ABOVE, Scale
from daq.stretches import Pair, Steady, Stretch

OFF_AGAIN = 0.1  # of D: no starter pulls a source as low (ISO 16750-2 level III: 3 V of 12)
SWINGS = 0.4  # of D: less far from an end of the stretch, it is no turn
Cut = tuple[int, Pair]  # pair, level there


def without_turns(stretches: Sequence[Stretch], scale: Scale) -> list[Stretch]:
    """The stretches, those that swing between on and off cut where they turn back."""
    out: list[Stretch] = []
    for run in _runs(stretches):
        whole = _as_one([s for s in run if isinstance(s, Steady) and not s.rippled])
        cuts = _turns(whole, scale) if whole is not None and len(whole.trail) > 2 else []
        out += _pieces(whole, cuts) if whole is not None and cuts else run
    return out


def _runs(stretches: Sequence[Stretch]) -> list[list[Stretch]]:
    """What ended only because its trail was full (no samples are between), with what goes on there."""
    runs: list[list[Stretch]] = []
    for s in stretches:
        before = runs[-1][-1] if runs else None
        if isinstance(before, Steady) and isinstance(s, Steady) and _goes_on(before, s):
            runs[-1].append(s)
        else:
            runs.append([s])
    return runs


def _goes_on(a: Steady, b: Steady) -> bool:
    return a.end == b.start and a.floats == b.floats and not a.rippled and not b.rippled


def _as_one(run: Sequence[Steady]) -> Steady | None:
    """As far as its turns need it; None of nothing."""
    if len(run) < 2:
        return run[0] if run else None
    low = [min(s.low[k] for s in run) for k in (0, 1)]
    high = [max(s.high[k] for s in run) for k in (0, 1)]
    return replace(
        run[0],
        end=run[-1].end,
        tail=run[-1].tail,
        low=(low[0], low[1]),
        high=(high[0], high[1]),
        trail=[x for s in run for x in s.trail],
        halves=[at for s in run for at in s.halves],
    )


def _turns(s: Steady, scale: Scale) -> list[Cut]:
    """Where the load voltage is at the top or at the foot between two swings; none in a single swing."""
    d = [abs(a - b) for _, a, b in s.trail]
    extremes: list[tuple[bool, int]] = []  # on or off; the point of the trail that is furthest there
    for n, here in enumerate(d):
        on = here > ON_ABOVE * scale.full
        if not on and here > OFF_AGAIN * scale.full:
            continue
        if not extremes or extremes[-1][0] is not on:
            extremes.append((on, n))
        elif (here > d[extremes[-1][1]]) is on:
            extremes[-1] = on, n
    if len(extremes) < 2:
        return []
    if abs(d[extremes[0][1]] - abs(s.head[0] - s.head[1])) < SWINGS * scale.full:
        del extremes[0]
    if extremes and abs(d[extremes[-1][1]] - abs(s.tail[0] - s.tail[1])) < SWINGS * scale.full:
        del extremes[-1]
    return [_after(s, n) for _, n in extremes]


def _after(s: Steady, n: int) -> Cut:
    """In the middle of the time that it stays at the level of this point of its trail."""
    at, *level = s.trail[n]
    then = s.trail[n + 1][0] if n + 1 < len(s.trail) else s.end
    return round((at + then) / 2), (level[0], level[1])


def _pieces(s: Steady, cuts: Sequence[Cut]) -> list[Steady]:
    heads = [(s.start, s.head), *cuts]
    tails = [*cuts, (s.end, s.tail)]
    times = [x[0] for x in s.trail]
    return [
        Steady(
            start,
            end,
            mean=((head[0] + tail[0]) / 2, (head[1] + tail[1]) / 2),
            head=head,
            tail=tail,
            late=tail,
            settled=tail,
            low=s.low,
            high=s.high,
            trail=s.trail[bisect_left(times, start) : bisect_left(times, end)],
            halves=s.halves[bisect_left(s.halves, start) : bisect_left(s.halves, end)],
            floats=s.floats,
        )
        for (start, head), (end, tail) in zip(heads, tails, strict=True)
    ]
