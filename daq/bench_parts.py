"""The bench's bag of parts: what a circuit is made of, and the laws of those that are not linear.

A part joins two nodes, named by text; node "0" is the battery's negative post. Anything that can be switched
is a part that is only there in some positions (`when`): a closed switch is a small resistor, an open one is
nothing, or a leak. Positions are a mapping such as {"switch": "closed", "plug": "in"}.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

Positions = Mapping[str, str]

THERMAL_V = 0.02585  # kT/q at 300 K
STEEPEST = 40.0  # exponents are continued as straight lines beyond e^40, far above any current here


@dataclass(frozen=True, slots=True)
class When:
    """A part is present while `position` has one of `values`."""

    position: str
    values: frozenset[str]

    def holds(self, positions: Positions) -> bool:
        return positions[self.position] in self.values


def when(position: str, *values: str) -> When:
    return When(position, frozenset(values))


@dataclass(frozen=True, slots=True)
class Resistor:
    a: str
    b: str
    ohm: float
    when: When | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """A voltage behind a resistance: `a` is `volt` above `b` when nothing is drawn."""

    a: str
    b: str
    volt: float
    ohm: float
    when: When | None = None


@dataclass(frozen=True, slots=True)
class Capacitor:
    """`stray` capacitances (leads, windings) shape edges of microseconds: no step is shortened for them."""

    a: str
    b: str
    farad: float
    stray: bool = False


@dataclass(frozen=True, slots=True)
class Inductor:
    a: str
    b: str
    henry: float


class Law(Protocol):
    """Current through a part, as a function of the voltage across it and of its own state."""

    @property
    def rest(self) -> float:
        """State to begin with (0 for a part without memory)."""
        ...

    def current(self, volt: float, base: float, step_s: float) -> tuple[float, float, float]:
        """(A, S, state): current, its slope, and the state at the end of an implicit step from `base`."""
        ...

    def limited(self, volt: float, before: float) -> float:
        """Where Newton may go from `before` when it wants to go to `volt`."""
        ...


@dataclass(frozen=True, slots=True)
class Part:
    """A part that obeys a law; current counts from a to b."""

    a: str
    b: str
    law: Law
    when: When | None = None


AnyPart = Resistor | Source | Capacitor | Inductor | Part


def _exponential(x: float) -> tuple[float, float]:
    """exp(x) and its slope, a straight line beyond STEEPEST."""
    if x > STEEPEST:
        top = math.exp(STEEPEST)
        return top * (1 + x - STEEPEST), top
    value = math.exp(x)
    return value, value


def _junction_limited(volt: float, before: float, slope_v: float, knee_v: float) -> float:
    """Logarithmic damping of a junction's Newton step (Nagel, SPICE2, 1975: from memory)."""
    if volt <= knee_v or abs(volt - before) <= 2 * slope_v:
        return volt
    if before <= 0:
        return slope_v * math.log(max(volt / slope_v, 1.0)) if volt > 0 else volt
    grown = 1 + (volt - before) / slope_v
    return before + slope_v * math.log(grown) if grown > 0 else knee_v


@dataclass(frozen=True, slots=True)
class Junction:
    """Diode, or `in_series` equal ones (an LED string): i = Is (exp(v / (m n Vt)) - 1)."""

    saturation_a: float = 1e-9
    emission: float = 1.8
    in_series: int = 1
    rest: float = 0.0
    slope_v: float = field(init=False)
    knee_v: float = field(init=False)

    def __post_init__(self) -> None:
        slope_v = self.emission * THERMAL_V * self.in_series
        object.__setattr__(self, "slope_v", slope_v)
        object.__setattr__(self, "knee_v", slope_v * math.log(slope_v / (math.sqrt(2) * self.saturation_a)))

    def current(self, volt: float, base: float, step_s: float) -> tuple[float, float, float]:
        value, slope = _exponential(volt / self.slope_v)
        return self.saturation_a * (value - 1), self.saturation_a * slope / self.slope_v, base

    def limited(self, volt: float, before: float) -> float:
        return _junction_limited(volt, before, self.slope_v, self.knee_v)


@dataclass(frozen=True, slots=True)
class Breakdown:
    """Conducts beyond `forward_v` one way and `reverse_v` the other: an arc, an avalanche clamp.

    1 mA at the stated voltages, e-fold per `slope_v`.
    """

    forward_v: float
    reverse_v: float
    slope_v: float = 0.15
    rest: float = 0.0

    def current(self, volt: float, base: float, step_s: float) -> tuple[float, float, float]:
        up, up_slope = _exponential((volt - self.forward_v) / self.slope_v)
        down, down_slope = _exponential((-volt - self.reverse_v) / self.slope_v)
        return 1e-3 * (up - down), 1e-3 * (up_slope + down_slope) / self.slope_v, base

    def limited(self, volt: float, before: float) -> float:
        highest = max(before, self.forward_v) + 3 * self.slope_v
        lowest = min(before, -self.reverse_v) - 3 * self.slope_v
        return min(max(volt, lowest), highest)


@dataclass(frozen=True, slots=True)
class DryFriction:
    """A motor's dry friction, seen from its armature: `ampere` against the motion, whatever the speed.

    `volt` is the back-EMF, and `creep_v` the EMF below which the shaft counts as standing.
    """

    ampere: float
    creep_v: float = 0.02
    rest: float = 0.0

    def current(self, volt: float, base: float, step_s: float) -> tuple[float, float, float]:
        share = math.tanh(volt / self.creep_v)
        return self.ampere * share, self.ampere * (1 - share * share) / self.creep_v + 1e-9, base

    def limited(self, volt: float, before: float) -> float:
        return 0.0 if volt * before < 0 else volt  # steepest at standstill: never jump across it


@dataclass(frozen=True, slots=True)
class Filament:
    """A tungsten lamp: resistance follows temperature, temperature follows power less radiation.

    R = cold (T/300)^1.21 fits the handbook resistivities 5.65, 24.93, 56.67, 92.04 µΩ cm at 300, 1000, 2000,
    3000 K (CRC/Jones, from memory) within 3 %; radiation goes with T^4.

    Attributes:
        volt, watt: rating; the filament is then at `hot_k`.
        joule_per_k: heat capacity, which sets how long the inrush lasts.
    """

    volt: float
    watt: float
    joule_per_k: float
    hot_k: float = 2700.0
    rest: float = 300.0

    @property
    def cold_ohm(self) -> float:
        return self.volt**2 / self.watt / math.pow(self.hot_k / 300.0, 1.21)

    def ohm(self, kelvin: float) -> float:
        return self.cold_ohm * math.pow(kelvin / 300.0, 1.21)

    def current(self, volt: float, base: float, step_s: float) -> tuple[float, float, float]:
        """Solves the implicit step of the temperature by Newton; heating rises with 1/R, so it converges."""
        per_k4 = self.watt / (self.hot_k**4 - 300.0**4)
        heat = step_s / self.joule_per_k
        kelvin = max(base, 300.0)
        for _ in range(50):
            ohm = self.ohm(kelvin)
            ohm_slope = 1.21 * ohm / kelvin
            miss = kelvin - base - heat * (volt * volt / ohm - per_k4 * (kelvin**4 - 300.0**4))
            steepness = 1 + heat * (volt * volt / ohm**2 * ohm_slope + 4 * per_k4 * kelvin**3)
            change = miss / steepness
            kelvin = min(max(kelvin - change, 200.0), 6000.0)
            if abs(change) < 1e-4:
                break
        ohm = self.ohm(kelvin)
        warming = heat * 2 * volt / ohm / steepness
        return volt / ohm, 1 / ohm - volt / ohm**2 * (1.21 * ohm / kelvin) * warming, kelvin

    def limited(self, volt: float, before: float) -> float:
        return 0.0 if volt * before < 0 else volt  # coldest, so steepest, at 0 V: never jump across it
