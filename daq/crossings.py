"""Stage 1: where the two leads move fast, and where lead 1 - lead 2 crosses its local middle.

Works on microvolts as integers, in windows at absolute sample positions, each judged by scales taken
from earlier windows only: so the result is the same however the samples arrive.

Method: movement over 0.75 ms is compared with a threshold from the source scale, the noise and the
ordinary movement of the lead (brush ripple, charging ripple). Middle crossings follow IEEE Std 181's
mid-reference level instant with hysteresis; the level is the middle of the local extremes, because a
pulsed load's levels wander with filter, freewheeling and motor speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.windows import Ints, Micro, Windows, window_sums

Floats = npt.NDArray[np.float64]

UV = 1_000_000
BOTTOM_UV = -0.5 * UV  # lower is a kick
MICRO_LIMIT = 1_000 * UV  # clip: far outside any range, still exact in sums

WINDOW_S = 0.025
REACH_S = 0.00075  # movement is looked at over this time: a few samples, shorter than any bounce
MOVE_OF_SOURCE = 0.02
MOVE_OF_NOISE = 7.0
MOVE_OF_USUAL = 5.0
SWING_OF_SOURCE = 0.25  # a local swing smaller than this is no switching
HYSTERESIS_OF_SWING = 0.1
PULSE_TOP = 0.85  # quantile: above it are kicks
PULSE_FLAT = 0.03
SOURCE_LEAST_UV = 1.5 * UV  # below this no scale is taken (what a source is: see `labels`)
MEAN_ABS_DIFFERENCE = 1.128  # of white noise, per sigma (2/sqrt(pi))
_NEVER = float(np.iinfo(np.int32).max)  # µV: beyond any difference
_NO_FLIPS: Floats = np.empty(0)


def window_pairs(rate_hz: float) -> int:
    """Pairs in a window: 25 ms, at least 8."""
    return max(8, round(WINDOW_S * rate_hz))


def reach_pairs(rate_hz: float) -> int:
    return max(1, round(REACH_S * rate_hz))


@dataclass(frozen=True, slots=True)
class Scan:
    """What stage 1 says of n new pairs in whole windows.

    Attributes:
        moving: (n,) the lead moved fast between the pair `reach` before and this one.
        flip_at: crossing times of lead 1 - lead 2 through its local middle, in pairs (fractional).
        flip_seen: the pair at which each crossing was certain.
        flip_up: its direction.
        middle: (windows,) that middle, µV (meaningless before the first swing).
        source: (windows,) the source scale used, µV.
        windows: the pairs themselves.
    """

    moving: npt.NDArray[np.bool_]
    flip_at: Floats
    flip_seen: Ints
    flip_up: npt.NDArray[np.bool_]
    middle: Floats
    source: Floats
    windows: Windows


@dataclass(slots=True)
class _Past:
    """What earlier windows say: medians of movement, noise, extremes, and the source so far."""

    usual: tuple[Floats, Floats]  # of the last two windows, per lead
    noise: Floats  # of the last two windows
    extremes: tuple[float, float]  # lead 1 - lead 2 in the last window
    steady_source: float
    peak_source: float
    last_peaks: tuple[float, float]
    middle: float
    hysteresis: float


class Crossings:
    """Push whole windows, pull a Scan of the same pairs."""

    def __init__(self, rate_hz: float) -> None:
        self.window = window_pairs(rate_hz)
        self.reach = reach_pairs(rate_hz)
        self._at = 0
        self._tail: tuple[Micro, Micro] | None = None
        self._past: _Past | None = None
        self._above = False
        self._crossed = 0.0
        self._last_d = 0.0
        self._last_middle = 0.0
        self._armed = False

    def push(self, lead1: Micro, lead2: Micro, window: int | None = None) -> Scan:
        """Scan new pairs: a whole number of windows, or one short last window given as `window`."""
        size = window or self.window
        moved = self._movement(lead1, lead2)
        movement = np.abs(moved[0]), np.abs(moved[1])
        leads = Windows.of(lead1, lead2, size)
        noise = np.minimum(*leads.steps) / (max(1, size - 1) * MEAN_ABS_DIFFERENCE)
        usual = (_window_median(movement[0], size), _window_median(movement[1], size))
        if self._past is None:
            self._past = _Past(
                usual=(usual[0][[0, 0]], usual[1][[0, 0]]),
                noise=noise[[0, 0]],
                extremes=(np.inf, -np.inf),
                steady_source=0.0,
                peak_source=0.0,
                last_peaks=(0.0, 0.0),
                middle=0.0,
                hysteresis=0.0,
            )
        source = self._source(leads, size)
        limits = self._limits(usual, noise, source)
        moving = _moving(moved, movement, limits, size)
        flips = self._flips(leads, source, size)
        self._at += len(lead1)
        return Scan(moving, *flips, source, leads)

    def _movement(self, lead1: Micro, lead2: Micro) -> tuple[Micro, Micro]:
        if self._tail is None:
            self._tail = (np.full(self.reach, lead1[0]), np.full(self.reach, lead2[0]))
        long = [np.concatenate((t, x)) for t, x in zip(self._tail, (lead1, lead2), strict=True)]
        self._tail = (long[0][-self.reach :], long[1][-self.reach :])
        moved = [x[self.reach :] - x[: -self.reach] for x in long]
        return moved[0], moved[1]

    def _source(self, leads: Windows, size: int) -> Floats:
        """Source scale for each window, from the windows before it: highest steady level, else peak."""
        assert self._past is not None
        past = self._past
        peaks = [high.astype(np.float64) for high in leads.high]
        steady = np.zeros(len(peaks[0]))
        for view, bottom, high in zip(leads.rows, leads.low, peaks, strict=True):
            mean = window_sums(view) / size
            calm = high - bottom <= np.maximum(0.5 * UV, 0.06 * np.abs(mean))
            steady = np.maximum(steady, np.where(calm, mean, 0.0))
        twice = [
            np.minimum(p, np.concatenate(([last], p[:-1])))
            for p, last in zip(peaks, past.last_peaks, strict=True)
        ]
        steady = np.maximum(steady, self._pulsed(leads, size, steady < SOURCE_LEAST_UV))
        highest = np.maximum.accumulate(np.concatenate(([past.steady_source], steady)))
        peak = np.maximum.accumulate(np.concatenate(([past.peak_source], np.maximum(*twice))))
        past.steady_source, past.peak_source = float(highest[-1]), float(peak[-1])
        past.last_peaks = (float(peaks[0][-1]), float(peaks[1][-1]))
        scale = np.where(highest > SOURCE_LEAST_UV, highest, np.maximum(highest, peak))
        return np.asarray(scale[:-1])

    def _pulsed(self, leads: Windows, size: int, where: npt.NDArray[np.bool_]) -> Floats:
        """Level of the pulses' tops in windows without a calm lead (a high-side driver pulses the feed), if
        above the steady source so far: others change nothing."""
        assert self._past is not None
        known, place = self._past.steady_source, int(PULSE_TOP * size)
        tops = np.zeros(len(where))
        for view, high in zip(leads.rows, leads.high, strict=True):
            at = np.flatnonzero(where & (high > known))
            at = at[(view[at] > known).sum(axis=1) >= size - place]
            rows = view[at]
            top = np.sort(rows, axis=1)[:, place].astype(np.float64)
            flat = (np.abs(rows - top[:, None]) <= PULSE_FLAT * top[:, None]).mean(axis=1) >= 1 - PULSE_TOP
            tops[at] = np.maximum(tops[at], np.where(flat, top, 0.0))
        return tops

    def _limits(self, usual: tuple[Floats, Floats], noise: Floats, source: Floats) -> tuple[Floats, Floats]:
        """For each window how far either lead may move and still stand."""
        assert self._past is not None
        past = self._past
        quiet = _quieter_of_two(past.noise, noise)
        least = np.maximum(MOVE_OF_SOURCE * source, MOVE_OF_NOISE * quiet)
        limits, kept = [], []
        for lead in (0, 1):
            ordinary = _quieter_of_two(past.usual[lead], usual[lead])
            limits.append(np.maximum(np.maximum(least, MOVE_OF_USUAL * ordinary), 0.03 * UV))
            kept.append(np.concatenate((past.usual[lead], usual[lead]))[-2:])
        past.usual = (kept[0], kept[1])
        past.noise = np.concatenate((past.noise, noise))[-2:]
        return limits[0], limits[1]

    def _flips(
        self, leads: Windows, source: Floats, size: int
    ) -> tuple[Floats, Ints, npt.NDArray[np.bool_], Floats]:
        """Middle crossings of lead 1 - lead 2, both held within the rails (kicks are not switching).

        Where the difference stays beyond its middle for windows on end nothing crosses: only the windows in
        between are looked at, as if each had come alone.
        """
        d = _difference(leads, np.where(source > SOURCE_LEAST_UV, 1.02 * source, MICRO_LIMIT))
        low, high = d.min(axis=1), d.max(axis=1)
        middle, hysteresis = self._middle(low.astype(np.float64), high.astype(np.float64), source)
        stays = np.where(low > middle + hysteresis, 1, np.where(high < middle - hysteresis, -1, 0))
        stays[hysteresis <= 0] = 0
        before = np.concatenate(([(1 if self._above else -1) if self._armed else 0], stays[:-1]))
        parts = []
        for first, end in _runs((stays == 0) | (stays != before)):
            if first:
                self._last_d, self._last_middle = float(d[first - 1, -1]), float(middle[first - 1])
            rows = slice(first, end)
            parts.append(self._flips_in(d[rows], middle[rows], hysteresis[rows], self._at + first * size))
        self._last_d, self._last_middle = float(d[-1, -1]), float(middle[-1])
        at, seen, up = zip(*parts, strict=True) if parts else ([_NO_FLIPS], [_NO_FLIPS], [_NO_FLIPS])
        flips = np.concatenate(at), np.concatenate(seen).astype(np.int64), np.concatenate(up).astype(np.bool_)
        return *flips, middle

    def _flips_in(
        self, d: Micro | Floats, middle: Floats, hysteresis: Floats, at: int
    ) -> tuple[Floats, Ints, npt.NDArray[np.bool_]]:
        """(when, seen, up) of each crossing in windows (k, pairs) that begin at pair `at`."""
        flat, size = d.ravel(), d.shape[1]
        change = _turns(_above(d, middle), self._last_d > self._last_middle)
        # where a crossing fell between two pairs; a moved middle can put it outside: hold it inside
        level, before = middle[change // size], flat[change - 1].astype(np.float64)
        before[change == 0] = self._last_d
        step = (flat[change] - level) - (before - level)
        inside = np.clip((level - before) / np.where(step == 0, 1.0, step), 0.0, 1.0)
        # the whole pairs first: the sum is then rounded once, the same wherever a block begins
        times = np.concatenate(([self._crossed], (change + (at - 1)) + inside))
        seen, up = _marks(d, middle, hysteresis)
        if len(seen):
            # the first state is where it starts, not a crossing
            before_up = np.concatenate(([self._above if self._armed else up[0]], up[:-1]))
            self._armed, self._above = True, bool(up[-1])
            seen, up = seen[up != before_up], up[up != before_up]
        self._crossed = float(times[-1])
        return times[np.searchsorted(change, seen, side="right")], seen + at, up

    def _middle(self, low: Floats, high: Floats, source: Floats) -> tuple[Floats, Floats]:
        assert self._past is not None
        past = self._past
        lowest = np.minimum(low, np.concatenate(([past.extremes[0]], low[:-1])))
        highest = np.maximum(high, np.concatenate(([past.extremes[1]], high[:-1])))
        swing = highest - lowest
        # before a source is known the load voltage itself tells how high one stands
        known = np.maximum(source, np.maximum(highest, -lowest))
        good = swing > np.maximum(SWING_OF_SOURCE * known, 1.5 * UV)
        at = np.maximum.accumulate(np.where(good, np.arange(1, len(low) + 1), 0))
        middle = np.concatenate(([past.middle], (highest + lowest) / 2))[at]
        hysteresis = np.concatenate(([past.hysteresis], HYSTERESIS_OF_SWING * swing))[at]
        past.extremes = (float(low[-1]), float(high[-1]))
        past.middle, past.hysteresis = float(middle[-1]), float(hysteresis[-1])
        return middle, hysteresis


def _difference(leads: Windows, top: Floats) -> Micro | Floats:
    """(windows, pairs) lead 1 - lead 2, each held within the rails."""
    one, two = leads.rows
    beyond = (np.minimum(*leads.low) < BOTTOM_UV) | (np.maximum(*leads.high) > top)
    d: Micro | Floats = one - two
    if beyond.any():
        d, limit = d.astype(np.float64), top[beyond, None]
        d[beyond] = np.clip(one[beyond], BOTTOM_UV, limit) - np.clip(two[beyond], BOTTOM_UV, limit)
    return d


def _above(d: Micro | Floats, limit: Floats) -> npt.NDArray[np.bool_]:
    """(pairs,) where `d` (windows, pairs) is above the limit of its window; integers are not made floats."""
    if d.dtype != np.float64:
        limit = np.floor(np.clip(limit, -_NEVER, _NEVER)).astype(np.int32)
    return np.asarray(d > limit[:, None]).ravel()


def _turns(flags: npt.NDArray[np.bool_], before: bool) -> Ints:
    """Where flags are unlike the one before."""
    turns = np.flatnonzero(flags[1:] != flags[:-1]) + 1
    return turns if flags[0] == before else np.concatenate(([0], turns))


def _marks(d: Micro | Floats, middle: Floats, hysteresis: Floats) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """Where `d` comes to be beyond its middle by the hysteresis, and whether above; in order."""
    armed = hysteresis > 0
    beyond = (
        _above(d, np.where(armed, middle + hysteresis, _NEVER)),
        _above(-d, np.where(armed, hysteresis - middle, _NEVER)),
    )
    came = [turns[flags[turns]] for flags in beyond for turns in (_turns(flags, False),)]
    at = np.concatenate(came)
    order = np.argsort(at)
    return at[order], order < len(came[0])


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(from, to) of the runs of true."""
    turns = np.flatnonzero(np.diff(flags, prepend=False, append=False)).tolist()
    return list(zip(turns[::2], turns[1::2], strict=True))


def _moving(
    moved: tuple[Micro, Micro], movement: tuple[Micro, Micro], limits: tuple[Floats, Floats], size: int
) -> npt.NDArray[np.bool_]:
    """Where a lead moved beyond its limit. What both leads share is the source's movement: there the wider
    limit holds, since a lead that has only just joined the source has shown none of its ripple yet."""
    one, two = (x.reshape(-1, size) > limit[:, None] for x, limit in zip(movement, limits, strict=True))
    moving = one | two
    rows = np.flatnonzero(moving.any(axis=1) & (limits[0] != limits[1]))
    if len(rows):
        narrow, wide = np.minimum(*limits)[rows, None], np.maximum(*limits)[rows, None]
        first, second = (x.reshape(-1, size)[rows] for x in moved)
        shared = np.abs(first - second) <= narrow
        moving[rows] &= ~(shared & (np.maximum(np.abs(first), np.abs(second)) <= wide))
    return np.asarray(moving.ravel())


def _window_median(movement: Micro, size: int) -> Floats:
    """By sorting: of integers that repeat, as a converter's do, it is four times as fast as a partition."""
    return np.sort(movement.reshape(-1, size), axis=1)[:, size // 2].astype(np.float64)


def _quieter_of_two(past: Floats, now: Floats) -> Floats:
    """For each window the smaller of the two before it."""
    chain = np.concatenate((past, now))
    return np.minimum(chain[:-2], chain[1:-1])
