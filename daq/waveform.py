"""What kind of load it is, from the shape of its transitions.

A coil kicks beyond the rails when let go (about a diode's drop with a clamp), a motor coasts down, a cold
lamp draws a surge that settles in tens of milliseconds. A load without any of these may be a resistor; a
kick of 0.1 ms can hide between two samples, so "resistive" is said only when several clean releases agree.
Common practice, no source.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import islice

from daq.crossings import UV
from daq.findings import LoadKind
from daq.labels import Label, Scale, difference
from daq.stretches import Lost, Steady, Stretch, Train, Zone, end_of, start_of
from daq.switching import Part

CLAMP_UV = (0.35 * UV, 1.6 * UV)  # beyond the rail, held
KICK_UV = 0.8 * UV
SURGE_OF_D = 0.006
SURGE_LEAST_UV = 0.04 * UV
COAST_OF_D = 0.08
CLEAN_LEAST = 3


def load_votes(
    stretches: Sequence[Stretch], parts: Sequence[Part], scale: Scale, rate_hz: float
) -> tuple[dict[LoadKind, int], int, bool]:
    """(signs of each kind, transitions without any sign, whether some off part rests off the rails)."""
    votes: dict[LoadKind, int] = {}
    clean = 0
    for n, part in enumerate(parts):
        if part.mirrored or not part.begins:
            continue
        found = None
        if part.label is Label.OFF and n:
            found = _release(stretches, parts[n - 1], part, scale, rate_hz)
        elif part.label in (Label.FORWARD, Label.REVERSE):
            found = LoadKind.LAMP if _surge(part, scale, rate_hz) else None
        if found is None:
            clean += 1
        else:
            votes[found] = votes.get(found, 0) + 1
    return votes, clean, not _rests_on_rail(parts, scale)


def kind_of_load(
    votes: Mapping[LoadKind, int], clean: int, off_rail: bool, reversing: bool, rate_hz: float
) -> LoadKind:
    if LoadKind.MOTOR in votes or (reversing and votes):
        return LoadKind.MOTOR  # reversing loads that draw a surge are motors
    if votes:
        return max(votes, key=lambda k: votes[k])
    return (
        LoadKind.RESISTIVE if clean >= CLEAN_LEAST and rate_hz >= 2000 and not off_rail else LoadKind.UNKNOWN
    )


def _release(
    stretches: Sequence[Stretch], on: Part, off: Part, scale: Scale, rate_hz: float
) -> LoadKind | None:
    if _coasts(off, scale):
        return LoadKind.MOTOR
    low, high = _extremes(stretches, off.start - 2, off.start + 0.03 * rate_hz)
    rail = max(on.levels or (0.0, 0.0))
    beyond = max(high - max(rail, *(off.levels or (0.0, 0.0))), -low - 0.0)
    clamp = _held_beyond(off, rail)
    if clamp:
        return LoadKind.CLAMPED_COIL
    if beyond <= max(KICK_UV, 0.06 * scale.source):
        return None
    return LoadKind.CLAMPED_COIL if beyond < CLAMP_UV[1] and not on.train else LoadKind.COIL


def _coasts(off: Part, scale: Scale) -> bool:
    """Falls slowly from near full voltage, for longer than a capacitor of an indicator would."""
    if not off.stretches:
        return False
    points = [abs(difference(off.stretches[0].head))]
    for s in off.stretches:
        points += [abs(a - b) for _, a, b in s.trail] + [abs(difference(s.tail))]
    return points[0] > 0.6 * scale.full and points[0] - points[-1] > COAST_OF_D * scale.full


def _extremes(stretches: Sequence[Stretch], a: float, b: float) -> tuple[float, float]:
    low, high = 0.0, 0.0
    for s in islice(stretches, bisect_left(stretches, a, key=end_of), None):
        if start_of(s) > b:
            break
        if isinstance(s, Lost | Train):
            continue
        if isinstance(s, Zone) or (isinstance(s, Steady) and s.end - s.start < 0.5 * (b - a)):
            low, high = min(low, *s.low), max(high, *s.high)
    return low, high


def _held_beyond(off: Part, rail: float) -> bool:
    for s in off.stretches[:2]:
        resting = off.stretches[-1].tail
        above = max(s.head) - max(rail, max(resting))
        below = min(resting) - min(s.head)
        if any(CLAMP_UV[0] < x < CLAMP_UV[1] for x in (above, below)) and (
            above > 0 or min(s.head) < -CLAMP_UV[0]
        ):
            return True
    return False


def _surge(on: Part, scale: Scale, rate_hz: float) -> bool:
    """The load voltage climbs after switching on, in 5 to 300 ms, and the ground lead settles down."""
    if not on.stretches or on.stretches[0].start - on.start > 0.05 * rate_hz:
        return False
    first = on.stretches[0]
    if first.end - first.start < 0.1 * rate_hz:
        return False
    climb = abs(difference(first.late)) - abs(difference(first.head))
    return climb > max(SURGE_LEAST_UV, SURGE_OF_D * scale.full)


def _rests_on_rail(parts: Sequence[Part], scale: Scale) -> bool:
    """Off levels agree to 2 %: no diode string, no leakage between."""
    offs = [p.levels for p in parts if p.label is Label.OFF and p.stretches and p.levels is not None]
    return bool(offs) and all(abs(difference(x)) < 0.02 * scale.full for x in offs)
