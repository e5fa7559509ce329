"""Writing a netlist line by line, with names that cannot collide.

The one unusual element is the switch: ngspice's own switches jump, and jumps beside coils make it give
up. Here a switch is a conductance whose natural logarithm moves in straight lines between "open" and
"closed", which is smooth, linear in voltage, and solved without trouble.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

LN_OPEN = math.log(2e-11)  # siemens; far below the 1.1 Mohm of a lead

Points = Sequence[tuple[float, float]]  # (seconds, value)


class Netlist:
    """Collects element and model lines; every method returns nothing or the name of what it made."""

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._models: dict[str, str] = {}
        self._count = 0

    def text(self) -> str:
        return "\n".join([*self._lines, *self._models.values()])

    def fresh(self, stem: str) -> str:
        """A new name for a node or an element."""
        self._count += 1
        return f"{stem}{self._count}"

    def resistor(self, a: str, b: str, ohm: float) -> None:
        self._lines.append(f"{self.fresh('r')} {a} {b} {max(ohm, 1e-6):.9g}")

    def capacitor(self, a: str, b: str, farad: float) -> None:
        self._lines.append(f"{self.fresh('c')} {a} {b} {farad:.9g}")

    def inductor(self, a: str, b: str, henry: float) -> None:
        self._lines.append(f"{self.fresh('l')} {a} {b} {henry:.9g}")

    def diode(
        self,
        anode: str,
        cathode: str,
        saturation_a: float = 1e-9,
        emission: float = 1.8,
        series_ohm: float = 0.02,
        breakdown_v: float | None = None,
    ) -> None:
        """A junction; the default drops 0.8 V at a few amperes like a power rectifier."""
        level = "" if breakdown_v is None else f" bv={breakdown_v:.6g} ibv=1m"
        card = f"d(is={saturation_a:.6g} n={emission:.6g} rs={series_ohm:.6g}{level})"
        name = next((n for n, line in self._models.items() if line == f".model {n} {card}"), None)
        if name is None:
            name = f"dm{len(self._models)}"
            self._models[name] = f".model {name} {card}"
        self._lines.append(f"{self.fresh('d')} {anode} {cathode} {name}")

    def volts(self, plus: str, minus: str, volts: float) -> str:
        """A steady voltage source; returns its name."""
        name = self.fresh("v")
        self._lines.append(f"{name} {plus} {minus} {volts:.9g}")
        return name

    def shape(self, plus: str, minus: str, points: Points) -> str:
        """A voltage source in straight lines through (s, V); returns its name."""
        name = self.fresh("v")
        self._lines.append(f"{name} {plus} {minus} {_pwl(points)}")
        return name

    def pulses(
        self, plus: str, minus: str, period_s: float, width_s: float, delay_s: float, slope_s: float
    ) -> None:
        """0 to 1 V pulses for ever; `width_s` is measured at half height."""
        flat = max(width_s - slope_s, 1e-9)
        name = self.fresh("v")
        shape = f"0 1 {delay_s:.9g} {slope_s:.9g} {slope_s:.9g} {flat:.9g} {period_s:.9g}"
        self._lines.append(f"{name} {plus} {minus} pulse({shape})")

    def sine(self, plus: str, minus: str, amplitude_v: float, hertz: float, offset_v: float = 0.0) -> None:
        name = self.fresh("v")
        self._lines.append(f"{name} {plus} {minus} sin({offset_v:.9g} {amplitude_v:.9g} {hertz:.9g})")

    def voltage_of(self, plus: str, minus: str, expression: str) -> None:
        self._lines.append(f"{self.fresh('b')} {plus} {minus} v={expression}")

    def current_of(self, a: str, b: str, expression: str) -> None:
        """Current from a to b (through the element) by an expression of node voltages."""
        self._lines.append(f"{self.fresh('b')} {a} {b} i={expression}")

    def repeat_current(self, sensed: str, a: str, b: str, gain: float = 1.0) -> None:
        """Current from a to b equal to `gain` times the current through the voltage source `sensed`."""
        self._lines.append(f"{self.fresh('f')} {a} {b} {sensed} {gain:.9g}")

    def arc(self, a: str, b: str, volts: float, siemens_per_volt: float = 1e-3) -> None:
        """A gap that conducts in either direction once more than `volts` stand across it."""
        self.current_of(a, b, f"v({a},{b})*max(abs(v({a},{b}))-{volts:.6g},0)*{siemens_per_volt:.6g}")

    def pull(self, a: str, b: str, ampere: float) -> None:
        """A small current source from a to b that gives up as the voltage between them runs out."""
        self.current_of(a, b, f"{ampere:.6g}*tanh(v({a},{b})/0.3)")

    def conductance(self, a: str, b: str, ln_siemens: Points) -> None:
        """A switch: ln(conductance) in straight lines through the points."""
        control = self.fresh("k")
        self.shape(control, "0", ln_siemens)
        self.current_of(a, b, f"v({a},{b})*exp(v({control}))")

    def gated_conductance(self, a: str, b: str, gate: Points, pulse_node: str, closed_ohm: float) -> None:
        """A switch that follows pulses (0..1 V on `pulse_node`) while `gate` (0..1) is 1."""
        control = self.fresh("k")
        self.shape(control, "0", gate)
        span = -math.log(closed_ohm) - LN_OPEN
        self.current_of(a, b, f"v({a},{b})*exp({LN_OPEN:.6g}+{span:.6g}*v({control})*v({pulse_node}))")


def _pwl(points: Points) -> str:
    """PWL text with strictly rising times (ngspice needs them)."""
    out: list[str] = []
    last = -1.0
    for at, value in points:
        moment = max(at, 0.0, last + 1e-9)
        out.append(f"{moment:.12g} {value:.9g}")
        last = moment
    lines = [" ".join(out[i : i + 8]) for i in range(0, len(out), 8)]
    return "pwl(" + "\n+ ".join(lines) + ")"
