"""Feed and ground switched one after the other: what the moments between the two show.

With one of them closed both leads stand alike, at source or near zero. That lasts as long as the two are
apart: from milliseconds (a relay that a module grounds behind the key) to the time a hand takes.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import islice, pairwise

from daq.departures import at_source
from daq.evidence import OffKind
from daq.labels import ON, Label, Scale
from daq.pulsed_holes import PulsedHole
from daq.stretches import Steady, Stretch, end_of, start_of
from daq.switching import SHORT_S, Part

SAME_HAND_S = 0.2
BY_HAND_S = 0.25
MOMENT_S = 0.002  # longer than the front end takes to settle
LIFTED = 0.4  # of source: at rest no ground is lifted further, and no source is lower


def in_turn(parts: Sequence[Part], holes: Sequence[PulsedHole], rate_hz: float) -> int:
    """Changes beside which both leads move together: feed and ground switched one after the other.

    Args:
        holes: of pulsed loads. A ground that is away for as long as a hand takes is one that a hand switches,
            a ground that opens is mostly faster.
    """
    steps = sum(
        a.label is Label.OFF and b.label is Label.OFF and not b.begins and (a.begins or b.ends)
        for a, b in pairwise(parts)
    )
    slow = sum(h.kind is OffKind.GROUND_ROSE and h.end - h.start > BY_HAND_S * rate_hz for h in holes)
    return steps + 2 * slow


def hasty(stretches: Sequence[Stretch], parts: Sequence[Part], scale: Scale, rate_hz: float) -> int:
    """Switchings with both leads at source right beside them, for a moment only."""
    return _same_hand(parts, scale, rate_hz) + _moments(stretches, parts, scale, rate_hz)


def _same_hand(parts: Sequence[Part], scale: Scale, rate_hz: float) -> int:
    """Times at source on both leads, beside on, so short that the same hand moved feed and ground.

    Not the moment when the ground opened for good: the feed then comes and goes, and the load works no more.
    """
    count = 0
    for n, (a, b) in enumerate(pairwise(parts)):
        if a.label is not Label.OFF or b.label is not Label.OFF or b.begins:
            continue
        if a.begins and _short_at_source(a, scale, rate_hz):
            later = parts[n + 2 :]
            works = any(p.label in ON for p in later)
            count += works or not any(p.levels is not None and at_source(p.levels, scale) for p in later)
        elif b.ends:
            count += _short_at_source(b, scale, rate_hz)
    return count


def _moments(stretches: Sequence[Stretch], parts: Sequence[Part], scale: Scale, rate_hz: float) -> int:
    """Of milliseconds, too short to be parts of their own, beside an off part near zero."""
    count = 0
    for part in parts:
        if part.label is not Label.OFF or part.levels is None or max(part.levels) > LIFTED * scale.source:
            continue
        ends = [part.start] * part.begins + [part.end] * part.ends
        count += sum(_at_source_beside(at, stretches, scale, rate_hz) for at in ends)
    return count


def _at_source_beside(at: float, stretches: Sequence[Stretch], scale: Scale, rate_hz: float) -> bool:
    reach = SHORT_S * rate_hz
    for s in islice(stretches, bisect_left(stretches, at - reach, key=end_of), None):
        if start_of(s) > at + reach:
            break
        if not isinstance(s, Steady) or not at_source(s.mean, scale):
            continue
        if MOMENT_S * rate_hz <= s.end - s.start < reach:
            return True
    return False


def _short_at_source(part: Part, scale: Scale, rate_hz: float) -> bool:
    short = SHORT_S <= (part.end - part.start) / rate_hz < SAME_HAND_S
    return short and part.levels is not None and at_source(part.levels, scale)
