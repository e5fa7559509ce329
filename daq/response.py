"""What the load voltage does after a switching, in windows that double in length.

A filament, a motor, a coil answer in milliseconds to seconds; windows even on a logarithmic scale show all
of them with a dozen numbers. Signs are as if the load, on, had lead 1 positive.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np
import numpy.typing as npt

from daq.crossings import UV
from daq.labels import difference
from daq.stretches import Lost, Pair, Steady, Stretch, Train, Zone, end_of, start_of
from daq.turns import Turn

# Edges, s. The front end's low-pass has settled after the first.
WINDOWS_S = (0.00125, 0.0025, 0.005, 0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64)
WINDOWS = len(WINDOWS_S) - 1
BEYOND_UV = 0.3 * UV  # a kick takes the load voltage this far below where it comes to rest
KICK_S = 0.03
MOST_KNOWN = 256

Floats = npt.NDArray[np.float64]
Piece = tuple[Floats, Floats, Floats]  # positions, lead 1 - lead 2, samples each is the mean of


@dataclass(frozen=True, slots=True)
class Kick:
    """The longest time the load voltage was reversed: samples in a row, median and lowest level, µV."""

    samples: int
    level: float
    lowest: float


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """Load voltage after a switching, µV.

    Attributes:
        levels: (WINDOWS,) means; nan where nothing was sampled.
        samples: (WINDOWS,) how many each is the mean of.
        end: the settled level.
        kick: None where there was none.
    """

    levels: Floats
    samples: Floats
    end: float
    kick: Kick | None


Respond = Callable[[Turn, float, Pair, float], Response]
"""What followed a turn up to a pair, given the leads' settled levels then and the sign of lead 1 - lead 2."""


def response(
    stretches: Sequence[Stretch], turn: Turn, end: float, settled: Pair, sign: float, rate_hz: float
) -> Response:
    """What followed a turn, up to pair `end`; `settled` are the leads' levels then, `sign` is 1 or -1."""
    first, last = turn.at, turn.at if turn.last is None else turn.last
    rest = sign * difference(settled)
    pieces = list(_pieces(stretches, first, min(end, _until(turn, rate_hz))))
    at, d, n = (np.concatenate([p[i] for p in pieces]) if pieces else np.empty(0) for i in range(3))
    d = sign * d
    window = np.searchsorted(WINDOWS_S, (at - last) / rate_hz, side="right") - 1
    inside = (window >= 0) & (window < WINDOWS)
    window = window[inside]
    samples = np.bincount(window, weights=n[inside], minlength=WINDOWS)
    sums = np.bincount(window, weights=(d * n)[inside], minlength=WINDOWS)
    levels = np.where(samples > 0, sums / np.maximum(samples, 1.0), math.nan)
    early = at < last + KICK_S * rate_hz
    return Response(levels, samples.astype(np.float64), rest, _kick(d[early], n[early], min(0.0, rest)))


class Responses:
    """Each worked out once while nothing changes: a live picture asks for the same ones again and again."""

    def __init__(self) -> None:
        self._known: dict[tuple[float | None, ...], Response] = {}

    def of(self, stretches: Sequence[Stretch], rate_hz: float) -> Respond:
        """`response`, in these stretches."""

        def respond(turn: Turn, end: float, settled: Pair, sign: float) -> Response:
            key = (turn.at, turn.last, min(end, _until(turn, rate_hz)), *settled, sign)
            found = self._known.get(key)
            if found is None:
                if len(self._known) >= MOST_KNOWN:
                    self._known.clear()
                found = self._known[key] = response(stretches, turn, end, settled, sign, rate_hz)
            return found

        return respond


def _until(turn: Turn, rate_hz: float) -> float:
    """What comes later is no response any more."""
    return (turn.at if turn.last is None else turn.last) + WINDOWS_S[-1] * rate_hz


def _kick(d: Floats, n: Floats, rest: float) -> Kick | None:
    beyond = np.concatenate(([False], d < rest - BEYOND_UV, [False])).astype(np.int8)
    starts, ends = np.flatnonzero(np.diff(beyond) > 0), np.flatnonzero(np.diff(beyond) < 0)
    if not len(starts):
        return None
    counts = np.concatenate(([0.0], np.cumsum(n)))
    lengths = counts[ends] - counts[starts]
    longest = int(np.argmax(lengths))
    run = d[starts[longest] : ends[longest]]
    return Kick(round(lengths[longest]), float(np.median(run)), float(run.min()))


def _pieces(stretches: Sequence[Stretch], first: float, end: float) -> Iterator[Piece]:
    """What is kept of the time between two pairs: single samples, or windows of a stretch's onset."""
    for s in islice(stretches, max(0, bisect_left(stretches, first, key=end_of)), None):
        if start_of(s) > end or isinstance(s, Lost | Train):
            return
        if s.raw is not None:
            begin = s.raw_start if isinstance(s, Zone) else s.start
            a, b = max(math.ceil(first), s.start) - begin, min(int(end), s.end) - begin
            if b > a:
                raw = s.raw[a:b].astype(np.float64)
                yield np.arange(begin + a, begin + b, dtype=np.float64), raw[:, 0] - raw[:, 1], np.ones(b - a)
        elif isinstance(s, Steady):
            inside = [o for o in s.onset if o[0] >= max(first, s.start) and o[0] + o[1] <= min(end, s.end)]
            if inside:
                windows = np.asarray(inside)
                yield windows[:, 0] + windows[:, 1] / 2, windows[:, 2] - windows[:, 3], windows[:, 1]
