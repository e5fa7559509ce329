"""The parts of a circuit whose current is not proportional to their voltage.

Each gives its current and slope at a voltage (the tangent Newton's method needs) and says how far one step
may go. Two laws are enough: junctions (bias diode, LED strings, saturated drivers) follow Shockley's
exponential law; a filament's current rises with about the 0.55th power of its voltage once it glows, and its
cold resistance is a tenth of the hot one (common practice for incandescent lamps).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

E = TypeVar("E", bound="Element")

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

THERMAL_V = 0.025865  # k T / q at 27 °C
MOST_EXPONENT = 200.0
SILENT_A = 1e-300  # saturation current of a junction that is not there
JOINED_S = 1e3  # nodes that are one piece of metal
FILAMENT_POWER = 0.55
COLD_SHARE = 0.1
# With i = k v (v² + v1²)^((p-1)/2) the conductance at v = 0 is 1 / COLD_SHARE times the one at the rated
# voltage when v1 is this fraction of it.
KNEE = COLD_SHARE ** (1.0 / (1.0 - FILAMENT_POWER))


class Element(Protocol):
    """A non-linear branch from `plus` to `minus`, present where `active`; a dataclass."""

    __dataclass_fields__: ClassVar[dict[str, Any]]

    @property
    def plus(self) -> str: ...
    @property
    def minus(self) -> str: ...
    @property
    def active(self) -> Mask: ...
    def guess(self, open_v: Array, ohm: Array) -> Array:
        """Where to begin, V, behind `ohm` from `open_v`."""

    def tangent(self, volts: Array) -> tuple[Array, Array]:
        """(A, S) at `volts`, both over circuits."""

    def limited(self, target: Array, volts: Array) -> Array:
        """Where to go from `volts` when the tangent points to `target`."""

    @property
    def kind(self) -> str:
        """Branches of the same kind have the same law, and can be joined."""

    def everywhere(self) -> Element | None:
        """The same branch in every circuit, carrying nothing where it was not active; None: it cannot be."""


@dataclass(frozen=True, slots=True)
class Junction:
    """i = saturation (exp(v / slope) - 1); `slope_v` is n k T / q, times the junctions in series.

    `both_ways`: two of them, back to back, so that it conducts in either direction.
    """

    plus: str
    minus: str
    active: Mask
    saturation_a: Array
    slope_v: Array
    both_ways: bool = False

    def guess(self, open_v: Array, ohm: Array) -> Array:
        if not self.both_ways:
            return self._behind(open_v, ohm)
        return np.sign(open_v) * self._behind(np.abs(open_v), ohm)

    def _behind(self, open_v: Array, ohm: Array) -> Array:
        """A junction behind one resistance, in closed form.

        w + ln w = x with w = ohm i / slope: Wright's omega function (Corless and Jeffrey, 2002).
        """
        leak_v = ohm * self.saturation_a
        x = np.log(leak_v / self.slope_v) + (open_v + leak_v) / self.slope_v
        w = np.where(x > 1.0, x - np.log(np.maximum(x, 1.0)), np.exp(np.minimum(x, 1.0)))
        for _ in range(2):
            w = w * (1.0 + x - np.log(np.maximum(w, 1e-300))) / (1.0 + w)
        return open_v + leak_v - self.slope_v * w

    def tangent(self, volts: Array) -> tuple[Array, Array]:
        grown = self._grown(volts)
        back = self._grown(-volts) if self.both_ways else self.saturation_a
        slope = (grown + back if self.both_ways else grown) / self.slope_v
        return grown - back, slope + 1e-14

    def _grown(self, volts: Array) -> Array:
        return self.saturation_a * np.exp(np.minimum(volts / self.slope_v, MOST_EXPONENT))

    def limited(self, target: Array, volts: Array) -> Array:
        """Upwards an exponential is followed by its logarithm (Nagel, SPICE2, 1975)."""
        if not self.both_ways:
            return self._limited(target, volts)
        sign = np.where(target < 0, -1.0, 1.0)
        return sign * self._limited(sign * target, sign * volts)

    def _limited(self, target: Array, volts: Array) -> Array:
        slope = self.slope_v
        critical = slope * np.log(slope / (np.sqrt(2.0) * self.saturation_a))
        far = (target > critical) & (np.abs(target - volts) > 2 * slope)
        grown = 1.0 + (target - volts) / slope
        from_on = np.where(grown > 0, volts + slope * np.log(np.maximum(grown, 1e-30)), critical)
        from_off = slope * np.log(np.maximum(target / slope, 1e-30))
        return np.where(far, np.where(volts > 0, from_on, from_off), target)

    @property
    def kind(self) -> str:
        return "junction both ways" if self.both_ways else "junction"

    def everywhere(self) -> Junction:
        """A silent one's slope is large, so that no step is limited for its sake."""
        return replace(
            self,
            active=np.ones((), dtype=np.bool_),
            saturation_a=np.where(self.active, self.saturation_a, SILENT_A),
            slope_v=np.where(self.active, self.slope_v, 1.0),
        )


@dataclass(frozen=True, slots=True)
class Filament:
    """i = hot (v / rated) at the rated voltage, ten times as conductive when cold."""

    plus: str
    minus: str
    active: Mask
    hot_s: Array  # conductance at the rated voltage, S
    rated_v: Array

    def guess(self, open_v: Array, ohm: Array) -> Array:
        """As if cold: never more than it will be, and from there Newton's steps only go up."""
        return open_v / (1.0 + ohm * self.hot_s / COLD_SHARE)

    def tangent(self, volts: Array) -> tuple[Array, Array]:
        knee = (KNEE * self.rated_v) ** 2
        square = volts * volts + knee
        power = (FILAMENT_POWER - 1.0) / 2.0
        conductance = self.hot_s * (square / (self.rated_v**2 + knee)) ** power
        return conductance * volts, conductance * (1.0 + 2.0 * power * volts * volts / square)

    def limited(self, target: Array, volts: Array) -> Array:
        return target

    @property
    def kind(self) -> str:
        return "filament"

    def everywhere(self) -> None:
        return None


@dataclass(frozen=True, slots=True)
class Joint:
    """A plain piece of metal: JOINED_S."""

    plus: str
    minus: str
    active: Mask

    def guess(self, open_v: Array, ohm: Array) -> Array:
        return open_v / (1.0 + ohm * JOINED_S)

    def tangent(self, volts: Array) -> tuple[Array, Array]:
        return JOINED_S * volts, np.full_like(volts, JOINED_S)

    def limited(self, target: Array, volts: Array) -> Array:
        return target

    @property
    def kind(self) -> str:
        return "joint"

    def everywhere(self) -> None:
        return None


@dataclass(frozen=True, slots=True)
class Load:
    """A load of any kind, one kind per circuit: what comes after its series resistance.

    One element for all kinds keeps circuits of different kinds in one computation.
    """

    plus: str
    minus: str
    active: Mask
    led: Junction
    filament: Filament
    is_led: Mask
    is_filament: Mask

    def guess(self, open_v: Array, ohm: Array) -> Array:
        plain = open_v / (1.0 + ohm * JOINED_S)
        return self._chosen(self.led.guess(open_v, ohm), self.filament.guess(open_v, ohm), plain)

    def tangent(self, volts: Array) -> tuple[Array, Array]:
        led, led_slope = self.led.tangent(volts)
        hot, hot_slope = self.filament.tangent(volts)
        slope = self._chosen(led_slope, hot_slope, np.full_like(volts, JOINED_S))
        return self._chosen(led, hot, JOINED_S * volts), slope

    def limited(self, target: Array, volts: Array) -> Array:
        return np.where(self.is_led, self.led.limited(target, volts), target)

    @property
    def kind(self) -> str:
        return f"load, {self.led.kind}"

    def everywhere(self) -> Load | None:
        """One that is active in no circuit stays out."""
        return self if self.active.all() else None

    def kinds(self) -> list[tuple[Element, npt.NDArray[np.intp]]]:
        """Each kind as a branch of its own, with the circuits that have it; values must be over circuits."""
        plain = Joint(self.plus, self.minus, self.active)
        found: list[tuple[Element, npt.NDArray[np.intp]]] = []
        for one, mask in (
            (self.led, self.is_led),
            (self.filament, self.is_filament & ~self.is_led),
            (plain, ~(self.is_led | self.is_filament)),
        ):
            rows = np.flatnonzero(mask)
            found.append((taken(one, lambda values: values[rows]), rows))  # noqa: B023
        return found

    def _chosen(self, led: Array, filament: Array, plain: Array) -> Array:
        return np.where(self.is_led, led, np.where(self.is_filament, filament, plain))


def taken(element: E, take: Callable[[npt.NDArray[Any]], npt.NDArray[Any]]) -> E:
    """The same branch for some circuits, chosen by what `take` does to its values; all of them have it."""

    def one(name: str, value: Any) -> Any:
        if isinstance(value, np.ndarray) and name != "active":
            return take(value)
        return taken(value, take) if isinstance(value, (Junction, Filament)) else value

    return type(element)(**{f.name: one(f.name, getattr(element, f.name)) for f in fields(element)})


def joined(elements: Sequence[E]) -> E:
    """Branches of the same kind as one, their circuits one after another."""
    first = elements[0]
    if len(elements) == 1:
        return first

    def one(name: str, value: Any) -> Any:
        if isinstance(value, np.ndarray) and name != "active":
            return np.concatenate([getattr(e, name) for e in elements])
        if isinstance(value, (Junction, Filament)):
            return joined([getattr(e, name) for e in elements])
        return value

    return type(first)(**{f.name: one(f.name, getattr(first, f.name)) for f in fields(first)})
