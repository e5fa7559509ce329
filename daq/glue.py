"""Joins steady stretches that a spike cut in two: ignition noise is no event.

Two levels less than 4 ms apart that agree to 1.5 % of source are one stretch, unless the load voltage left
its level for the other state in between: that is a gap, and stays. A neighbour's pulses on a shared wire
make such a level out of two in turn; they are joined too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from daq.labels import OFF_BELOW, Scale, difference
from daq.ripple import join_ripple
from daq.spikes import APART_S, EQUAL_LEAST_UV, EQUAL_OF_SOURCE, LEFT_OF_D
from daq.stretches import Pair, Raw, Steady, Stretch, Zone, is_beyond
from daq.tally import HALVES_MOST, LATE_AFTER_S, RAW_S, TRAIL_MOST

PULSE_OF_SOURCE = 0.06
ONSET_MOST = 200  # windows: what is looked at after a switching, in pieces of 20 ms
BEYOND_MOST = 64
SETTLED_S = 0.1  # the settled level is one of this length


def glue(stretches: Sequence[Stretch], scale: Scale, rate_hz: float) -> list[Stretch]:
    """The stretches, joined where they are one level."""
    out: list[Stretch] = []
    for s in stretches:
        append(out, s, scale, rate_hz)
    return out


def append(out: list[Stretch], s: Stretch, scale: Scale, rate_hz: float) -> None:
    """Add the next stretch to those glued before, with the same scale."""
    if len(out) > 1 and isinstance(s, Steady):
        before, zone = out[-2:]
        if isinstance(zone, Zone) and isinstance(before, Steady) and _same(before, zone, s, scale, rate_hz):
            out[-2:] = [_joined(before, zone, s, rate_hz)]
            return
    out.append(s)
    _glue_over_a_pulse(out, scale, rate_hz)
    join_ripple(out, scale, rate_hz)


def _glue_over_a_pulse(out: list[Stretch], scale: Scale, rate_hz: float) -> None:
    """Level, pulse, level again: one stretch, when the pulse is short and of little load voltage."""
    if len(out) < 5:
        return
    a, up, pulse, down, b = out[-5:]
    if not (isinstance(b, Steady) and isinstance(pulse, Steady) and isinstance(a, Steady)):
        return
    if not (isinstance(up, Zone) and isinstance(down, Zone)):
        return
    if up.raw is None or pulse.raw is None or down.raw is None:
        return
    if abs(difference(pulse.mean) - difference(a.tail)) > PULSE_OF_SOURCE * scale.source:
        return
    raw = np.concatenate((_inside(up), pulse.raw, _inside(down)))
    low, high = raw.min(axis=0), raw.max(axis=0)
    over = Zone(up.start, down.end, up.start, raw, (low[0], low[1]), (high[0], high[1]))
    if _same(a, over, b, scale, rate_hz):
        out[-5:] = [_joined(a, over, b, rate_hz)]


def _inside(zone: Zone) -> Raw:
    assert zone.raw is not None
    return zone.raw[zone.start - zone.raw_start : zone.end - zone.raw_start]


def _same(before: Steady, zone: Zone, after: Steady, scale: Scale, rate_hz: float) -> bool:
    if before.rippled or zone.raw is None or after.start - before.end > max(2, APART_S * rate_hz):
        return False
    equal = max(EQUAL_OF_SOURCE * scale.source, EQUAL_LEAST_UV)
    if abs(before.tail[0] - after.head[0]) > equal or abs(before.tail[1] - after.head[1]) > equal:
        return False
    level = difference(before.tail)
    if abs(level) < OFF_BELOW * scale.full:
        return True
    x = np.clip(zone.raw, -0.5e6, max(1.02 * scale.source, *before.tail)).astype(np.float64)
    return bool(np.all(abs(x[:, 0] - x[:, 1] - level) < LEFT_OF_D * abs(level)))


def _joined(a: Steady, zone: Zone, b: Steady, rate_hz: float) -> Steady:
    n, m = a.end - a.start, b.end - b.start
    enough = b.start - a.start > LATE_AFTER_S * rate_hz
    late_n = n if n > 2 * LATE_AFTER_S * rate_hz else 0
    late = b.mean if enough and not late_n else _mean(a.late, late_n or n, b.mean, m)
    middle = ((b.start + b.end) / 2, *b.mean)
    beyond = [(zone.start, zone.end)] if is_beyond(zone.low, zone.high) else []
    trail = a.trail + (b.trail or [middle])
    # hours of ignition spikes are one stretch: what it carries must not grow with them
    return Steady(
        start=a.start,
        end=b.end,
        mean=_mean(a.mean, n, b.mean, m),
        head=a.head,
        tail=b.tail,
        late=late,
        settled=_mean(a.settled, max(0.0, min(n, SETTLED_S * rate_hz - m)), b.settled, m),
        low=(min(a.low[0], b.low[0]), min(a.low[1], b.low[1])),
        high=(max(a.high[0], b.high[0]), max(a.high[1], b.high[1])),
        trail=trail if len(trail) <= TRAIL_MOST else trail[::2],
        halves=(a.halves + b.halves)[:HALVES_MOST],
        onset=a.onset + b.onset if len(a.onset) < ONSET_MOST else a.onset,
        raw=_raw_of_all(a, zone, b) if b.end - a.start <= RAW_S * rate_hz else None,
        beyond=(a.beyond + beyond + b.beyond)[:BEYOND_MOST],
    )


def _raw_of_all(a: Steady, zone: Zone, b: Steady) -> Raw | None:
    if a.raw is None or b.raw is None or zone.raw is None:
        return None
    return np.concatenate((a.raw, _inside(zone), b.raw))


def _mean(a: Pair, n: float, b: Pair, m: int) -> Pair:
    return (a[0] * n + b[0] * m) / (n + m), (a[1] * n + b[1] * m) / (n + m)
