"""Ripple on a level is no switching: a charger's, a neighbour's pulses on a shared wire, a horn's own.

Where the leads step up and down within a narrow band, again and again, the samples are cut into plateaus too
short to be called levels. Together they are one: the load is in the same state at the top of the band as at
its foot. What leaves the band is cut as ever, so a switching in the midst of it is timed as without ripple.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeGuard

from daq.crossings import UV
from daq.labels import ON_ABOVE, SETTLED_S, Scale, difference
from daq.spikes import EQUAL_LEAST_UV, EQUAL_OF_SOURCE
from daq.stretches import Pair, Steady, Stretch, Train, Zone, end_of, start_of
from daq.tally import TRAIL_MOST

BAND_OF_SOURCE = 1.0 - ON_ABOVE  # what is on at the top of a wider band may be off at its foot
GROWS = 1.15  # a band that fitted does so still when noise has widened it so much
BAND_LEAST_UV = 0.6 * UV  # nothing so small switches a load: no source is below 4.5 V
LONGEST_S = 0.030  # of a plateau; a longer one is a level by itself
PLATEAUS_LEAST, PLATEAUS_MOST = 3, 10  # that begin a rippled level
ALIKE_OF_BAND = 0.15
TAIL_S = 0.1  # the tail of a rippled level is the mean of about so much: some periods
TRAIL_OF_SOURCE = 0.02
BOTH_MOVE = 0.2  # the lead that moves less, of what the other does
HALF = 0.5


def join_ripple(out: list[Stretch], scale: Scale, rate_hz: float) -> None:
    """The last stretch goes on with a rippled level, or begins one together with those before it."""
    last = out[-1]
    if len(out) < 3 or not _is_plateau(last, rate_hz):
        return
    before, zone = out[-3], out[-2]
    if isinstance(before, Steady) and before.rippled:
        if isinstance(zone, Zone) and _goes_on(before, zone, last, scale):
            out[-3:] = [_longer(before, zone, last, scale, rate_hz)]
        return
    plateaus, zones = _chain(out, last, scale, rate_hz)
    enough = len(plateaus) == PLATEAUS_MOST or last.end - plateaus[0].start >= SETTLED_S * rate_hz
    if len(plateaus) >= PLATEAUS_LEAST and enough:
        out[-len(plateaus) - len(zones) :] = [_joined(plateaus, zones)]


def _is_plateau(s: Stretch, rate_hz: float) -> TypeGuard[Steady]:
    return isinstance(s, Steady) and not s.rippled and s.end - s.start <= LONGEST_S * rate_hz


def _chain(
    out: Sequence[Stretch], last: Steady, scale: Scale, rate_hz: float
) -> tuple[list[Steady], list[Zone]]:
    """The latest plateaus of one band, and the zones between them, in order of time."""
    plateaus, zones = [last], list[Zone]()
    for n in range(len(out) - 3, -1, -2):
        before, zone = out[n], out[n + 1]
        if len(plateaus) == PLATEAUS_MOST or not isinstance(zone, Zone) or not _is_plateau(before, rate_hz):
            break
        if len(plateaus) > 1 and not _comes_back(before, plateaus[0], plateaus[1], scale):
            break
        if not _is_narrow([before, *plateaus], [zone, *zones], scale):
            break
        plateaus.insert(0, before)
        zones.insert(0, zone)
    return plateaus, zones


def _comes_back(a: Steady, b: Steady, c: Steady, scale: Scale) -> bool:
    """Of three plateaus the outer ones lie where the others are: a step to another level does not."""
    return _inside(c, [a, b], scale) and _inside(a, [b, c], scale)


def _inside(s: Steady | Zone, band: Sequence[Steady], scale: Scale) -> bool:
    low, high = _extremes(band)
    source = max(scale.source, *high)
    for lead in (0, 1):
        slack = max(EQUAL_LEAST_UV, EQUAL_OF_SOURCE * source, ALIKE_OF_BAND * (high[lead] - low[lead]))
        if s.low[lead] < low[lead] - slack or s.high[lead] > high[lead] + slack:
            return False
    return True


def _is_narrow(plateaus: Sequence[Steady], zones: Sequence[Zone], scale: Scale, grown: float = 1.0) -> bool:
    """Too narrow, for either lead and for the load voltage, to switch a load."""
    low, high = _extremes([*plateaus, *zones])
    load = [difference(s.mean) for s in plateaus]
    widest = max(high[0] - low[0], high[1] - low[1], max(load) - min(load))
    return widest <= grown * max(BAND_LEAST_UV, BAND_OF_SOURCE * max(scale.source, *high))


def _extremes(stretches: Sequence[Steady | Zone]) -> tuple[Pair, Pair]:
    return (
        (min(s.low[0] for s in stretches), min(s.low[1] for s in stretches)),
        (max(s.high[0] for s in stretches), max(s.high[1] for s in stretches)),
    )


def _goes_on(level: Steady, zone: Zone, s: Steady, scale: Scale) -> bool:
    inside = _inside(zone, [level], scale) and _inside(s, [level], scale)
    return inside and _is_narrow([level, s], [zone], scale, GROWS)


def _joined(plateaus: Sequence[Steady], zones: Sequence[Zone]) -> Steady:
    """One level, at the mean of all: its head and tail too, which would else be at the top or the foot."""
    lengths = [s.end - s.start for s in plateaus]
    mean = (
        sum(s.mean[0] * n for s, n in zip(plateaus, lengths, strict=True)) / sum(lengths),
        sum(s.mean[1] * n for s, n in zip(plateaus, lengths, strict=True)) / sum(lengths),
    )
    low, high = _extremes([*plateaus, *zones])
    start, end = plateaus[0].start, plateaus[-1].end
    trail = [((start + end) / 2, *mean)]
    return Steady(start, end, mean, mean, mean, mean, mean, low, high, trail, rippled=True)


def _longer(level: Steady, zone: Zone, s: Steady, scale: Scale, rate_hz: float) -> Steady:
    n, more = level.end - level.start, s.end - s.start
    mean = _between(level.mean, s.mean, more / (n + more))
    tail = _between(level.tail, s.mean, more / (min(n, TAIL_S * rate_hz) + more))
    low, high = _extremes([level, zone, s])
    trail = level.trail
    _, *latest = trail[-1]
    if max(abs(a - b) for a, b in zip(tail, latest, strict=True)) > TRAIL_OF_SOURCE * max(
        scale.source, *high
    ):
        trail = [*trail, ((s.start + s.end) / 2, *tail)]
        trail = trail if len(trail) <= TRAIL_MOST else trail[::2]
    return Steady(level.start, s.end, mean, level.head, tail, mean, tail, low, high, trail, rippled=True)


def _between(a: Pair, b: Pair, share: float) -> Pair:
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])


def without_ripple(stretches: Sequence[Stretch], scale: Scale, rate_hz: float) -> list[Stretch]:
    """The stretches, with trains that leave the load in one state as the levels they are.

    The plateaus beside such a train, before it was known for one and after its last whole period, are of it.
    """
    out: list[Stretch] = []
    level: Steady | None = None  # the latest that was a train, while it may go on
    for s in stretches:
        if isinstance(s, Train) and _is_ripple(s, scale):
            level = _level(s)
            while out and _belongs(out[-1], level, scale, rate_hz):
                level.start = round(start_of(out.pop()))
            out.append(level)
        elif level is not None and _belongs(s, level, scale, rate_hz):
            level.end = round(end_of(s))
        else:
            level = None
            out.append(s)
    return out


def _belongs(s: Stretch, level: Steady, scale: Scale, rate_hz: float) -> bool:
    return (isinstance(s, Zone) or _is_plateau(s, rate_hz)) and _inside(s, [level], scale)


def _is_ripple(train: Train, scale: Scale) -> bool:
    least, most = sorted((train.up, train.down), key=lambda level: abs(difference(level)))
    if difference(least) * difference(most) <= 0:
        return False
    return abs(difference(least)) > (HALF if _nears(least, most) else ON_ABOVE) * scale.full


def _nears(least: Pair, most: Pair) -> bool:
    """Whether feed and ground move towards each other: a neighbour on both wires does that, no one switch."""
    feed = 0 if difference(most) > 0 else 1
    sinks, rises = most[feed] - least[feed], least[1 - feed] - most[1 - feed]
    return min(sinks, rises) > BOTH_MOVE * max(sinks, rises)


def _level(train: Train) -> Steady:
    mean = _between(train.down, train.up, train.up_share)
    return Steady(
        start=round(train.start),
        end=round(train.end),
        mean=mean,
        head=mean,
        tail=mean,
        late=mean,
        settled=mean,
        low=train.low,
        high=train.high,
        rippled=True,
    )
