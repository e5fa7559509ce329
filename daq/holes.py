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
PERIODS_BETWEEN = 1.5  # holes no further apart are one: an open ground shows in the pulses alone
MOST = 256  # of a train

Hole = tuple[int, int]  # from, to, pairs
Floats = npt.NDArray[np.float64]


class Holes:
    """Push the samples of a train, in any portions; `found` in order of time.

    Args:
        held: the lead that stays put; None: no hole can be told.
        period: of the train, pairs.
    """

    def __init__(self, held: Held | None, period: float) -> None:
        self.held = held
        self._apart = PERIODS_BETWEEN * period
        self.found: list[Hole] = []

    def add(self, at: int, raw: Raw, half: Floats) -> None:
        """Samples from pair `at` on, with half of the source at each; infinite where none was seen."""
        if self.held is not None:
            self.join((at + a, at + b) for a, b in runs(away(raw, half, self.held)))

    def join(self, holes: Iterable[Hole]) -> None:
        """Holes later than those found."""
        for start, end in holes:
            if self.found and start - self.found[-1][1] <= self._apart:
                self.found[-1] = (self.found[-1][0], max(end, self.found[-1][1]))
            elif len(self.found) < MOST:
                self.found.append((start, end))


def away(levels: npt.NDArray[np.int32] | Floats, half: Floats, held: Held) -> npt.NDArray[np.bool_]:
    """Where both leads, (n, 2) µV, are low, or high; `half` of the source at each."""
    if held is Held.FEED:
        least = np.where(np.isfinite(half), 2 * LOW * half, -np.inf)
        return np.asarray(np.maximum(levels[:, 0], levels[:, 1]) < least)
    return np.asarray(np.minimum(levels[:, 0], levels[:, 1]) > 2 * HIGH * half)


def runs(flags: npt.NDArray[np.bool_]) -> list[Hole]:
    """From, to, of those that are true."""
    bounds = np.flatnonzero(np.diff(flags, prepend=False, append=False)).tolist()
    return list(zip(bounds[::2], bounds[1::2], strict=True))
