"""From parts, converter and calibration to the "± volts" on the screen.

By JCGM 100 (GUM): limits ±a without more knowledge count as a/√3. Everything is referred to the lead. There
are two ranges, the full span and the near-zero range of the switch. Compared are: not calibrated; calibrated;
calibrated with Gaussian dither of half a step (which the board does not have: this table is the reason).

Entries are grouped as the calibration record wants them: those of the zero, in volts, and those of the gain,
as a share of the reading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.board.figures import DIVIDER, NEAR, Line, line, ohms
from tests.board.parts import Design

NOMINAL_FULL = (48.0 / 1024, -8.0)  # V per count, V at count 0: firmware/README.md, calibration record
NOMINAL_NEAR = (6.0 / 1024, -1.0)
ROOT3 = math.sqrt(3.0)


@dataclass(frozen=True)
class Use:
    """How a reading is taken.

    Attributes:
        near: near-zero range.
        calibrated: zero and gain from the record, else nominal.
        readings: how many pairs are averaged.
        noise_lsb: rms noise of a single conversion, in steps.
    """

    near: bool
    calibrated: bool
    readings: int
    noise_lsb: float


@dataclass(frozen=True)
class Entry:
    """One cause: standard uncertainty in V at 0 V, and as a share of the reading."""

    cause: str
    zero_v: float = 0.0
    share: float = 0.0


def step_v(plan: Design, near: bool) -> float:
    return _line(plan, near).volts_per_code(plan.supply["volts"], plan.converter["codes"])


def _line(plan: Design, near: bool, **changed: float) -> Line:
    extras = {k: changed.pop(k) for k in ("offset_v", "leak_a") if k in changed}
    return line({**ohms(plan), **changed}, near, plan.supply["volts"], **extras)


def entries(plan: Design, use: Use, level_v: float) -> list[Entry]:
    """All causes for a reading of about `level_v`; root of the sum of squares is the standard uncertainty."""
    step = step_v(plan, use.near)
    common = [
        Entry("quantising and noise of the reading", _averaged_lsb(use.noise_lsb, use.readings) * step),
    ]
    if use.calibrated:
        return common + _calibrated(plan, use, level_v, step)
    return common + _uncalibrated(plan, use, step)


def total(found: list[Entry], level_v: float) -> float:
    """Standard uncertainty at `level_v`, V."""
    return math.sqrt(sum(e.zero_v**2 + (e.share * level_v) ** 2 for e in found))


def _averaged_lsb(noise_lsb: float, readings: int) -> float:
    """Standard error of a mean of quantised readings, in steps.

    What quantising leaves of a steady voltage: the first harmonic of the sawtooth has the amplitude
    e^(-2π²σ²)/π after Gaussian dither (Widrow & Kollár, from memory), but never more than without, 1/√12 rms.
    """
    left = min(math.exp(-2 * (math.pi * noise_lsb) ** 2) / math.pi / math.sqrt(2), 1 / math.sqrt(12))
    left = 1 / math.sqrt(12) if noise_lsb < 0.15 else left
    return math.hypot(
        left, math.sqrt(noise_lsb**2 + 1 / 12) / math.sqrt(readings) if noise_lsb >= 0.15 else 0.0
    )


def _uncalibrated(plan: Design, use: Use, step: float) -> list[Entry]:
    made = _line(plan, use.near)
    per_count, at_zero = NOMINAL_NEAR if use.near else NOMINAL_FULL
    codes, supply = plan.converter["codes"], plan.supply["volts"]
    shown_at_zero = made.code_at(0.0, supply, codes) * per_count + at_zero
    shown_share = made.gain / supply * codes * per_count - 1
    zero, share = _resistors(plan, use.near, {r: _kind(plan, r)["tolerance"] for r in (*DIVIDER, *NEAR)})
    offset = _op_amp(plan)["offset_v"]
    return [
        Entry(
            "standard values beside the nominal figures", abs(shown_at_zero) / ROOT3, abs(shown_share) / ROOT3
        ),
        Entry("tolerance of resistors", zero, share),
        Entry("offset of the amplifier", _moved(plan, use.near, offset_v=offset) / ROOT3),
        Entry("converter, absolute accuracy", plan.converter["absolute_lsb"] * step / ROOT3),
        Entry("supply", 0.0, plan.supply["spread"] / ROOT3),
        Entry("leakage of the clamps", _moved(plan, use.near, leak_a=_leakage(plan)) / ROOT3),
    ]


def _calibrated(plan: Design, use: Use, level_v: float, step: float) -> list[Entry]:
    told, converter, supply = plan.calibration, plan.converter, plan.supply
    at_points = int(told["seconds"] * 4000)
    zeroing = _averaged_lsb(use.noise_lsb, at_points) * step
    high_v = min(told["high_v"], 4.5) if use.near else told["high_v"]
    meter = math.hypot(told["meter_relative"] * high_v, told["meter_v"]) / ROOT3 / high_v
    drift = {r: _kind(plan, r)["ppm_per_k"] * 1e-6 * told["kelvin"] for r in (*DIVIDER, *NEAR)}
    zero, share = _resistors(plan, use.near, drift)
    bandgap = supply["bandgap_per_k"] * told["kelvin"] / ROOT3
    counts = 1.1 / supply["volts"] * converter["codes"]
    return [
        Entry("quantising and noise at calibration", zeroing, zeroing / high_v),
        Entry(
            "steps of the converter between 0 V and the reading", linearity_lsb(plan, level_v / step) * step
        ),
        Entry("linearity at the high point", 0.0, converter["linearity_lsb"] * step / ROOT3 / high_v),
        Entry("meter at the high point", 0.0, meter),
        Entry("resistors with temperature", zero, share),
        Entry("amplifier with temperature", _moved(plan, use.near, offset_v=_amplifier_drift(plan)) / ROOT3),
        Entry(
            "leakage of the clamps with temperature", _moved(plan, use.near, leak_a=_leakage(plan)) / ROOT3
        ),
        Entry(
            "supply against the chip's reference",
            0.0,
            math.hypot(bandgap, supply["bandgap_lsb"] / 2 / counts / ROOT3),
        ),
        Entry("supply moving during the run", 0.0, supply["drift"] / ROOT3),
    ]


def linearity_lsb(plan: Design, codes_away: float) -> float:
    """How far the converter's curve wanders between two codes, in steps.

    Step errors (±DNL, rectangular) of neighbouring codes add up as in a walk, which cannot leave twice the
    band of the integral non-linearity.
    """
    walked = plan.converter["step_lsb"] / ROOT3 * math.sqrt(max(abs(codes_away), 1.0))
    return min(walked, plan.converter["linearity_lsb"] * math.sqrt(2) / ROOT3)


def _resistors(plan: Design, near: bool, limits: dict[str, float]) -> tuple[float, float]:
    """(zero V, share of the gain) from rectangular limits of each resistor, each by itself."""
    made, ohm = _line(plan, near), ohms(plan)
    zero, share = 0.0, 0.0
    for ref, limit in limits.items():
        moved = _line(plan, near, **{ref: ohm[ref] * (1 + limit)})
        zero += ((moved.lift_v - made.lift_v) / made.gain) ** 2 / 3
        share += (moved.gain / made.gain - 1) ** 2 / 3
    return math.sqrt(zero), math.sqrt(share)


def _moved(plan: Design, near: bool, **by: float) -> float:
    """How far the zero moves, V at the lead."""
    made = _line(plan, near)
    return abs(_line(plan, near, **by).lift_v - made.lift_v) / made.gain


def _kind(plan: Design, number: str) -> dict[str, float]:
    return dict(plan.parts[f"R1{number[1:]}"].kind.ratings)


def _op_amp(plan: Design) -> dict[str, float]:
    return dict(plan.of_kind("op_amp")[0].kind.ratings)


def _amplifier_drift(plan: Design) -> float:
    return _op_amp(plan)["offset_v_per_k"] * plan.calibration["kelvin"]


def _leakage(plan: Design) -> float:
    """One clamp's leakage at 25 degrees: what it grows by in ten kelvins too, since it doubles."""
    return plan.of_kind("quiet_diode")[0].kind["leakage_a"]


def converter_curve(plan: Design, rng: np.random.Generator) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Transition levels of one converter, in steps, drawn within its differential and integral limits.

    A walk of step errors, its ends tied (offset and gain are counted apart), pulled into the integral band.
    """
    codes = int(plan.converter["codes"])
    wander = np.cumsum(rng.uniform(-1, 1, codes) * plan.converter["step_lsb"])
    wander -= np.linspace(wander[0], wander[-1], codes)
    band = plan.converter["linearity_lsb"]
    wander = (
        band * np.arcsin(np.sin(wander / band * np.pi / 2)) * 2 / np.pi
    )  # folded back at the band's edges
    curve: np.ndarray[tuple[int], np.dtype[np.float64]] = np.arange(codes) - 0.5 + wander
    return curve
