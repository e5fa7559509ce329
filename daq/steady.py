"""Stage 2: cut the samples into steady stretches, fast zones and pulse trains.

`Segmenter` takes microvolts in any portions, works on whole windows at absolute positions, and calls its
sink with finished stretches in order of time. A train takes back what was cut since its first crossing.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from daq.crossings import SOURCE_LEAST_UV, Crossings, Scan
from daq.holes import Holes
from daq.per_window import PerWindow
from daq.period import read_period
from daq.pulse_sums import LevelSums, PulseSums
from daq.rhythm import Pulse, Rhythm
from daq.spikes import Spikes
from daq.stretches import Pair, Raw, Stretch, Train, Zone, held_lead, on_while_up
from daq.tally import SteadyTally
from daq.windows import Micro, Windows

RAW_ZONE_S = 0.5
KEEP_S = 1.3  # history kept behind the cut: raw copies, and five of the longest pulses for a train
SHORTEST_STEADY_S = 0.001


class Segmenter:
    """Cuts one unbroken segment that starts at pair `first`; `watch` sees its whole windows as well."""

    def __init__(
        self,
        first: int,
        rate_hz: float,
        emit: Callable[[Stretch], None],
        take_back: Callable[[float], None],
        watch: Callable[[Windows], None] | None = None,
    ) -> None:
        self.rate_hz = rate_hz
        self._emit, self._take_back, self._watch = emit, take_back, watch
        self._crossings = Crossings(rate_hz)
        self._rhythm = Rhythm(rate_hz)
        self._shortest = max(1, round(SHORTEST_STEADY_S * rate_hz))
        self._spikes = Spikes(rate_hz, self._shortest)
        self._keep = int(KEEP_S * rate_hz) + 4 * self._crossings.window
        self._raw_zone = int(RAW_ZONE_S * rate_hz)
        self._origin = first  # of the segment: window positions count from here
        self._base = first  # index of the first pair in the buffer
        self._raw: Raw = np.empty((0, 2), dtype=np.int32)
        self._moving: npt.NDArray[np.bool_] = np.empty(0, dtype=np.bool_)
        self._half = PerWindow(
            self._crossings.window, first
        )  # of the source scale; infinite while none was seen
        self._middle = PerWindow(self._crossings.window, first)
        self._scanned = first
        self._cut = first  # pairs before this are in stretches
        self._tally: SteadyTally | None = None
        self._zone: int | None = None
        self._train: PulseSums | None = None
        self._holes = Holes(None, 0.0, rate_hz)  # of the open train

    @property
    def position(self) -> int:
        """Everything before this pair has been cut."""
        return self._cut

    @property
    def open_steady(self) -> SteadyTally | None:
        return self._tally

    @property
    def in_train(self) -> bool:
        return self._train is not None

    @property
    def last_pair(self) -> Pair:
        """The latest sample, µV."""
        return _pair(self._raw[-1]) if len(self._raw) else (0.0, 0.0)

    def still_open(self) -> tuple[Stretch, ...]:
        """What is open now, as if it ended here: for a live picture, never for what is kept."""
        if self._train is not None:
            return (self._train_so_far(),)
        out: list[Stretch] = []
        if self._zone is not None:
            end = self._tally.start if self._tally is not None else self._cut
            out.append(self._zone_until(self._zone, end))
        if self._tally is not None and self._tally.pairs >= self._shortest:
            out.append(self._tally.finish(self._raw_of(self._tally, self._cut)))
        return tuple(out)

    def open_spans(self) -> tuple[tuple[float, float], ...]:
        """First pair and end so far of what `still_open` would work out."""
        if self._train is not None:
            assert self._rhythm.open is not None
            return ((self._origin + self._rhythm.open.first, self._origin + self._rhythm.open.last),)
        zone = () if self._zone is None else ((self._zone, self._cut),)
        steady = () if self._tally is None else ((self._tally.start, self._cut),)
        return (*zone, *steady)

    def push(self, micro: Raw) -> None:
        self._raw = np.concatenate((self._raw, micro)) if len(self._raw) else micro
        window = self._crossings.window
        whole = (self._base + len(self._raw) - self._scanned) // window * window
        if whole:
            self._scan(whole, None)
            self._trim()

    def finish(self) -> None:
        """End of the segment: what is left is one short window; open stretches end here."""
        rest = self._base + len(self._raw) - self._scanned
        if rest:
            self._scan(rest, rest)
        self._follow(self._rhythm.stop())
        self._cut_to(self._scanned, final=True)
        self._close_steady(self._cut)
        self._close_zone(self._cut)

    # -- stage 1 and rhythm over new windows ------------------------------------------------------------

    def _scan(self, pairs: int, window: int | None) -> None:
        at = self._scanned - self._base
        part = self._raw[at : at + pairs]
        lead1, lead2 = np.ascontiguousarray(part[:, 0]), np.ascontiguousarray(part[:, 1])
        scan = self._crossings.push(lead1, lead2, window)
        if self._watch is not None and window is None:
            self._watch(scan.windows)
        self._moving = np.concatenate((self._moving, scan.moving))
        self._half.append(_half_of(scan.source))
        self._middle.append(scan.middle)
        self._scanned += pairs
        self._walk_crossings(scan)
        self._follow(self._rhythm.late(self._scanned - self._origin))
        self._cut_to(self._horizon())

    def _walk_crossings(self, scan: Scan) -> None:
        at, seen, up = scan.flip_at.tolist(), scan.flip_seen.tolist(), scan.flip_up.tolist()
        n = 0
        while n < len(at):
            fits = self._rhythm.go_on(scan.flip_at, scan.flip_seen, scan.flip_up, n)
            if self._train is not None:
                self._train.mark(zip(at[n : n + fits], up[n : n + fits], strict=True))
            n += fits
            if n == len(at):
                break
            # by when it was certain, not by when it happened: as if each pair had come alone
            self._follow(self._rhythm.late(seen[n]))
            ended, begun = self._rhythm.push(at[n], up[n])
            self._follow(ended)
            if begun is not None:
                self._cut_to(self._origin + self._known_by(seen[n]))
                self._begin_train(begun)
            n += 1

    def _known_by(self, seen: int) -> int:
        """How far one can cut when pair `seen` was scanned, however many came with it (from the origin)."""
        window = self._crossings.window
        scanned = min((seen // window + 1) * window, self._scanned - self._origin)
        return min(seen, scanned - self._crossings.reach - self._spikes.around)

    def _horizon(self) -> int:
        if self._train is not None:
            assert self._rhythm.open is not None
            return self._origin + int(self._rhythm.open.last)
        return self._scanned - self._crossings.reach - self._spikes.around

    def _begin_train(self, pulse: Pulse) -> None:
        start = self._origin + int(pulse.first)
        self._close_steady(self._cut)
        self._close_zone(self._cut)
        self._take_back(start)
        a, b = start - self._base, self._origin + int(pulse.last) - self._base
        levels = LevelSums()
        levels.add(self._raw[a:b], self._middle.spread(start, self._base + b))
        self._train = PulseSums(int(pulse.first), on_while_up(levels.up, levels.down), self.rate_hz)
        self._train.mark(pulse.founders)
        self._holes = Holes(held_lead(levels.up, levels.down), pulse.period, self.rate_hz)
        self._cut = start

    def _follow(self, ended: Pulse | None) -> None:
        """A train has ended: emit it, and go on cutting after its last crossing."""
        if ended is None:
            return
        assert self._train is not None
        end = self._origin + int(ended.last) + 1
        self._add_to_train(end)
        sums, self._train = self._train, None
        sums.finish()
        self._emit(self._train_of(ended, sums))
        self._cut = end

    def _train_so_far(self) -> Train:
        assert self._train is not None
        assert self._rhythm.open is not None
        return self._train_of(self._rhythm.open, self._train)

    def _train_of(self, pulse: Pulse, sums: PulseSums) -> Train:
        period = sums.clock.period or pulse.mean_period
        return Train(
            start=self._origin + pulse.first,
            end=self._origin + pulse.last,
            periods=pulse.periods,
            period=period,
            up_share=pulse.up_share,
            up=sums.levels.up,
            down=sums.levels.down,
            low=sums.levels.low,
            high=sums.levels.high,
            beats=(self._origin + sums.clock.middle, sums.clock.count),
            mean_period=read_period(sums.profile, period, sums.positive, self.rate_hz),
            holes=tuple(self._holes.found),
        )

    def _add_to_train(self, end: int) -> None:
        assert self._train is not None
        if end > self._cut:
            a, b = self._cut - self._base, end - self._base
            self._train.add(self._raw[a:b], self._middle.spread(self._cut, end))
            self._holes.add(self._cut, self._raw[a:b], self._half.spread(self._cut, end))
            self._cut = end

    # -- cutting ----------------------------------------------------------------------------------------

    def _cut_to(self, end: int, final: bool = False) -> None:
        if self._train is not None:
            self._add_to_train(end)
            return
        if end <= self._cut:
            return
        in_zone, raw = self._calm(self._cut - self._base, end - self._base, final)
        turns = np.flatnonzero(in_zone[1:] != in_zone[:-1]) + 1
        bounds = [0, *turns.tolist(), len(raw)]
        moving, last = bool(in_zone[0]), len(bounds) - 2
        for n, (p, q) in enumerate(pairwise(bounds)):
            if moving:
                self._enter_zone(self._cut + p)
            elif q - p >= self._shortest or n in (0, last):  # a short pause inside a zone is part of it
                self._add_steady(self._cut + p, raw[p:q])
            moving = not moving
        self._cut = end

    def _calm(self, a: int, b: int, final: bool) -> tuple[npt.NDArray[np.bool_], Raw]:
        """Whether each pair is inside a zone, and what it reads; spikes taken out."""
        first, last = max(0, a - self._spikes.around), min(b + self._spikes.around, len(self._moving))
        if not final:
            last = min(last, len(self._moving) - self._crossings.reach)
        in_zone = self._zone_mask(first, last, final)
        in_zone, raw = self._spikes.calmed(self._raw[first:last], in_zone, self._half, self._base + first)
        inside = slice(a - first, b - first)
        return in_zone[inside], raw[inside]

    def _zone_mask(self, a: int, b: int, final: bool) -> npt.NDArray[np.bool_]:
        """A pair is inside a zone when the movement starts there or goes on for a whole reach."""
        reach = self._crossings.reach
        known = self._moving[a : b + reach]
        if final:
            known = np.concatenate((known, np.zeros(reach, dtype=np.bool_)))
        if not known.any():
            return np.zeros(b - a, dtype=np.bool_)
        before = np.concatenate(([self._moving[a - 1] if a else False], known[: b - a - 1]))
        return np.asarray(_all_of_next(known, reach + 1) | (known[: b - a] & ~before))

    def _add_steady(self, start: int, raw: Raw) -> None:
        while len(raw):
            if self._tally is None:
                self._tally = SteadyTally(start, self.rate_hz, self._crossings.window, self._origin)
            taken = self._tally.add(raw, self._half.between(start, start + len(raw)))
            start, raw = start + taken, raw[taken:]
            if self._zone is not None and self._tally.pairs >= self._shortest:
                self._close_zone(self._tally.start)
            if self._tally.is_full:
                self._close_steady(start)

    def _enter_zone(self, at: int) -> None:
        if self._tally is not None:
            if self._tally.pairs < self._shortest:
                if self._zone is None:
                    self._zone = self._tally.start
                self._tally = None
            else:
                self._close_steady(at)
        if self._zone is None:
            self._zone = at

    def _close_steady(self, end: int) -> None:
        tally, self._tally = self._tally, None
        if tally is None or tally.pairs == 0:
            return
        if tally.pairs < self._shortest and self._zone is not None:
            return
        self._close_zone(tally.start)
        self._emit(tally.finish(self._raw_of(tally, end)))

    def _close_zone(self, end: int) -> None:
        start, self._zone = self._zone, None
        if start is None:
            return
        self._emit(self._zone_until(start, end))

    def _zone_until(self, start: int, end: int) -> Zone:
        raw = self._copy(start - 1, end + 1)
        first = max(self._base, start - 1)
        part: Raw = raw if len(raw) else np.zeros((1, 2), dtype=np.int32)
        low, high = part.min(axis=0), part.max(axis=0)
        kept = raw if end - start <= self._raw_zone else None
        return Zone(start, end, first, kept, _pair(low), _pair(high))

    def _raw_of(self, tally: SteadyTally, end: int) -> Raw | None:
        return self._copy(tally.start, end) if tally.is_short else None

    def _copy(self, start: int, end: int) -> Raw:
        a, b = max(0, start - self._base), end - self._base
        return self._raw[a:b].copy()

    def _trim(self) -> None:
        oldest = self._cut - self._keep
        if self._zone is not None:
            oldest = min(oldest, max(self._zone - 2, self._cut - self._raw_zone - self._keep))
        drop = oldest - self._base
        if drop > len(self._raw) // 2:
            self._raw = self._raw[drop:].copy(order="K")  # each lead stays contiguous
            self._moving = self._moving[drop:].copy()
            self._half.drop_before(oldest)
            self._middle.drop_before(oldest)
            self._base = oldest


def _all_of_next(flags: npt.NDArray[np.bool_], n: int) -> npt.NDArray[np.bool_]:
    """(k,) -> (k - n + 1,): whether it and those that follow, n in all, are true."""
    length = 1
    while length < n:
        step = min(length, n - length)
        flags, length = flags[:-step] & flags[step:], length + step
    return flags


def _half_of(source: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Half of the source scale; out of reach while no source was seen."""
    return np.where(source > SOURCE_LEAST_UV, source / 2, np.inf)


def _pair(values: Micro) -> Pair:
    return float(values[0]), float(values[1])
