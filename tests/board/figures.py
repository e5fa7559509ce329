"""What the values of the parts make of a voltage at a lead, in closed form (checked against ngspice)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tests.board.parts import Design

UPPER = ("R02", "R03", "R04")
LIFT = ("R06", "R07")
DIVIDER = (*UPPER, "R05", *LIFT)
NEAR = ("R12", "R13", "R14")
SINK = ("R08", "R09", "R10")
BIAS = ("R16", "R17", "R18")


@dataclass(frozen=True)
class Line:
    """Volts at the converter's pin = `gain` * volts at the lead + `lift_v`."""

    gain: float
    lift_v: float

    def code_at(self, volts: float, supply_v: float, codes: float) -> float:
        return (self.gain * volts + self.lift_v) / supply_v * codes

    def span_v(self, supply_v: float) -> tuple[float, float]:
        """Volts at the lead that reach either end of the converter."""
        return -self.lift_v / self.gain, (supply_v - self.lift_v) / self.gain

    def volts_per_code(self, supply_v: float, codes: float) -> float:
        return supply_v / codes / self.gain


def ohms(plan: Design, lead: int = 1) -> dict[str, float]:
    """The resistors of a lead by their number without the lead's digit: "R02"."""
    return {f"R{p.ref[2:]}": p.ohm for p in plan.resistors() if p.lead == lead}


def line(
    ohm: Mapping[str, float], near: bool, supply_v: float, offset_v: float = 0.0, leak_a: float = 0.0
) -> Line:
    """`offset_v` of the amplifier, `leak_a` out of the clamps into the divider."""
    upper, lower, lift = (sum(ohm[r] for r in names) for names in (UPPER, ("R05",), LIFT))
    siemens = 1 / upper + 1 / lower + 1 / lift
    gain, at_zero = 1 / upper / siemens, (supply_v / lift + leak_a) / siemens
    if not near:
        return Line(gain, at_zero + offset_v)
    centre_ohm = ohm["R13"] * ohm["R14"] / (ohm["R13"] + ohm["R14"])
    centre_v = supply_v * ohm["R14"] / (ohm["R13"] + ohm["R14"])
    times = 1 + ohm["R12"] / centre_ohm
    return Line(gain * times, times * (at_zero + offset_v) - (times - 1) * centre_v)


def input_ohm(ohm: Mapping[str, float]) -> float:
    """From a lead to the logger's ground, bias off."""
    upper, lower, lift, sink = (sum(ohm[r] for r in names) for names in (UPPER, ("R05",), LIFT, SINK))
    divider = upper + lower * lift / (lower + lift)
    return divider * sink / (divider + sink)
