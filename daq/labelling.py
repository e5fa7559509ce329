"""On or off, for every settled stretch, with memory of what came before.

The load voltage d = lead 1 - lead 2 decides, relative to D, the highest settled |d|: a load is off below
0.3 D and on above 0.8 D. Between the two the history decides: a motor coasts down and a capacitor empties
(a fast fall that goes on falling is off), a cranking engine lets the source recover (a fall that rises
again by itself is a sag, the load stays on), a cold lamp climbs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.labels import (
    OFF_BELOW,
    ON,
    ON_ABOVE,
    Label,
    Labelled,
    Scale,
    difference,
    is_mirrored,
    seen_scale,
    settled,
)
from daq.stretches import Lost, Pair, Steady, Stretch, Train, on_while_up

ON_CLIMBS_TO = 0.6
STEP_OFF = 0.22  # of D: a fall that may mean off though d stays high
FAR_OFF = 0.45  # of D: no source stays this far down without rising by itself
STEP_COAST = 0.02  # of D: the least step of a motor let go
COAST_FALL = 0.06  # and how far it must then have fallen in all
BOTH_UP = 0.4  # of source: the lower lead is too high to be a ground with current in it
COLD_STEP = 0.12  # of D
FAST_FALL = 0.1  # of D, between two stretches
RISE = 0.05  # of D: a rise that says sag
SAGS_TO = 0.15  # of D: as low as cranking pulls a source (ISO 16750-2 level III: 3 V of 12)
SOON_S = 0.12
SWITCHED_AFTER_S = 0.6  # what a neighbour's inrush does to a shared ground is over by then
COASTED = 0.1  # of D: slid this far by itself
HALF = 0.5
CLIMBS = 0.15  # of D: no motor that coasts gains so much by itself
SLIDES = 0.4  # of a fall: a motor let go slides down, a source that other loads pull down falls in steps


@dataclass(frozen=True, slots=True)
class _Descent:
    """How the load voltage goes on after a fall.

    `slid` is what it fell within stretches, by itself; `rose_after` the pairs until it rose by itself.
    """

    lowest: float
    last: float
    slid: float
    rose_after: float | None


def label_stretches(
    stretches: Sequence[Stretch], rate_hz: float, floor: Scale
) -> tuple[list[Labelled], Scale]:
    """Settled stretches with their labels, and the scale used (at least `floor`)."""
    positions = settled(stretches, rate_hz)
    scale = seen_scale(stretches, rate_hz, floor)
    if not scale.seen:
        return [], scale
    labelled = _Walk(stretches, positions, scale, rate_hz).run()
    return [half for x in _name_the_start(labelled, scale) for half in _halves(x)], scale


class _Walk:
    def __init__(
        self, stretches: Sequence[Stretch], positions: Sequence[int], scale: Scale, rate_hz: float
    ) -> None:
        self.stretches, self.positions, self.scale, self.rate_hz = stretches, positions, scale, rate_hz
        self.full = scale.full
        self.any_off = any(
            isinstance(s, Steady) and abs(difference(s.mean)) < OFF_BELOW * self.full
            for s in (stretches[i] for i in positions)
        )

    def run(self) -> list[Labelled]:
        out: list[Labelled] = []
        state = Label.UNKNOWN
        before: float | None = None
        for n, i in enumerate(self.positions):
            stretch = self.stretches[i]
            if any(isinstance(s, Lost) for s in self.stretches[self.positions[n - 1] + 1 : i] if n):
                state, before = Label.UNKNOWN, None
            if isinstance(stretch, Train):
                sign = Label.FORWARD if on_while_up(stretch.up, stretch.down) else Label.REVERSE
                out.append(Labelled(i, stretch, sign, sign, self._mirrored_pulses(stretch)))
                state, before = (
                    sign,
                    int(sign) * max(abs(difference(stretch.up)), abs(difference(stretch.down))),
                )
                continue
            assert isinstance(stretch, Steady)
            head = self._head(n, stretch, state, before)
            tail = self._tail(n, stretch, head)
            out.append(Labelled(i, stretch, head, tail, is_mirrored(stretch.mean, self.scale)))
            state, before = tail, difference(stretch.tail)
        return out

    def _mirrored_pulses(self, train: Train) -> bool:
        return is_mirrored(max(train.up, train.down, key=lambda level: abs(difference(level))), self.scale)

    def _clear(self, d: float) -> Label:
        r = abs(d) / self.full
        if r < OFF_BELOW:
            return Label.OFF
        if r > ON_ABOVE:
            return Label.FORWARD if d > 0 else Label.REVERSE
        return Label.UNKNOWN

    def _head(self, n: int, stretch: Steady, state: Label, before: float | None) -> Label:
        d = difference(stretch.head)
        clear = self._clear(d)
        on = Label.FORWARD if d > 0 else Label.REVERSE
        if clear is Label.OFF and self._is_on_all_the_same(n, stretch, state, before):
            return on
        if clear is Label.OFF or state is Label.UNKNOWN:
            return clear
        if state is Label.OFF:
            if clear is not Label.UNKNOWN:
                return self._on_or_still_coasting(n, stretch, on, before)
            return on if self._climbs(n, abs(before or 0.0), abs(d)) else Label.OFF
        if on is not state:
            return on if clear is not Label.UNKNOWN else Label.OFF
        fell = abs(before) - abs(d) if before is not None else 0.0
        if fell > STEP_COAST * self.full and self._lets_go(n, abs(before or 0.0), abs(d)):
            return Label.OFF
        return on

    def _on_or_still_coasting(self, n: int, stretch: Steady, on: Label, before: float | None) -> Label:
        """A coasting motor reads nearly full voltage: only a rise switches it on again."""
        if before is None:
            return on
        rose = abs(difference(stretch.head)) - abs(before)
        return on if rose > STEP_COAST * self.full or self._recovers(n, abs(before)) else Label.OFF

    def _recovers(self, n: int, before: float) -> bool:
        s = self.stretches[self.positions[n]]
        return isinstance(s, Steady) and abs(difference(s.tail)) > before + RISE * self.full

    def _climbs(self, n: int, before: float, d: float) -> bool:
        """A fast rise from off that stays between: on when it goes on climbing, or is a good step."""
        s = self.stretches[self.positions[n]]
        assert isinstance(s, Steady)
        tail = abs(difference(s.tail))
        if d - before < 0.15 * self.full:
            spun_up = d - before > RISE * self.full and self._coasted(n - 1) and tail > d - RISE * self.full
            slow = d - before < RISE * self.full and d < HALF * self.full  # on where it passes half
            return (tail > ON_ABOVE * self.full and not slow) or spun_up
        if min(s.mean) > BOTH_UP * self.scale.source and tail < d + RISE * self.full:
            return False  # both leads rose: a feed that woke, seen through the load
        stays = tail > OFF_BELOW * self.full  # a ground that a neighbour's inrush lifts comes down again
        return tail > ON_CLIMBS_TO * self.full or (stays and d - before > 0.25 * self.full)

    def _is_on_all_the_same(self, n: int, stretch: Steady, state: Label, before: float | None) -> bool:
        """Little load voltage, and yet on: a cold lamp, or a source that a starter pulls down."""
        d = difference(stretch.head)
        if state is Label.OFF:
            return self._warms_up(n, d, before or 0.0)
        if state is Label.UNKNOWN:
            return abs(d) > COLD_STEP * self.full and self._rises_to(stretch, ON_CLIMBS_TO)
        return int(state) * d > SAGS_TO * self.full and self._rises_to(stretch, OFF_BELOW + RISE)

    def _rises_to(self, stretch: Steady, part: float) -> bool:
        """The load voltage rises by itself, from the start, beyond this part of D."""
        soon = stretch.start + SOON_S * self.rate_hz
        sign = 1.0 if difference(stretch.head) > 0 else -1.0
        points = [(at, sign * (a - b)) for at, a, b in stretch.trail]
        levels = [d for _, d in points] + [sign * difference(stretch.tail)]
        begins = any(at < soon and d > abs(difference(stretch.head)) + RISE * self.full for at, d in points)
        return begins and max(levels) > part * self.full

    def _coasted(self, n: int) -> bool:
        s = self.stretches[self.positions[n]]
        return isinstance(s, Steady) and (
            abs(difference(s.head)) - abs(difference(s.tail)) > COASTED * self.full
        )

    def _warms_up(self, n: int, d: float, before: float) -> bool:
        """A cold lamp behind a bad wire: little voltage at first, full voltage without a break."""
        here = self.stretches[self.positions[n]]
        both_up = isinstance(here, Steady) and min(here.head) > BOTH_UP * self.scale.source
        if abs(d) - abs(before) < COLD_STEP * self.full or both_up:
            return False
        own = difference(here.tail) if isinstance(here, Steady) else 0.0
        if own * d > 0 and abs(own) > ON_CLIMBS_TO * self.full:
            return True
        if n + 1 >= len(self.positions):
            return False
        then = self.stretches[self.positions[n + 1]]
        if not isinstance(then, Steady):
            return False
        d_next = difference(then.head)
        return d_next * d > 0 and abs(d_next) > ON_CLIMBS_TO * self.full

    def _lets_go(self, n: int, before: float, d: float) -> bool:
        """Fell fast from on to something above the off limit: is the load off, or the source sagging?"""
        down = self._follow_down(n)
        fell = before - d
        if down.rose_after is not None:
            late = down.rose_after > SWITCHED_AFTER_S * self.rate_hz
            return late and fell > STEP_OFF * self.full and self._ground_side_moved(n)
        if down.lowest < (OFF_BELOW - RISE) * self.full:
            return True
        if down.last < d - 0.03 * self.full and down.slid > SLIDES * (d - down.last):
            return before - down.lowest > COAST_FALL * self.full
        if fell < STEP_OFF * self.full:
            return False
        return fell > FAR_OFF * self.full or self._ground_side_moved(n) or not self.any_off

    def _follow_down(self, n: int) -> _Descent:
        """The load voltage from here to the next fast rise, fast fall or loss."""
        lowest, last, slid = float("inf"), 0.0, 0.0
        first = self.stretches[self.positions[n]]
        assert isinstance(first, Steady)
        sign = difference(first.head)
        for position in self.positions[n:]:
            s = self.stretches[position]
            if not isinstance(s, Steady) or difference(s.head) * sign < 0:
                break
            points = [(float(s.start), s.head), *((at, (a, b)) for at, a, b in s.trail), (s.end, s.tail)]
            levels = [(at, abs(difference(level))) for at, level in points]
            if lowest < float("inf") and self._breaks_off(levels[0][1], lowest, last, slid):
                break
            for at, level in levels:
                if level > lowest + RISE * self.full:
                    return _Descent(lowest, last, slid, at - first.start)
                lowest, last = min(lowest, level), level
                if level < (OFF_BELOW - RISE) * self.full:
                    return _Descent(lowest, last, slid, None)
            slid += max(0.0, levels[0][1] - levels[-1][1])
        return _Descent(lowest, last, slid, None)

    def _breaks_off(self, head: float, lowest: float, last: float, slid: float) -> bool:
        """A fast rise that switching on makes, or another fast fall: that one is judged by itself."""
        if head > last + RISE * self.full and (head > ON_ABOVE * self.full or slid > COASTED * self.full):
            return True
        return head > lowest + STEP_OFF * self.full or head < last - FAST_FALL * self.full

    def _ground_side_moved(self, n: int) -> bool:
        if n == 0:
            return False
        now, then = self.stretches[self.positions[n]], self.stretches[self.positions[n - 1]]
        if not isinstance(now, Steady) or not isinstance(then, Steady):
            return False
        feed = 0 if difference(then.tail) > 0 else 1
        rise = now.mean[1 - feed] - then.tail[1 - feed]
        fall = then.tail[feed] - now.mean[feed]
        return rise > 2 * abs(fall)

    def _tail(self, n: int, stretch: Steady, head: Label) -> Label:
        """A slow ramp inside the stretch can end in another state."""
        d = difference(stretch.tail)
        clear = self._clear(d)
        if clear is Label.UNKNOWN and head in ON:
            return Label.OFF if self._faded(n, stretch) else head
        if clear in (Label.UNKNOWN, head):
            return head
        if head in ON and clear is Label.OFF and abs(d) > 0.9 * abs(difference(stretch.head)):
            return head  # a cold lamp: low from the start, not fallen
        if head is Label.OFF and abs(d) < abs(difference(stretch.head)) + CLIMBS * self.full:
            return head  # a motor that coasts reads high without being on
        return clear

    def _faded(self, n: int, stretch: Steady) -> bool:
        """Fell slowly by itself, without a rise, until it was switched on again: it had been let go."""
        head, tail = abs(difference(stretch.head)), abs(difference(stretch.tail))
        if head - tail < STEP_OFF * self.full or n + 1 >= len(self.positions):
            return False
        points = [abs(a - b) for _, a, b in stretch.trail]
        if any(later > earlier + RISE * self.full for earlier, later in pairwise(points)):
            return False
        then = self.stretches[self.positions[n + 1]]
        return isinstance(then, Steady) and abs(difference(then.head)) - tail > STEP_OFF * self.full


def _halves(x: Labelled) -> list[Labelled]:
    """A stretch whose state changes slowly inside becomes two, each with its own level."""
    s = x.stretch
    if x.head is x.tail or not isinstance(s, Steady):
        return [x]
    at = int(slow_crossing(s))
    return [
        Labelled(x.at, _flat(s.start, at, s.head), x.head, x.head, x.mirrored),
        Labelled(x.at, _flat(at, s.end, s.tail), x.tail, x.tail, x.mirrored),
    ]


def _flat(start: int, end: int, level: Pair) -> Steady:
    return Steady(start, end, level, level, level, level, level, level, level)


def slow_crossing(stretch: Steady) -> float:
    """Where a slow ramp passes half: the crossing seen while scanning, else the middle of its trail."""
    if stretch.halves:
        return stretch.halves[0]
    middle = (abs(difference(stretch.head)) + abs(difference(stretch.tail))) / 2
    rising = abs(difference(stretch.tail)) > abs(difference(stretch.head))
    for at, a, b in stretch.trail:
        if (abs(a - b) > middle) == rising:
            return at
    return (stretch.start + stretch.end) / 2


def _name_the_start(labelled: list[Labelled], scale: Scale) -> list[Labelled]:
    """A recording that begins between the levels: what comes next tells what it was."""
    for n in range(len(labelled) - 2, -1, -1):
        here, then = labelled[n], labelled[n + 1]
        if here.tail is not Label.UNKNOWN or isinstance(here.stretch, Train):
            continue
        d = abs(difference(here.stretch.tail))
        after = then.stretch
        d_next = scale.full if isinstance(after, Train) else abs(difference(after.head))
        if then.head in (Label.FORWARD, Label.REVERSE) and d_next - d > STEP_OFF * scale.full:
            here.head = here.tail = Label.OFF
        elif then.head is Label.OFF and d - d_next > STEP_OFF * scale.full:
            here.head = here.tail = Label.FORWARD if difference(here.stretch.tail) > 0 else Label.REVERSE
    return labelled
