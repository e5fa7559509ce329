"""Reading the mean period of a pulse train: where the drive makes and breaks, and the levels between.

A motor's pause sits at its own voltage, a coil's beyond the rail, and neither says how long the drive was
off: only the drive's own steps do, the break that ends the on phase and the last step up before it. Both
are found in the mean period after the front end's low-pass has been undone: for a one-pole filter with
time constant T the mean input over the last sample interval is ``y + (y - y_before) a / (1 - a)``,
``a = exp(-interval / T)`` (the textbook step response of an RC, solved for its input).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.crossings import UV
from daq.pulse_sums import PLACES, STEPS, Profile
from daq.stretches import Period

FILTER_HZ = 1000.0  # the front end's low-pass
NOISE_UV = 0.03 * UV  # of one sample, rounding included
STEP_OF_ON = 0.03  # a step smaller than this part of the on level is none
BREAK_OF_SWING = 0.3
PLACES_LEAST = 24
ROUGHEST = 0.04  # of the swing
EXCESS_OF_SWING = 0.08  # undoing a filter that is not there overshoots a flat top by more than this
FLAT_OF_SWING = 0.015
FLAT_PAIRS = 2.5
ONE_MOVES = 0.5  # a lead that swings less than this part of the other's swing is not the switched one
APART = 0.5  # pairs between positions: the period fits the sample clock
UNTOUCHED = 2.9  # pairs between two edges' samples: one between them saw the whole level
BESIDE = 0.95  # pairs from a touched sample to one that is not
ONE = 0.3  # pairs: positions closer than this are one sample's
REACHED = 0.93  # of the full load voltage: the on level itself, less a drop
TOUCHED = (0.015, 0.985)  # of a step
FINE = 64.0  # pairs a period: above, a place is too wide to tell of an edge alone
WINDOW = 1.3  # pairs: an edge is over within this
MIDDLE = (0.06, 0.94)  # of a step: samples between tell when it came
NARROW = 1.15  # pairs: pulses that look this narrow may be narrower
SURE = 0.97

Floats = npt.NDArray[np.float64]


def read_period(profile: Profile, pairs: float, positive: bool, rate_hz: float) -> Period | None:
    """The mean period of `pairs` length; None where no step up comes before the break."""
    seen = np.flatnonzero(profile.counts)
    if len(seen) < 4:
        return None
    counts = profile.counts[seen]
    now, before = profile.now[seen] / counts[:, None], profile.before[seen] / counts[:, None]
    at = profile.steps[seen] / counts * (pairs / STEPS)
    sign = 1.0 if positive else -1.0
    fade = _fade(now, before, pairs, sign, rate_hz)
    levels = now + (now - before) * fade / (1.0 - fade)
    d = _load(levels, sign)
    noise = NOISE_UV * (1 + fade / (1 - fade)) / math.sqrt(float(counts.mean()))
    least = max(STEP_OF_ON * float(d.max()), 6 * noise, 6 * _roughness(d))
    apart = np.diff(at, append=at[0] + pairs).max() > max(APART, 1.5 * pairs / PLACES)
    if apart and fade > 0:
        edges = _Samples(pairs, at, d, counts, _full(levels, sign), fade).edges(least)
    else:
        edges = _Places(pairs, at, d, fade, least).edges()
    if edges is None:
        return None
    rise, fall = edges
    return Period(pairs, at, levels, counts, fall - (fall - rise) % pairs, fall, fade > 0)


def _fade(now: Floats, before: Floats, pairs: float, sign: float, rate_hz: float) -> float:
    """What is left of a step after one interval; 0 where the samples were not filtered."""
    fade = math.exp(-2 * math.pi * FILTER_HZ / rate_hz)
    d, undone = _load(now, sign), _load(now + (now - before) * fade / (1.0 - fade), sign)
    swing = d.max() - d.min()
    flat = np.mean(d > d.max() - FLAT_OF_SWING * swing) * pairs
    return 0.0 if flat > FLAT_PAIRS and undone.max() - d.max() > EXCESS_OF_SWING * swing else fade


def _load(levels: Floats, sign: float) -> Floats:
    """The load voltage as the switched lead shows it: the other one, sampled beside it, at its mean.

    Where both leads are switched it is their difference.
    """
    held = levels.copy()
    steady = _steady_lead(levels)
    if steady is not None:
        held[:, steady] = levels[:, steady].mean()
    return sign * (held[:, 0] - held[:, 1])


def _roughness(d: Floats) -> float:
    """How far a place stands out from its neighbours, in the mean period of a load that is still running up.

    Where the period nearly fits the sample clock each place is sampled at its own part of the train.
    """
    if len(d) < PLACES_LEAST:
        return 0.0
    out = np.abs(d - (np.roll(d, 1) + np.roll(d, -1)) / 2)
    return min(float(np.median(out)), ROUGHEST * float(np.ptp(d)))


def _steady_lead(levels: Floats) -> int | None:
    swings = np.ptp(levels, axis=0)
    return int(np.argmin(swings)) if swings.min() < ONE_MOVES * swings.max() else None


def _full(levels: Floats, sign: float) -> float:
    """The load voltage if the switched lead fell to zero; 0 where the feed is the switched lead."""
    feed = 0 if sign > 0 else 1
    return float(levels[:, feed].mean()) if _steady_lead(levels) == feed else 0.0


def _since(part: Floats, fade: float) -> Floats:
    """How long ago a step was, in pairs, of which a sample shows `part`."""
    return np.asarray(np.log(1.0 - part * (1.0 - fade)) / math.log(fade))


class _Samples:
    """Edges where the period fits the sample clock: from the one or two samples that each has touched.

    Positions that differ by the noise of the crossings only are one sample.
    """

    def __init__(
        self, pairs: float, at: Floats, d: Floats, counts: npt.NDArray[np.int64], full: float, fade: float
    ) -> None:
        wrapped = np.where(at > at[0] + pairs - ONE, at - pairs, at)
        order = np.argsort(wrapped, kind="stable")
        at, d, n = wrapped[order], d[order], counts[order]
        first = np.flatnonzero(np.diff(at, prepend=-np.inf) > ONE)
        weight = np.add.reduceat(n, first)
        at, d = np.add.reduceat(at * n, first) / weight, np.add.reduceat(d * n, first) / weight
        self.fade, self.samples = fade, len(at)
        self.high, self.low = float(d.max()), float(d.min())
        self.full = full if self.high < REACHED * full else self.high
        self.at, self.d = np.concatenate((at - pairs, at, at + pairs)), np.tile(d, 3)

    def edges(self, least: float) -> tuple[float, float] | None:
        """(rise, fall) in pairs, up to whole periods; steps below `least` are none."""
        at, d, n = self.at, self.d, self.samples
        late = n + np.flatnonzero(at[n : 2 * n] > at[2 * n - 1] - 1.5)
        top = int(late[np.argmax(d[late])])
        rises = np.flatnonzero(d[1 : top + 1] - d[:top] > least)
        falls = top + 1 + np.flatnonzero(d[top:-1] - d[top + 1 :] > BREAK_OF_SWING * (self.high - self.low))
        if not len(rises) or not len(falls) or falls[0] < n:
            return None
        make, drop = int(rises[-1]), int(falls[0])  # the last not wholly on, the first not wholly on
        on_before, on_after = float(d[max(make + 1, drop - 2) : drop].max()), float(d[make + 1])
        if at[drop] - at[make] < UNTOUCHED:
            on_before = on_after = self.full
        low_before, low_after = float(d[at <= at[make] - BESIDE][-1]), float(d[at >= at[drop] + BESIDE][0])
        if at[make] - at[drop - n] < UNTOUCHED:
            low_before = low_after = min(0.0, self.low)
        if on_after <= low_before or on_before <= low_after:
            return None  # too few samples a period to show both levels
        rise = self._came((d - low_before) / (on_after - low_before), make, make)
        fall = self._came((on_before - d) / (on_before - low_after), drop - 1, drop)
        return rise, fall

    def _came(self, part: Floats, *samples: int) -> float:
        """When the step came, by the first of the samples that it touched; else it came just between."""
        for n in samples:
            if TOUCHED[0] < part[n] < TOUCHED[1]:
                return float(self.at[n] - _since(part[n : n + 1], self.fade)[0])
        return float(self.at[samples[0]])


@dataclass(slots=True)
class _Places:
    """Edges where the samples fill the period evenly."""

    pairs: float
    at: Floats
    d: Floats
    fade: float
    least: float

    def edges(self) -> tuple[float, float] | None:
        """(rise, fall) in pairs, up to whole periods."""
        grid = (np.arange(PLACES) + 0.5) * self.pairs / PLACES
        even = np.interp(grid, self.at, self.d, period=self.pairs)
        a_pair = PLACES / self.pairs
        reach = max(2, math.ceil(WINDOW * a_pair))
        last = max(3, math.ceil(1.5 * a_pair))
        top = PLACES - last + int(np.argmax(even[-last:]))
        make = _last_rise(even, top, reach, self.least)
        drop = _first_fall(even, top, reach, BREAK_OF_SWING * (even[top] - even.min()))
        if make is None or drop is None:
            return None
        rise = self._edge(grid, even, make - reach, make)
        fall = self._edge(grid, even, drop, drop + reach)
        pause = (rise - fall) % self.pairs
        if pause < NARROW and self.fade > 0:
            rise = fall + min(pause, self._from_height((even[top] - even.min()) / max(even[top], 1.0)))
        return rise, fall

    def _edge(self, grid: Floats, even: Floats, first: int, last: int) -> float:
        """When the step between places `first` and `last` came, in pairs."""
        start, length = grid[first % PLACES], (last - first) * self.pairs / PLACES
        low, high = even[first % PLACES], even[last % PLACES]
        offset = (self.at - start) % self.pairs
        inside = np.flatnonzero(offset <= length + 1e-9)
        inside = inside[np.argsort(offset[inside], kind="stable")]
        x, part = offset[inside], np.clip((self.d[inside] - low) / (high - low), 0.0, 1.0)
        telling = (part > MIDDLE[0]) & (part < MIDDLE[1])
        if telling.any() and self.fade > 0 and self.pairs < FINE:
            return float(start + np.mean(x[telling] - _since(part[telling], self.fade)))
        return float(start + self._area(x, part, length))

    def _area(self, x: Floats, part: Floats, length: float) -> float:
        """What the step has covered by the end of `length` tells when it came, in the mean."""
        x, part = np.concatenate(([0.0], x, [length])), np.concatenate((part[:1], part, [1.0]))
        covered = float(np.sum(np.diff(x) * (part[1:] + part[:-1]) / 2))
        lag = 0.5 if self.fade <= 0 else -1.0 / math.log(self.fade) - self.fade / (1.0 - self.fade)
        return length - covered - lag

    def _from_height(self, height: float) -> float:
        """A pulse narrower than an interval shows by its height how narrow it is, pairs."""
        return math.inf if height >= SURE else float(_since(np.asarray(height), self.fade))


def _last_rise(even: Floats, top: int, reach: int, least: float) -> int | None:
    """The place before `top` where the last step up is over: all that follows stays above its foot."""
    lowest = math.inf
    for back in range(PLACES - reach):
        lowest = min(lowest, float(even[(top - back) % PLACES]))
        if lowest - even[(top - back - reach) % PLACES] >= least:
            near = range(back, min(back + reach, PLACES - reach) + 1)
            rise = even - np.roll(even, reach)
            return top - max(near, key=lambda b: rise[(top - b) % PLACES])
    return None


def _first_fall(even: Floats, top: int, reach: int, least: float) -> int | None:
    """The place from `top` on where the break begins."""
    fall = even - np.roll(even, -reach)
    for ahead in range(-reach, 2 * reach + 3):
        if fall[(top + ahead) % PLACES] >= least:
            return top + max(range(ahead, ahead + reach + 1), key=lambda b: fall[(top + b) % PLACES])
    return None
