"""Between the pins and the numbers: leads, input resistance, filter, clamp, converter.

Each lead is a clip, 1.1 Mohm beside 200 pF to the logger's ground, a buffer, and a one-pole filter whose
capacitor cannot leave the converter's range by much. The logger's ground hangs on battery negative by the
reference lead, and has 100 pF to the world, so a lost reference behaves as it does on a bench.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.physics.netlist import Netlist
from tests.physics.timeline import Spans, ln_conductance

ALWAYS: Spans = ((-1.0, math.inf),)


@dataclass(frozen=True)
class Converter:
    """How the filtered voltages are sampled."""

    rate_hz: float = 4000.0
    bits: int = 10
    lowest_v: float = -8.0
    highest_v: float = 40.0
    noise_v: float = 0.02
    gain: tuple[float, float] = (1.0, 1.0)  # of an uncalibrated logger
    zero_v: tuple[float, float] = (0.0, 0.0)

    def sample(self, volts: npt.NDArray[np.float64], rng: np.random.Generator) -> npt.NDArray[np.float64]:
        """Gain and zero errors, noise, quantising and clipping; (n, 2) volts to (n, 2) volts."""
        step = (self.highest_v - self.lowest_v) / (2**self.bits - 1)
        noisy = (
            volts * np.array(self.gain) + np.array(self.zero_v) + rng.normal(0.0, self.noise_v, volts.shape)
        )
        counts = np.clip(np.rint((noisy - self.lowest_v) / step), 0, 2**self.bits - 1)
        return np.asarray(self.lowest_v + counts * step, dtype=np.float64)


@dataclass(frozen=True)
class Clips:
    """When each lead and the reference are on, and what a free lead picks up."""

    lead1: Spans = ALWAYS
    lead2: Spans = ALWAYS
    reference: Spans = ALWAYS
    reference_ohm: float = 0.05
    hum_v: float = 0.0
    hum_hz: float = 50.0
    hum_f: float = 5e-12


@dataclass(frozen=True)
class FrontEnd:
    """The analogue part, attached to two nodes; probes are `shown1`, `shown2`."""

    input_ohm: float = 1.1e6
    input_f: float = 200e-12
    filter_hz: float = 1000.0
    clamp_v: tuple[float, float] = (-8.4, 40.4)

    def attach(self, net: Netlist, pin1: str, pin2: str, clips: Clips, reference_at: str = "0") -> None:
        """Adds everything; the logger's ground is node `lg`."""
        if clips.reference == ALWAYS:
            net.resistor("lg", reference_at, clips.reference_ohm)
        else:
            net.conductance("lg", reference_at, ln_conductance(clips.reference, clips.reference_ohm))
        net.capacitor("lg", "0", 100e-12)
        for number, (pin, spans) in enumerate(((pin1, clips.lead1), (pin2, clips.lead2)), 1):
            self._lead(net, pin, f"tip{number}", spans)
            if clips.hum_v:
                source = net.fresh("hum")
                net.sine(source, "0", clips.hum_v, clips.hum_hz)
                net.capacitor(source, f"tip{number}", clips.hum_f)
            self._channel(net, f"tip{number}", f"shown{number}")

    def _lead(self, net: Netlist, pin: str, tip: str, spans: Spans) -> None:
        if spans == ALWAYS:
            net.resistor(pin, tip, 0.1)
        else:
            net.conductance(pin, tip, ln_conductance(spans, 0.1))
        net.resistor(tip, "lg", self.input_ohm)
        net.capacitor(tip, "lg", self.input_f)

    def _channel(self, net: Netlist, tip: str, shown: str) -> None:
        buffer = net.fresh("buf")
        ohm = 10e3
        net.voltage_of(buffer, "0", f"v({tip},lg)")
        net.resistor(buffer, shown, ohm)
        net.capacitor(shown, "0", 1 / (2 * math.pi * self.filter_hz * ohm))
        low, high = self.clamp_v
        net.current_of(shown, "0", f"max(v({shown})-{high:.6g},0)*0.1-max({low:.6g}-v({shown}),0)*0.1")
