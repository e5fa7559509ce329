"""Leads that nothing holds, told by the whisper bias.

The whisper (5 V through about 1 MΩ) lifts a lead on nothing, against the lead's own 1.1 MΩ, to
5 V * 1.1 / 2.1 = 2.6 V; a connected lead it does not move. The level alone proves nothing, a bad ground can
drop as much: the lead must follow when the whisper is taken away or put on, or keep the level of a moment
when it did. Two pins that only the load joins float alike, wherever leakage draws them.

For all that comes after, a lead that floats reads zero, as it would without the whisper, and says that it
floats. One floating lead beside one at source is nobody's load: such a stretch is no evidence at all.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from daq.crossings import UV
from daq.stretches import Lost, Pair, Steady, Stretch, Train, Zone

FREE_UV = 5 * UV * 1.1 / 2.1
FREE_BAND_UV = (2.2 * UV, 3.05 * UV)  # supply 4.5 to 5.25 V, resistors to 2 %
ALIKE_BAND_UV = (0.8 * UV, 3.5 * UV)  # of two pins that the load joins: leakage draws them up or down
ALIKE_UV = 0.3 * UV
KEPT_UV = 0.15 * UV  # a lead that goes on floating keeps its level to this
AT_REST_UV = 0.6 * UV  # without the whisper a floating lead is at zero
HELD_UP_UV = 1.0 * UV  # and above: neither a ground nor the other end of the load
PROBED_AFTER_S = 0.8  # whoever measures live has asked by then (see `probe`)
BESIDE_S = 0.02  # the circuit beside a change of bias is looked at this close
TOLD_SHARE = 0.3  # of a stretch with the whisper on: enough to tell a free lead from a ground
BELOW_ZERO_UV = -0.25 * UV
MIRROR_SUM = 0.2  # as in `labels`

Flag = bool | None  # whether a lead floats; None: not known
Flags = tuple[Flag, Flag]
UNKNOWN: Flags = (None, None)


@dataclass(frozen=True, slots=True)
class Whispers:
    """When the whisper bias was on: `changes` are (from pair, on), in order of time."""

    changes: tuple[tuple[int, bool], ...] = ()

    @property
    def ever(self) -> bool:
        return any(on for _, on in self.changes)

    def then(self, pair: int, on: bool) -> Whispers:
        """With one change more."""
        return Whispers((*self.changes, (pair, on)))

    def on(self, pair: float) -> bool:
        """Was the whisper on at `pair`?"""
        at = bisect_right(self.changes, pair, key=lambda change: change[0])
        return at > 0 and self.changes[at - 1][1]

    def share(self, start: float, end: float) -> float:
        """The part of start..end in which the whisper was on."""
        changes = self.within(start, end)
        if not changes:
            return float(self.on((start + end) / 2))
        total, since, on = 0.0, start, self.on(start)
        for at, way in (*changes, (end, False)):
            total += (at - since) * on
            since, on = float(at), way
        return total / (end - start)

    def within(self, start: float, end: float) -> Sequence[tuple[int, bool]]:
        """The changes at start < pair < end."""
        first = bisect_right(self.changes, start, key=lambda change: change[0])
        return self.changes[first : bisect_left(self.changes, end, key=lambda change: change[0])]


@dataclass(slots=True)
class Sorted:
    """Stretches as without the whisper, and what else there is to know.

    Attributes:
        loose: where a lead hung free beside one at source, pairs.
        beside: what the lead beside it read, (µV, pairs).
        now: the leads that float at the end.
    """

    stretches: Sequence[Stretch]
    loose: list[tuple[float, float]] = field(default_factory=list)
    beside: list[tuple[float, float]] = field(default_factory=list)
    now: tuple[bool, bool] = (False, False)


def sort_out(stretches: Sequence[Stretch], whispers: Whispers, rate_hz: float) -> Sorted:
    """Find the leads that float and take the whisper out of what they read. Cost: a few looks a stretch."""
    if not whispers.ever:
        return Sorted(stretches)
    shares = [whispers.share(s.start, s.end) if isinstance(s, Steady | Train) else 0.0 for s in stretches]
    flags = _proven(stretches, whispers, shares, rate_hz)
    order = [n for n, stretch in enumerate(stretches) if not isinstance(stretch, Zone)]
    _inherit(stretches, flags, shares, order)
    _inherit(stretches, flags, shares, order[::-1])
    out: list[Stretch] = []
    sorted_out = Sorted(out)
    for n, stretch in enumerate(stretches):
        if not isinstance(stretch, Steady | Train):
            out.append(stretch)
            continue
        on = shares[n] > 0.5
        floats = sorted_out.now = _decided(stretch, flags[n], on, rate_hz)
        if _is_loose(stretch, floats):
            _add(sorted_out.loose, stretch, BESIDE_S * rate_hz)
            out.append(Lost(round(stretch.start), 0.0))
        else:
            out.append(_as_without(stretch, floats, on) if isinstance(stretch, Steady) else stretch)
        if out[-1] is not stretch and isinstance(stretch, Steady):
            held = [level for level, free in zip(stretch.settled, floats, strict=True) if not free]
            if held and max(held) > HELD_UP_UV:
                sorted_out.beside.append((max(held), float(stretch.end - stretch.start)))
    return sorted_out


def _add(spans: list[tuple[float, float]], stretch: Steady | Train, near: float) -> None:
    """A span that goes on where the last one ended is one with it: a probe cuts them."""
    goes_on = spans and stretch.start - spans[-1][1] < near
    begun = spans.pop()[0] if goes_on else stretch.start
    spans.append((begun, stretch.end))


def in_free_band(level_uv: float) -> bool:
    """Whether a lead reads what the whisper makes of one on nothing."""
    return FREE_BAND_UV[0] < level_uv < FREE_BAND_UV[1]


def _proven(
    stretches: Sequence[Stretch], whispers: Whispers, shares: Sequence[float], rate_hz: float
) -> list[Flags]:
    """Flags of the stretches beside (or across) a change of the whisper."""
    flags: list[Flags] = [UNKNOWN] * len(stretches)
    near = max(2.0, BESIDE_S * rate_hz)
    for n, stretch in enumerate(stretches):
        if isinstance(stretch, Steady) and whispers.within(stretch.start + 2, stretch.end - 2):
            flags[n] = (False, False)  # nothing moved with it
        elif isinstance(stretch, Train):
            flags[n] = (
                _beside_pulses(_level(stretch, 0), shares[n]),
                _beside_pulses(_level(stretch, 1), shares[n]),
            )
    for left, right in _neighbours(stretches):
        a, b = stretches[left], stretches[right]
        assert isinstance(a, Steady)
        assert isinstance(b, Steady)
        if b.start - a.end > near:
            continue
        if not whispers.within(a.end - 3, b.start + 3):
            for k in (left, right):
                one, other = flags[k]
                flags[k] = _moved_by_the_load(a, b, 0, one), _moved_by_the_load(a, b, 1, other)
            continue
        before = whispers.on(a.end - 4)
        if before is whispers.on(b.start + 3):
            continue
        with_it, without = (a.tail, b.head) if before else (b.head, a.tail)
        found = _follows(with_it[0], without[0]), _follows(with_it[1], without[1])
        if None in found:
            continue  # the circuit itself moved at that moment
        for k in (left, right):
            one, other = flags[k]
            flags[k] = (found[0] if one is None else one, found[1] if other is None else other)
    return flags


def _moved_by_the_load(a: Steady, b: Steady, lead: int, flag: Flag) -> Flag:
    """A lead that moved just when the other one was switched is on its pin: a bad ground drops what it likes.
    A lead that comes off moves alone."""
    if flag is not None:
        return flag
    before, after = a.tail[1 - lead], b.head[1 - lead]
    switched = abs(after - before) > HELD_UP_UV and max(before, after) > ALIKE_BAND_UV[1]
    up = (b.head if after > before else a.tail)[lead]
    followed = abs(b.head[lead] - a.tail[lead]) > ALIKE_UV
    return False if switched and followed and abs(up - FREE_UV) < KEPT_UV else None


def _beside_pulses(level: float | None, share: float) -> Flag:
    """A lead that stays at the free level while the other is pulsed: no current does that to a held one."""
    if level is None:
        return False
    if share < TOLD_SHARE:
        return None  # the whisper was away: it reads zero, as a ground does
    return abs(level - FREE_UV * share) < KEPT_UV


def _follows(with_it: float, without: float) -> Flag:
    if abs(without) < AT_REST_UV and ALIKE_BAND_UV[0] < with_it < ALIKE_BAND_UV[1]:
        return True
    return False if abs(with_it - without) < ALIKE_UV else None


def _neighbours(stretches: Sequence[Stretch]) -> Iterator[tuple[int, int]]:
    """Positions of steady stretches that follow each other with nothing lost or pulsed between them."""
    last: int | None = None
    for n, stretch in enumerate(stretches):
        if isinstance(stretch, Steady):
            if last is not None:
                yield last, n
            last = n
        elif not isinstance(stretch, Zone):
            last = None


def _inherit(
    stretches: Sequence[Stretch], flags: list[Flags], shares: Sequence[float], order: Sequence[int]
) -> None:
    """A lead that goes on reading what it read is what it was, while the other does what it likes."""
    for before, here in pairwise(order):
        known, found = flags[before], flags[here]
        if None not in found or known == UNKNOWN:
            continue
        a, b = stretches[before], stretches[here]
        if not isinstance(a, Steady | Train) or not isinstance(b, Steady | Train):
            continue
        both = shares[before], shares[here]
        flags[here] = (
            _kept(found[0], known[0], _level(a, 0), _level(b, 0), both),
            _kept(found[1], known[1], _level(a, 1), _level(b, 1), both),
        )


def _kept(
    flag: Flag, known: Flag, before: float | None, level: float | None, shares: tuple[float, float]
) -> Flag:
    """`flag`, or what is `known` of the stretch beside, where the level is as it must be then."""
    if flag is not None or known is None or level is None or before is None:
        return flag
    expected = FREE_UV * shares[1] if known else before + (shares[0] != shares[1]) * 2 * KEPT_UV
    return known if abs(level - expected) < KEPT_UV else None


def _level(stretch: Steady | Train, lead: int) -> float | None:
    """What the lead reads throughout; None where it is pulsed itself."""
    if isinstance(stretch, Steady):
        return stretch.mean[lead]
    up, down = stretch.up[lead], stretch.down[lead]
    return (up + down) / 2 if abs(up - down) < KEPT_UV else None


def _decided(stretch: Steady | Train, flags: Flags, on: bool, rate_hz: float) -> tuple[bool, bool]:
    """What is not proven: two leads alike float; one alone only where there was no time to ask."""
    one, other = flags
    if on and isinstance(stretch, Steady):
        if one is not False and other is not False and _alike(stretch):
            return True, True
        if stretch.end - stretch.start < PROBED_AFTER_S * rate_hz:
            one = _stands_free(stretch, 0) if one is None else one
            other = _stands_free(stretch, 1) if other is None else other
    return one is True, other is True


def _stands_free(stretch: Steady, lead: int) -> bool:
    """A free lead is at its level at once and stays; what comes down to it by and by is a wire's drop."""
    levels = stretch.head[lead], stretch.mean[lead], stretch.tail[lead]
    return all(abs(level - FREE_UV) < KEPT_UV for level in levels)


def _alike(stretch: Steady) -> bool:
    low, high = sorted(stretch.settled)
    return ALIKE_BAND_UV[0] < low and high < ALIKE_BAND_UV[1] and high - low < ALIKE_UV


def _is_loose(stretch: Steady | Train, floats: tuple[bool, bool]) -> bool:
    """One lead on nothing while the other is up, or pulsed: through a load they would agree."""
    if isinstance(stretch, Train):
        return any(floats)
    return floats[0] is not floats[1] and stretch.settled[1 if floats[0] else 0] > HELD_UP_UV


def _as_without(stretch: Steady, floats: tuple[bool, bool], on: bool) -> Steady:
    if any(floats):
        by = [level if lead and on else 0.0 for level, lead in zip(stretch.mean, floats, strict=True)]
        return _lowered(stretch, (by[0], by[1]), floats)
    low, high = sorted(stretch.mean)
    if on and low < BELOW_ZERO_UV and abs(low + high - 2 * FREE_UV) < MIRROR_SUM * (high - low):
        return _lowered(stretch, (FREE_UV, FREE_UV), floats)  # the whole logger floats: the reference is off
    return stretch


def _lowered(s: Steady, by: Pair, floats: tuple[bool, bool]) -> Steady:
    def less(levels: Pair) -> Pair:
        return levels[0] - by[0], levels[1] - by[1]

    raw = None if s.raw is None else s.raw - np.array(by).round().astype(np.int32)
    return replace(
        s,
        mean=less(s.mean),
        head=less(s.head),
        tail=less(s.tail),
        late=less(s.late),
        settled=less(s.settled),
        low=less(s.low),
        high=less(s.high),
        trail=[(at, a - by[0], b - by[1]) for at, a, b in s.trail],
        raw=raw,
        floats=floats,
    )
