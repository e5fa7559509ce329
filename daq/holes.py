"""Holes in a pulsed load's held lead: its feed or its ground opened while the drive went on.

A drive pulses one lead; the other one stays where it is in both phases. On a ground-side drive the feed lead
stays at source, so the two leads are never both low but when the feed is away; on a positive-side drive the
ground lead stays near zero, and both are high only where the ground is open, then in every pulse again.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from daq.stretches import Held, Raw

LOW, HIGH = 0.3, 0.7  # of source: below, above
NOTHING = 0.12  # of source: an open feed leaves no more, an engine being cranked does
FILTERED_S = 0.002  # in a shorter hole the front end's low-pass may leave more
PERIODS_BETWEEN = 1.5  # holes no further apart are one: an open ground shows in the pulses alone
MOST = 4096  # of a train; from there on they are one

Hole = tuple[int, int]  # from, to, pairs
Floats = npt.NDArray[np.float64]


class Holes:
    """Push the samples of a train, in any portions; `found` in order of time.

    Args:
        held: the lead that stays put; None: no hole can be told.
        period: of the train, pairs.
        rate_hz: of the samples.
    """

    def __init__(self, held: Held | None, period: float, rate_hz: float) -> None:
        self.held = held
        self.apart = PERIODS_BETWEEN * period
        self._filtered = FILTERED_S * rate_hz
        self._all: list[tuple[int, int, bool]] = []  # from, to, whether it was deep enough somewhere

    def add(self, at: int, raw: Raw, half: Floats) -> None:
        """Samples from pair `at` on, with half of the source at each; infinite where none was seen."""
        if self.held is None:
            return
        away, deep = away_and_deep(raw, half, self.held)
        for a, b in _runs(away):
            self._join(at + a, at + b, bool(deep[a:b].any()))

    def join(self, holes: Iterable[Hole]) -> None:
        """Holes later than those found."""
        for start, end in holes:
            self._join(start, end, True)

    def _join(self, start: int, end: int, deep: bool) -> None:
        if self._all and (start - self._all[-1][1] <= self.apart or len(self._all) >= MOST):
            first, last, was_deep = self._all[-1]
            self._all[-1] = (first, max(last, end), was_deep or deep)
        else:
            self._all.append((start, end, deep))

    @property
    def found(self) -> list[Hole]:
        return [(a, b) for a, b, deep in self._all if deep or b - a <= self._filtered]


def away_and_deep(
    levels: npt.NDArray[np.int32] | Floats, half: Floats, held: Held
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Where both leads, (n, 2) µV, are low, or high, and where they are as low as without a feed; `half` of
    the source at each."""
    if held is Held.GROUND:
        away = np.asarray(np.minimum(levels[:, 0], levels[:, 1]) > 2 * HIGH * half)
        return away, away
    source, highest = np.where(np.isfinite(half), 2 * half, -np.inf), np.maximum(levels[:, 0], levels[:, 1])
    return np.asarray(highest < LOW * source), np.asarray(highest < NOTHING * source)


def _runs(flags: npt.NDArray[np.bool_]) -> list[Hole]:
    """From, to, of those that are true."""
    bounds = np.flatnonzero(np.diff(flags, prepend=False, append=False)).tolist()
    return list(zip(bounds[::2], bounds[1::2], strict=True))
