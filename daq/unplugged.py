"""Readings while the load's connector is apart: steady levels, each beside the control and the bias it had.

Such readings are no part of the switching that is judged; the reasoning is given them. Whole windows from the
beginning of a state on are looked at, so that the cutting into blocks does not matter.
"""

from __future__ import annotations

from math import hypot

import numpy as np

from daq.crossings import UV
from daq.samples import Bias, Scale
from daq.seen import NO_BIAS, Held
from daq.stretches import Raw

STEADY_S = 0.25  # a level stands when it was held this long
STEADY_V = 0.15  # and within this
STEADY_SHARE = 0.02  # or this part of the level

State = tuple[str | None, tuple[Bias, Bias]]


class Unplugged:
    """`begin` a state, `push` its samples; `readings` are the steady levels, the latest of each state."""

    def __init__(self) -> None:
        self._found: dict[State, Held] = {}
        self._state: State = (None, NO_BIAS)
        self._open: Raw = np.empty((0, 2), dtype=np.int32)
        self._means: list[tuple[float, float]] = []  # V, of the latest windows that are alike

    def begin(self, control: str | None, bias: tuple[Bias, Bias]) -> None:
        """What follows was read with the control there (None: nobody said) and this bias on the leads."""
        self._state = (control, bias)
        self._open = self._open[:0]
        self._means = []

    def push(self, micro: Raw, rate_hz: float, scale: Scale) -> None:
        window = max(2, round(STEADY_S * rate_hz / 10))
        part = np.concatenate((self._open, micro))
        whole = len(part) // window * window
        self._open = part[whole:]
        for one, other in (part[:whole].reshape(-1, window, 2).mean(axis=1) / UV).tolist():
            if self._means and not self._alike((one, other)):
                self._means = []
            self._means = [*self._means[-39:], (one, other)]
            if len(self._means) >= 10:
                self._found[self._state] = self._held(scale)

    def _alike(self, volts: tuple[float, float]) -> bool:
        return all(
            abs(a - b) < max(STEADY_V, STEADY_SHARE * abs(b))
            for a, b in zip(volts, self._means[0], strict=True)
        )

    def _held(self, scale: Scale) -> Held:
        mean = np.mean(self._means, axis=0)
        error = np.std(self._means, axis=0) / np.sqrt(len(self._means))
        known = [hypot(float(e), scale.uncertainty_v(n, float(mean[n]))) for n, e in enumerate(error)]
        control, bias = self._state
        return Held((float(mean[0]), float(mean[1])), (known[0], known[1]), control, bias)

    @property
    def readings(self) -> tuple[Held, ...]:
        return tuple(self._found.values())
