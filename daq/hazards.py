"""Signs of what the tool must refuse or doubt: AC, a floating pair of leads, readings beyond the range.

AC: within 0.2 s a lead spends a good part of the time both well below and well above the reference, with
a swing of 10 V or more, moving smoothly. A coil's kick is short, a floating reference moves each lead to
one side only, and noise jumps from pair to pair. What swings like that is AC unless it shows what a chopped
coil shows: while on it lies level at source, from there it plunges to a clamp within a millisecond, it does
not leap back from below, and it is below for less long than above. A plunge alone shows nothing: a saw, a
skewed sine and an inductive sensor fall faster than they climb, and rest at zero as well.

What swings less, or with too few samples a cycle to show its shape, is not refused; but no DC circuit takes a
lead below the reference for long, so no side is told from it (`swings`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.crossings import REACH_S, UV, WINDOW_S
from daq.unresolved import Unresolved
from daq.windows import Windows

WINDOWS = 8  # of 25 ms
BEYOND_UV = 1.5 * UV
PART_OF_TIME = 0.15
BOTH_WINDOWS = 5  # of the eight go both ways by themselves
SWING_UV = 10 * UV
SMOOTH = 0.3  # mean step from pair to pair, of the swing: some seven pairs a period or more
SMOOTH_SLOW = 0.7  # where a cycle of mains has only a few samples
SLOW_WINDOW = 20
TOP_OF_SWING = 0.05
CLOSE_TO_END = 0.2
FLAT = 0.3
EVEN = 0.75  # time below zero, of the time above it, where it is fast or samples are few
LEVEL_WHILE_ON = 0.4  # near the top, of the time above: a sine a third, a saw less
EDGES_PER_PLUNGE = 1.2  # pairs above but not near the top, of the pairs that plunge
SAG = 0.35  # or of the time above: slow pulses have few edges, and their level sags as the current climbs
SHORTER = 0.9  # a coil loses in its wire what it need not give back; a sensor's lobes are alike
PLUNGES_PER_LEAP = 4
LEAPS_OF_PAIRS = 0.1  # below some 150 Hz; a coil that is pulsed faster may leap as well
CUT_OFF_UV = 38 * UV  # a sine cut off by the converter is flat too
SOMETIMES = 0.04  # of the time: more than the kicks of a coil that is switched, not chopped
CHOPPED_LEVEL, CHOPPED_BELOW = 0.38, 0.85  # top and below, of the time above: few samples of a chopped coil
SURE_LEVEL, SURE_BELOW = 0.6, 0.5  # shown by these alone
SLOWLY = 0.03  # of all windows, wholly below; no kick lasts for one
MOSTLY = 0.5
NOISY_UV = 1.0 * UV
NOISE_ABOUT_UV = 2.5 * UV


class Hazards:
    """Push the windows of a segment; read `ac` and its like. `earlier` is what the one before showed."""

    def __init__(self, window: int, first: int = 0, earlier: Hazards | None = None) -> None:
        self.window = window
        self._at = first  # pair at which the next window begins
        self.unresolved: Unresolved = Unresolved(window, None if earlier is None else earlier.unresolved)
        self.ac: bool = earlier is not None and earlier.ac
        self._swung: bool = earlier is not None and earlier._swung
        self.windows: int = earlier.windows if earlier is not None else 0
        self._wholly: npt.NDArray[np.int64] = (
            earlier._wholly.copy() if earlier is not None else np.zeros((2, 2), dtype=np.int64)
        )  # windows below, above, by lead
        self.noisy_windows: int = earlier.noisy_windows if earlier is not None else 0
        self._rows: npt.NDArray[np.float64] = np.empty((0, 2, 9))
        self._reach = max(1, round(window * REACH_S / WINDOW_S))

    def push(self, windows: Windows) -> None:
        """The next whole windows."""
        statistics = self._statistics(windows)
        self.unresolved.push(windows, statistics[..., 4], self._at)
        self._at += windows.size * len(statistics)
        rows = np.concatenate((self._rows, statistics))
        self._judge(rows)
        self._rows = rows[-(WINDOWS - 1) :]

    def _statistics(self, windows: Windows) -> npt.NDArray[np.float64]:
        """Per window and lead: time below, time above, lowest, highest, mean step, time at the top; how often
        it went from above to below within the reach, from below to above, and from close to its highest to
        close to its lowest."""
        low, high = np.stack(windows.low, axis=1), np.stack(windows.high, axis=1)
        out = np.empty((len(low), 2, 9))
        out[..., 2], out[..., 3] = low, high
        out[..., 4] = np.stack(windows.steps, axis=1) / (windows.size - 1)
        if low.min() < -BEYOND_UV:
            view = np.stack(windows.rows, axis=2)
            above, below = view > BEYOND_UV, view < -BEYOND_UV
            out[..., 0], out[..., 1] = below.mean(axis=1), above.mean(axis=1)
            out[..., 5] = (view > (high - TOP_OF_SWING * (high - low))[:, None, :]).mean(axis=1)
            out[..., 6] = (above[:, : -self._reach] & below[:, self._reach :]).sum(axis=1)
            out[..., 7] = (below[:, : -self._reach] & above[:, self._reach :]).sum(axis=1)
            high_up = view > (high - CLOSE_TO_END * (high - low))[:, None, :]
            deep = view < (low + CLOSE_TO_END * (high - low))[:, None, :]
            out[..., 8] = (high_up[:, : -self._reach] & deep[:, self._reach :]).sum(axis=1)
        else:
            out[..., [0, 5, 6, 7, 8]] = 0.0, 1.0, 0.0, 0.0, 0.0
            out[..., 1] = low > BEYOND_UV
            for lead in (0, 1):
                mixed = np.flatnonzero((low[:, lead] <= BEYOND_UV) & (high[:, lead] > BEYOND_UV))
                out[mixed, lead, 1] = (windows.rows[lead][mixed] > BEYOND_UV).mean(axis=1)
        jumps = (out[..., 4] > NOISY_UV / 4) & (high - low > NOISY_UV)
        noisy = np.flatnonzero(jumps.all(axis=1))
        for rows in windows.rows:  # a source with ripple is no noise
            noisy = noisy[np.abs(rows[noisy].mean(axis=1)) < NOISE_ABOUT_UV]
        self.windows += len(low)
        self._wholly += np.stack(((high < -BEYOND_UV).sum(axis=0), (low > BEYOND_UV).sum(axis=0)))
        self.noisy_windows += len(noisy)
        return out

    def _judge(self, rows: npt.NDArray[np.float64]) -> None:
        n = len(rows) - WINDOWS + 1
        if n <= 0 or rows[..., 2].min() > -BEYOND_UV:
            return
        span = np.lib.stride_tricks.sliding_window_view(rows, WINDOWS, axis=0)
        below, above = span[..., 0, :].mean(axis=-1), span[..., 1, :].mean(axis=-1)
        swing = span[..., 3, :].max(axis=-1) - span[..., 2, :].min(axis=-1)
        smooth = SMOOTH if self.window >= SLOW_WINDOW else SMOOTH_SLOW
        step = span[..., 4, :].mean(axis=-1)
        both = ((span[..., 2, :] < -BEYOND_UV) & (span[..., 3, :] > BEYOND_UV)).sum(axis=-1)
        found = (
            (below > PART_OF_TIME)
            & (above > PART_OF_TIME)
            & ((below > EVEN * above) | self._slow(span))
            & (swing > SWING_UV)
            & (step < smooth * swing)
            & (both >= BOTH_WINDOWS)
        )
        # a sine stays near its peak for a seventh of the time, a pulse for as long as it lasts
        flat = (span[..., 5, :].mean(axis=-1) > FLAT) & (span[..., 3, :].max(axis=-1) < CUT_OFF_UV)
        kicks = self._kicks(span)
        self.ac |= bool((found & ~flat & ~kicks).any())
        often = (below > SOMETIMES) & (above > SOMETIMES) & (both >= BOTH_WINDOWS)
        self._swung |= bool((often & ~kicks & ~self._chopped(span)).any())

    def _slow(self, span: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
        """Few leaps, and samples enough to see a plunge: what is uneven then is AC with an offset."""
        leaps = span[..., 7, :].mean(axis=-1)
        return np.asarray((self.window >= SLOW_WINDOW) & (leaps < LEAPS_OF_PAIRS * self.window))

    def _kicks(self, span: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
        """Shown to be a coil: level whenever above but for its edges, plunging from there to a floor time and
        again, hardly ever leaping, below for less long than above. Few samples cannot show it."""
        plunges, leaps, deep = (span[..., n, :].sum(axis=-1) for n in (6, 7, 8))
        below, above, top = (self.window * span[..., n, :].sum(axis=-1) for n in (0, 1, 5))
        often = (deep >= WINDOWS) & (self.window >= SLOW_WINDOW)
        slack = np.maximum(EDGES_PER_PLUNGE * plunges, SAG * above)
        level = (top > LEVEL_WHILE_ON * above) & (above - top < slack)
        return np.asarray(often & level & (below < SHORTER * above) & (plunges >= PLUNGES_PER_LEAP * leaps))

    def _chopped(self, span: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
        """Perhaps a coil that is chopped so fast that few samples show it: still level while above."""
        kicked = span[..., 0, :] > 0  # a window before or after the pulses shows nothing of them
        deep, below, above, top = ((span[..., n, :] * kicked).sum(axis=-1) for n in (8, 0, 1, 5))
        often = (deep >= WINDOWS) & (self.window >= SLOW_WINDOW)
        rather = often & (top > CHOPPED_LEVEL * above) & (below < CHOPPED_BELOW * above)
        return np.asarray(rather | ((top > SURE_LEVEL * above) & (below < SURE_BELOW * above)))

    @property
    def swings(self) -> bool:
        """A lead goes below the reference as well as above as no DC circuit makes it, slowly or fast.

        Slowly: one that is below for windows on end and above for others, while the other is no feed. (With
        the reference off a ground-side circuit's lead does that as well, but its feed stays above.)
        """
        below, above = self._wholly / max(1, self.windows)
        slowly = (below > SLOWLY) & (above > SLOWLY) & ~((above > MOSTLY) & (below < SLOWLY))[::-1]
        return self._swung or bool(slowly.any())

    @property
    def noise(self) -> bool:
        """Most of the time both leads jump about: nothing is connected, or the reference is off."""
        return self.windows > 0 and self.noisy_windows > 0.5 * self.windows
