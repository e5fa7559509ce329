"""Where the leads jump back and forth from pair to pair: pulses faster than the sample rate shows.

With some three samples a period and fewer, what the samples show beats between the pulses and the sample
clock: a load that is pulsed all the time seems to be off for a moment now and then, or on. Such a time is
known by single pairs that stand out from both neighbours: of pulses with three pairs a period every third
pair does, of those with two every one (the sampling theorem's limit).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.crossings import UV
from daq.windows import Micro, Windows

STANDS_OUT = 0.2  # of the highest level in a window
LEAST_UV = 1.0 * UV
OFTEN = 0.22  # of the pairs of a window: a period of four pairs and a half, if a pulse is one of them
SELDOM = 0.05  # mean step of a window, of its highest level: below, no window has so many
APART = 12  # windows: a beat slower than this is not bridged
LEAST = 4  # windows: a bouncing contact is over within one

Span = tuple[int, int]  # from, to, pairs


class Unresolved:
    """Push whole windows; pull the spans in which the leads jump, with their surroundings."""

    def __init__(self, window: int, earlier: Unresolved | None) -> None:
        self._apart = APART * window
        self._found: list[tuple[int, int, int]] = (
            [] if earlier is None else earlier._found
        )  # from, to, windows

    def push(self, windows: Windows, mean_steps: npt.NDArray[np.float64], first: int) -> None:
        """Windows from pair `first` on, and (windows, 2) their mean steps from pair to pair."""
        size, found = windows.size, np.zeros(len(mean_steps), dtype=np.bool_)
        for lead in (0, 1):
            rows, high = windows.rows[lead], windows.high[lead]
            at = np.flatnonzero(mean_steps[:, lead] > SELDOM * np.maximum(high, LEAST_UV))
            if len(at):
                found[at] |= _jumps(rows[at], np.maximum(STANDS_OUT * high[at], LEAST_UV))
        for n in np.flatnonzero(found).tolist():
            self._add(first + n * size, first + (n + 1) * size)

    def _add(self, start: int, end: int) -> None:
        count = 1
        if self._found and start - self._found[-1][1] <= self._apart:
            start, _, before = self._found.pop()
            count += before
        elif self._found and self._found[-1][2] < LEAST:
            self._found.pop()
        self._found.append((start, end, count))

    @property
    def spans(self) -> tuple[Span, ...]:
        return tuple((a - self._apart, b + self._apart) for a, b, count in self._found if count >= LEAST)


def _jumps(rows: Micro, limits: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """(windows, pairs) -> (windows,): whether many samples stand out from both neighbours by more than the
    window's limit."""
    steps = rows[:, 1:] - rows[:, :-1]
    far, up = np.abs(steps) > limits[:, None], steps > 0
    out = far[:, 1:] & far[:, :-1] & (up[:, 1:] != up[:, :-1])
    return np.asarray(out.mean(axis=1) > OFTEN)
