"""Gain and offset of a lead from known voltages, and what is too odd to be kept. Pure.

A straight line volts = a + b * code through the points (code, volts) by weighted least squares; weights are
1 / u², u being a point's standard uncertainty: that of the meter, of quantising, and of the noise, which
shrinks with averaging, in volts. Uncertainties of a and b from the covariance matrix of the fit (JCGM
100:2008, H.3, with weights). What the fit cannot see, the converter's bend, is added from its data sheet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from daq.calibration import FULL_CODE, Line, nominal
from daq.errors import InputError

MOST_GAIN_OFF = 0.10
"""Three times the standard uncertainty of the gain, which is the supply's: 5 V from USB is 4.75 to 5.25 V."""

MOST_OFFSET_COUNTS = 8.0
"""Over six times the standard uncertainty of the zero (firmware/board/BUDGET.md), counts."""

CLOSEST_SHARE, WIDEST_SHARE = 0.05, 0.20
"""Points are at least so far apart, and the outermost two, in parts of the range's span: with 2.4 V and 9.6 V
in the full span, a step of the converter makes 0.3 % of gain at the most."""

MOST_NOISE_COUNTS = 3.0
MOST_DRIFT_COUNTS = 1.0
END_COUNTS = 2
COVERAGE = 3.0

METER_RELATIVE, METER_V = 0.002, 0.003
"""Limits of a hand meter's DC range: 0.2 % of the reading and its last digits (a common figure, from
memory)."""

BEND_COUNTS = 0.5
"""Integral non-linearity of the ATmega328P's converter, counts (data sheet, from memory)."""

_ROOT3 = math.sqrt(3)


@dataclass(frozen=True, slots=True)
class Point:
    """One lead on one known voltage.

    Attributes:
        volts: what the meter shows.
        code: mean of the codes, raw counts.
        noise: standard deviation of a raw code, counts.
        drift: mean of the second half less that of the first, counts.
        readings: how many raw codes were averaged.
    """

    volts: float
    code: float
    noise: float
    drift: float
    readings: int

    @classmethod
    def of(cls, volts: float, sums: npt.NDArray[np.integer], in_a_sum: int) -> Point:
        """From sums of `in_a_sum` codes each, (n,); the noise of a code is √in_a_sum times a mean's."""
        means = np.asarray(sums, dtype=np.float64) / in_a_sum
        half = len(means) // 2
        drift = float(means[half:].mean() - means[:half].mean())
        noise = float(means.std(ddof=1)) * math.sqrt(in_a_sum)
        return cls(volts, float(means.mean()), noise, drift, len(means) * in_a_sum)

    def error_v(self, volts_per_count: float) -> float:
        """Standard uncertainty. Quantising shrinks with averaging only where noise reaches over a step
        (half a count and more); on a quiet board it stays as it is."""
        quantising = 0.0 if self.noise > 0.5 else 1 / math.sqrt(12)
        counts = math.hypot(quantising, self.noise / math.sqrt(self.readings), BEND_COUNTS / _ROOT3)
        meter = (METER_RELATIVE * abs(self.volts) + METER_V) / _ROOT3 if self.volts else 0.0
        return math.hypot(counts * volts_per_count, meter)


@dataclass(frozen=True, slots=True)
class Fit:
    """A lead's line and how far each point is off it, V: what the meter says less what the line says."""

    line: Line
    residuals_v: tuple[float, ...]
    allowed_v: tuple[float, ...]


def check_point(lead: int, range_id: int, point: Point) -> None:
    """Raise InputError when `point` cannot be a lead that sits still on the voltage that was told."""
    usual = nominal(range_id)
    seen = usual.offset_v + usual.volts_per_count * point.code
    if not END_COUNTS <= point.code <= FULL_CODE - END_COUNTS:
        raise InputError(
            f"Lead {lead} is beyond what it can read: use a voltage within its range, or open its switch."
        )
    if point.noise > MOST_NOISE_COUNTS or abs(point.drift) > MOST_DRIFT_COUNTS:
        raise InputError(
            f"Lead {lead} does not keep still: use a battery with nothing switched on "
            "it, and fasten the clips."
        )
    room = MOST_GAIN_OFF * abs(point.volts) + MOST_OFFSET_COUNTS * usual.volts_per_count
    if not math.isfinite(point.volts) or abs(seen - point.volts) > room:
        raise InputError(
            f"Lead {lead} reads about {seen:.2f} V where {point.volts:g} V was told: "
            "see that its clip and the "
            "reference lead are where the meter is, and that the number is right."
        )


def check_spread(range_id: int, volts: Sequence[float], complete: bool = True) -> None:
    """Raise InputError when the known voltages lie too close together; the outermost two only count once they
    are `complete`."""
    span = nominal(range_id).volts_per_count * (FULL_CODE + 1)
    ordered = sorted(volts)
    closest = min(b - a for a, b in pairwise(ordered))
    narrow = complete and ordered[-1] - ordered[0] < WIDEST_SHARE * span
    if closest < CLOSEST_SHARE * span or narrow:
        raise InputError(
            "These voltages are too close together: in this range each must be "
            f"{CLOSEST_SHARE * span:.1f} V from "
            f"the others, and the highest {WIDEST_SHARE * span:.1f} V from the lowest."
        )


def fit(lead: int, range_id: int, points: Sequence[Point]) -> Fit:
    """The line through three or more points of one lead; InputError when they make no sense together."""
    for point in points:
        check_point(lead, range_id, point)
    check_spread(range_id, [point.volts for point in points])
    usual = nominal(range_id)
    codes = np.array([point.code for point in points])
    volts = np.array([point.volts for point in points])
    errors = np.array([point.error_v(usual.volts_per_count) for point in points])
    design = np.stack([np.ones_like(codes), codes], axis=1) / errors[:, None]
    covariance = np.linalg.inv(design.T @ design)
    offset, gain = (float(x) for x in covariance @ design.T @ (volts / errors))
    _check_gain(lead, gain / usual.volts_per_count)
    residuals = volts - offset - gain * codes
    _check_residuals(lead, residuals, errors)
    zero = np.array([1.0, -offset / gain])  # the line's uncertainty at 0 V, where offset and gain are apart
    zero_error = math.hypot(math.sqrt(zero @ covariance @ zero), BEND_COUNTS / _ROOT3 * gain)
    gain_error = math.sqrt(covariance[1, 1]) / gain
    return Fit(
        Line(gain, offset, zero_error, gain_error),
        tuple(map(float, residuals)),
        tuple(map(float, COVERAGE * errors)),
    )


def _check_gain(lead: int, share: float) -> None:
    if not abs(share - 1) <= MOST_GAIN_OFF:
        raise InputError(
            f"Lead {lead} would have {100 * (share - 1):+.0f} % of gain: more than "
            "parts can be off. See that every "
            "number is right, and check the board with its build guide."
        )


def _check_residuals(lead: int, residuals: npt.NDArray[np.float64], errors: npt.NDArray[np.float64]) -> None:
    worst = int(np.argmax(np.abs(residuals) / errors))
    if abs(residuals[worst]) > COVERAGE * errors[worst]:
        raise InputError(
            f"Lead {lead} is not on a line: point {worst + 1} is "
            f"{1000 * residuals[worst]:+.0f} mV off, more than "
            f"{1000 * COVERAGE * errors[worst]:.0f} mV. Measure it again; if it stays, "
            "the meter's number or the "
            "board is wrong."
        )
