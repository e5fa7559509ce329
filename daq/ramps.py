"""A level that swings slowly from off to on and back, as a dimmer's or a fading lamp's, is cut at its turns.

Nothing in such a stretch is fast enough to cut it, so one can hold many switchings. Each piece then goes one
way only, and is labelled and timed as any slow ramp is.
"""

from __future__ import annotations

from collections.abc import Sequence

from daq.labels import ON_ABOVE, Scale
from daq.stretches import Pair, Steady, Stretch

OFF_AGAIN = 0.1  # of D: no starter pulls a source as low (ISO 16750-2 level III: 3 V of 12)
SWINGS = 0.4  # of D: less far from an end of the stretch, it is no turn
Cut = tuple[int, Pair]  # pair, level there


def without_turns(stretches: Sequence[Stretch], scale: Scale) -> list[Stretch]:
    """The stretches, those that swing between on and off cut where they turn back."""
    out: list[Stretch] = []
    for s in stretches:
        cuts = _turns(s, scale) if isinstance(s, Steady) and len(s.trail) > 2 and not s.rippled else []
        if cuts and isinstance(s, Steady):
            out += _pieces(s, cuts)
        else:
            out.append(s)
    return out


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
            trail=[x for x in s.trail if start <= x[0] < end],
            halves=[at for at in s.halves if start <= at < end],
            floats=s.floats,
        )
        for (start, head), (end, tail) in zip(heads, tails, strict=True)
    ]
