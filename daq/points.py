"""Points in the space of unknowns: dials, whose prior is standard normal, and kinds of parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.knowledge import Knowledge
from daq.unknowns import CHOICES, DIALS, SYSTEM_V, Array, Codes, Draws

SYSTEM = CHOICES.index("system")


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """One set of unknowns.

    Attributes:
        x: every dial, (DIALS,), in standard deviations; that of the battery is about the median of `system`.
        codes: every choice, (CHOICES,).
    """

    x: Array
    codes: Codes

    def code(self, choice: str) -> int:
        return int(self.codes[CHOICES.index(choice)])

    def otherwise(self, choice: str, code: int) -> Point:
        """The same with one choice made otherwise."""
        codes = self.codes.copy()
        codes[CHOICES.index(choice)] = code
        return Point(self.x, codes)

    def moved(self, dials: Mapping[str, float]) -> Point:
        """The same with some dials elsewhere."""
        x = self.x.copy()
        for dial, to in dials.items():
            x[DIALS.index(dial)] = to
        return Point(x, self.codes)

    @property
    def name(self) -> bytes:
        """The same for the same point alone."""
        return self.x.tobytes() + self.codes.tobytes()


def point_of(draws: Draws, row: int, column: int, knowledge: Knowledge) -> Point:
    """One draw; its battery, which may have been aimed, is one of the nearest system."""

    def at(values: npt.NDArray[np.generic]) -> float:
        return float(values[row if values.shape[0] > 1 else 0, column])

    x = np.array([at(draws.dials[name]) for name in DIALS])
    codes = np.array([at(draws.choices[name]) for name in CHOICES], dtype=np.int8)
    emf_ln, nominal = np.log(at(draws.emf_v)), nominal_ln(knowledge)
    ruled_out = np.array(list(knowledge.choices["system"].values())) == 0
    codes[SYSTEM] = np.where(ruled_out, np.inf, np.abs(emf_ln - nominal)).argmin()
    x[0] = (emf_ln - nominal[codes[SYSTEM]]) / battery_width(knowledge)
    return Point(x, codes)


def draws_at(x: Array, codes: Codes, knowledge: Knowledge) -> Draws:
    """Draws at given points.

    Args:
        x: (explanations, draws, DIALS).
        codes: (explanations, draws, CHOICES), or what broadcasts to it.
    """
    shape = x.shape[:2]
    codes = np.broadcast_to(codes, (*shape, len(CHOICES)))
    emf_ln = nominal_ln(knowledge)[codes[..., SYSTEM]] + battery_width(knowledge) * x[..., 0]
    dials = {name: x[..., n] for n, name in enumerate(DIALS)}
    choices = {name: codes[..., n] for n, name in enumerate(CHOICES)}
    return Draws(dials, choices, np.zeros(shape), np.exp(emf_ln))


def nominal_ln(knowledge: Knowledge) -> Array:
    """ln V of the battery where its dial is at 0, for each system."""
    median = knowledge.spread["source"].median
    return np.log([SYSTEM_V[name] * median for name in knowledge.choices["system"]])


def battery_width(knowledge: Knowledge) -> float:
    """Of ln V, where the system is known."""
    return float(np.log(knowledge.spread["source"].factor))
