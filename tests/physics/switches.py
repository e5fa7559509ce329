"""What closes the circuit: contacts with bounce and arc, transistors with all their habits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tests.physics.loads import THERMAL_VOLT
from tests.physics.netlist import LN_OPEN, Netlist
from tests.physics.timeline import Spans, gate, ln_conductance


@dataclass(frozen=True)
class Pulse:
    """PWM of the switch: `closed` is the part of the period in which it conducts."""

    hertz: float
    closed: float
    slope_s: float = 1e-5
    delay_s: float = 0.0

    def conducting(self, load_ohm: float) -> float:
        """Part of the period in which the switch conducts better than the load: slopes shift it a little."""
        needed = (-math.log(load_ohm) - LN_OPEN) / (-math.log(0.02) - LN_OPEN)
        return self.closed - 2 * (needed - 0.5) * self.slope_s * self.hertz


@dataclass(frozen=True)
class Contact:
    """A mechanical or relay contact. `arc_v`: what the opening gap holds off."""

    closed_ohm: float = 0.01
    bounce_s: float = 0.0
    arc_v: float = 350.0
    leak_ohm: float | None = None
    travel_s: float = 1e-5
    kind: str = "contact"

    def attach(self, net: Netlist, plus: str, minus: str, spans: Spans, pulse: Pulse | None = None) -> None:
        _conduct(net, plus, minus, spans, pulse, self.closed_ohm, self.travel_s)
        net.arc(plus, minus, self.arc_v)
        if self.leak_ohm is not None:
            net.resistor(plus, minus, self.leak_ohm)


@dataclass(frozen=True)
class Transistor:
    """A driver stage.

    Attributes:
        closed_ohm: resistance when on.
        saturation_v: junction drop on top of that at `load_a` (0: a MOSFET).
        travel_s: the whole journey between off and on in ln(conductance); about a sixth of it shows.
        clamp_v: it holds off this much, then conducts (avalanche or active clamp).
        leak_ohm, test_a: leakage, open-load test current in parallel with the switch.
    """

    closed_ohm: float = 0.02
    saturation_v: float = 0.0
    load_a: float = 1.0
    travel_s: float = 5e-5
    clamp_v: float = 45.0
    leak_ohm: float | None = None
    test_a: float = 0.0
    body_diode: bool = True
    kind: str = "transistor"

    def attach(self, net: Netlist, plus: str, minus: str, spans: Spans, pulse: Pulse | None = None) -> None:
        at = plus
        if self.saturation_v > 0:
            at = net.fresh("sat")
            saturation = self.load_a * math.exp(-self.saturation_v / THERMAL_VOLT)
            net.diode(plus, at, saturation, 1.0, 0.001)
            net.resistor(plus, at, 1e8)
        _conduct(net, at, minus, spans, pulse, self.closed_ohm, self.travel_s)
        net.arc(plus, minus, self.clamp_v, 0.3)
        if self.body_diode:
            net.diode(minus, plus)
        if self.leak_ohm is not None:
            net.resistor(plus, minus, self.leak_ohm)
        if self.test_a:
            net.pull(plus, minus, self.test_a)


Switch = Contact | Transistor


def _conduct(
    net: Netlist, plus: str, minus: str, spans: Spans, pulse: Pulse | None, closed_ohm: float, travel_s: float
) -> None:
    if pulse is None:
        net.conductance(plus, minus, ln_conductance(spans, closed_ohm, travel_s))
        return
    beat = net.fresh("beat")
    net.pulses(beat, "0", 1 / pulse.hertz, pulse.closed / pulse.hertz, pulse.delay_s, pulse.slope_s)
    net.gated_conductance(plus, minus, gate(spans), beat, closed_ohm)
