"""Random but believable parts: what a vehicle electrician meets in 6, 12 and 24 V systems."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from tests.physics.frontend import Clips, Converter
from tests.physics.harness import Neighbour, Wire
from tests.physics.loads import Beating, Coil, Lamp, Leds, Load, Module, Motor, Resistor, Together
from tests.physics.supply import Supply
from tests.physics.switches import Contact, Switch, Transistor
from tests.physics.timeline import Spans, operations

T = TypeVar("T")

LOAD_KINDS = ("lamp", "lamp", "heater", "LED", "coil", "coil", "motor", "module", "two", "beating")
RATED_V = {6.0: 6.75, 12.0: 13.5, 24.0: 28.0}  # volts lamps are rated at (common practice)


@dataclass
class Draw:
    """A seeded hand that draws parts. `nominal` is fixed once, so that parts fit together."""

    rng: np.random.Generator
    nominal: float = 12.0

    @classmethod
    def new(cls, rng: np.random.Generator) -> Draw:
        return cls(rng, float(rng.choice([6.0, 12.0, 24.0], p=[0.07, 0.76, 0.17])))

    @property
    def scale(self) -> float:
        return self.nominal / 12.0

    def uniform(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def spread(self, low: float, high: float) -> float:
        """Log-uniform."""
        return float(math.exp(self.rng.uniform(math.log(low), math.log(high))))

    def chance(self, p: float) -> bool:
        return bool(self.rng.random() < p)

    def pick(self, options: Sequence[T]) -> T:
        return options[int(self.rng.integers(len(options)))]

    # -- source -----------------------------------------------------------------------------------

    def supply(self) -> Supply:
        charging = self.chance(0.35)
        rest = self.uniform(13.6, 14.8) if charging else self.uniform(11.7, 12.9)
        if self.chance(0.05):
            rest = self.uniform(9.0, 16.0)  # flat, overcharged, or a supply on the workbench
        elif self.nominal == 12.0 and self.chance(0.02):
            rest = self.uniform(24.0, 28.0)  # started from a 24 V vehicle
        ripple = self.spread(0.01, 0.15) if charging and self.chance(0.6) else 0.0
        return Supply(
            self.nominal,
            rest * self.scale,
            inner_ohm=self.spread(0.004, 0.04),
            ripple_v=ripple * self.scale,
            ripple_hz=self.spread(80.0, 900.0),
        )

    # -- loads ------------------------------------------------------------------------------------

    def load(self, kinds: Sequence[str] = LOAD_KINDS, switched_fast: bool = False) -> Load:
        """A load; `switched_fast`: one that a pulse-width driver would be given (coils get a clamp)."""
        kind = self.pick(kinds)
        if kind == "lamp":
            return self.lamp()
        if kind == "heater":
            return Resistor(self.spread(0.7, 150.0) * self.scale)
        if kind == "LED":
            return self.leds()
        if kind == "coil":
            return self.coil(("diode", "diode", "zener", "resistor") if switched_fast else None)
        if kind == "motor":
            return self.motor()
        other: dict[str, Callable[[], Load]] = {
            "module": self.module,
            "two": self.two,
            "beating": self.beating,
        }
        return other[kind]()

    def two(self) -> Together:
        """Two on the same wires: lamps, a coil with its tell-tale, a motor with a lamp."""
        first = self.load(("lamp", "coil", "motor", "LED"))
        second = self.lamp() if isinstance(first, Lamp) or self.chance(0.5) else self.leds()
        return Together((first, second))

    def beating(self) -> Beating:
        """Horn (some hundred hertz), buzzer, beacon (one or two hertz)."""
        inner = Resistor(self.spread(1.0, 60.0) * self.scale)
        hertz = self.spread(200.0, 500.0) if self.chance(0.5) else self.uniform(0.8, 4.0)
        return Beating(inner, hertz, self.uniform(0.3, 0.7))

    def lamp(self) -> Lamp:
        watts = self.pick([1.2, 2.0, 3.0, 4.0, 5.0, 5.0, 10.0, 21.0, 21.0, 35.0, 55.0, 60.0])
        if self.nominal < 10:
            watts = min(watts, 35.0)
        heat = self.uniform(0.015, 0.04) if watts <= 5 else self.uniform(0.03, 0.12)
        return Lamp(RATED_V[self.nominal], watts, self.uniform(2.4, 2.85), heat)

    def leds(self) -> Leds:
        forward = self.pick([1.8, 2.0, 2.1, 3.0, 3.1])
        most = max(1, int(0.75 * self.nominal * 0.92 / forward))
        junctions = min(most, self.pick([1, 2, 2, 3, 3, 4]))
        amps = self.pick([0.005, 0.01, 0.02, 0.02, 0.15])
        series = max((self.nominal * 1.05 - junctions * forward) / amps, 2.0)
        farad = self.spread(1e-7, 1e-4) if self.chance(0.3) else 0.0
        return Leds(junctions, forward, amps, series, self.pick([1, 1, 2, 4, 8]), farad)

    def coil(self, clamps: Sequence[str] | None = None) -> Coil:
        clamp = self.pick(clamps or ("none", "diode", "diode", "resistor", "zener"))
        shape = self.pick(["relay", "relay", "solenoid", "injector", "valve"])
        ohm, henry = {
            "relay": (self.uniform(70, 110), self.spread(0.1, 0.6)),
            "solenoid": (self.uniform(3, 15), self.spread(0.004, 0.05)),
            "injector": (self.uniform(12, 17), self.spread(0.006, 0.02)),
            "valve": (self.uniform(20, 45), self.spread(0.02, 0.2)),
        }[shape]
        square = self.scale**2
        clamp_ohm = ohm * square * self.uniform(5, 12)
        return Coil(
            ohm * square,
            henry * square,
            clamp,
            clamp_ohm,
            self.pick([18.0, 24.0, 36.0]) * max(self.scale, 1),
            self.spread(2e-10, 3e-9),
            kind=f"coil ({shape}, {clamp})",
        )

    def motor(self) -> Motor:
        stall = self.spread(1.5, 40.0)
        volts = self.nominal * 1.05
        ohm = volts / stall
        share = self.uniform(0.08, 0.35)
        ripple = self.uniform(0.01, 0.06) if self.chance(0.25) else 0.0
        return Motor(
            ohm,
            ohm * self.spread(2e-4, 2e-3),
            volts * (1 - share),
            stall * share,
            self.spread(0.03, 0.4),
            self.uniform(0.2, 0.8),
            self.spread(60.0, 500.0),
            ripple,
        )

    def module(self) -> Module:
        return Module(
            self.spread(0.3, 20.0) * self.scale, self.spread(1e-5, 1e-3), self.uniform(0.2, 1.5) * self.scale
        )

    # -- wires ------------------------------------------------------------------------------------

    def wire(self, load: Load, low: float = 0.0005, high: float = 0.02) -> Wire:
        """A healthy wire: it drops `low` to `high` of the source at the load's current."""
        amps_ohm = min(load.ohm, 200.0)
        return Wire(max(0.002, amps_ohm * self.spread(low, high)))

    def poor_wire(self, load: Load) -> Wire:
        """Corroded: it takes 4 to 60 % of the source."""
        share = self.spread(0.04, 0.5)
        return Wire(load.ohm * share / (1 - share))

    # -- switches ---------------------------------------------------------------------------------

    def contact(self) -> Contact:
        return Contact(
            closed_ohm=self.spread(0.002, 0.05),
            bounce_s=self.spread(3e-4, 6.2e-3) if self.chance(0.8) else 0.0,
            arc_v=self.uniform(150, 400),
            leak_ohm=self.spread(3e4, 2e6) if self.chance(0.05) else None,
        )

    def transistor(self, load: Load, slow: bool = False, saturating: bool | None = None) -> Transistor:
        junction = self.chance(0.4) if saturating is None else saturating
        amps = self.nominal / load.ohm
        test = self.spread(1e-5, 1e-4) if self.chance(0.3) else 0.0
        travel = self.spread(2e-3, 4e-2) if slow else self.spread(2e-5, 1e-3)
        return Transistor(
            closed_ohm=min(load.ohm * self.spread(0.0005, 0.01), 0.5),
            saturation_v=self.uniform(0.1, 1.2) if junction else 0.0,
            load_a=amps,
            travel_s=travel,
            clamp_v=self.uniform(38, 60) * max(self.scale, 1.0) ** 0.4,
            leak_ohm=self.spread(5e4, 5e6) if self.chance(0.3) else None,
            test_a=test,
            body_diode=not junction or self.chance(0.7),
        )

    def switch(self, load: Load) -> Switch:
        return self.contact() if self.chance(0.5) else self.transistor(load, slow=self.chance(0.1))

    # -- leads and time ---------------------------------------------------------------------------

    def leads(self) -> tuple[str, str]:
        return ("pinf", "ping") if self.chance(0.5) else ("ping", "pinf")

    def clips(self) -> Clips:
        hum = self.spread(1.0, 60.0) if self.chance(0.3) else 0.0
        reference = self.spread(0.02, 0.5) if self.chance(0.9) else self.spread(1.0, 3e3)
        return Clips(reference_ohm=reference, hum_v=hum, hum_hz=self.pick([50.0, 60.0]))

    def converter(self, fast_only: bool = False) -> Converter:
        rates = [4000.0] * 14 + [8000.0, 8000.0, 2000.0, 1000.0]
        if not fast_only:
            rates += [500.0, 250.0]
        noise = 0.02 if self.chance(0.6) else self.spread(0.005, 0.06)
        gain, zero_v = (1.0, 1.0), (0.0, 0.0)
        if self.chance(0.2):  # before calibration
            gain = (1 + self.uniform(-0.012, 0.012), 1 + self.uniform(-0.012, 0.012))
            zero_v = (self.uniform(-0.04, 0.04), self.uniform(-0.04, 0.04))
        bits = 12 if self.chance(0.2) else 10
        return Converter(self.pick(rates), bits, noise_v=noise, gain=gain, zero_v=zero_v)

    def leaks(self) -> tuple[tuple[str, str, float], ...]:
        """A wet connector or a control unit's input: kilohms from a pin to source or ground."""
        if not self.chance(0.12):
            return ()
        return ((self.pick(["pinf", "ping"]), self.pick(["0", "post"]), self.spread(2e3, 2e5)),)

    def length(self, low: float = 1.8, high: float = 6.0) -> float:
        return round(self.uniform(low, high), 3)

    def cycling(self, length_s: float, starts_on: bool = False) -> Spans:
        """Someone at the control: at least two changes of state."""
        slow = self.uniform(0.15, 0.6)
        for _ in range(50):
            spans = operations(self.rng, length_s, (slow, 2.5 * slow), (slow, 2.5 * slow), starts_on)
            changes = sum((a > 0) + math.isfinite(b) for a, b in spans)
            if changes >= 2:
                return spans
            slow *= 0.8
        raise AssertionError("a recording this short has no room for two changes")

    def neighbours(self, count: int, length_s: float) -> tuple[Neighbour, ...]:
        out = []
        for _ in range(count):
            load = self.load(("lamp", "heater", "motor", "coil"))
            spans = operations(self.rng, length_s, (0.1, 1.5), (0.1, 1.5), self.chance(0.3), 0.05)
            out.append(Neighbour(load, spans, self.chance(0.7), self.chance(0.7), self.chance(0.2)))
        return tuple(out)
