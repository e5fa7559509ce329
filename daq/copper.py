"""Resistance of copper wire, to say what a bad contact would be as a length of good wire.

American sizes by formula: diameter 0.127 mm · 92^((36 - n) / 39) (ASTM B258), resistivity 0.017241 ohm mm²/m
at 20 °C (the International Annealed Copper Standard). Metric sizes: IEC 60228, class 5 (fine-stranded).
Its table states the highest resistance a conductor may have, 13 to 16 % above solid copper of that section.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

IACS_OHM_MM2_PER_M = 0.017241
ZERO_RESISTANCE_C = -234.5  # copper's resistance is proportional to the distance from here
METRIC_OHM_PER_KM: Mapping[float, float] = MappingProxyType(
    {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30}
)
AWG_SIZES = (22, 20, 18, 16, 14, 12, 10)


def awg_ohm_per_km(size: int, celsius: float = 20.0) -> float:
    """Resistance of a solid copper wire of this American size."""
    diameter_mm: float = 0.127 * 92.0 ** ((36 - size) / 39)
    return 1000.0 * IACS_OHM_MM2_PER_M / (math.pi / 4 * diameter_mm**2) * warming(celsius)


def metric_ohm_per_km(section_mm2: float, celsius: float = 20.0) -> float:
    """Highest resistance of a class 5 conductor; KeyError for a section that is not in the table."""
    return METRIC_OHM_PER_KM[section_mm2] * warming(celsius)


def warming(celsius: float) -> float:
    """Resistance at this temperature over that at 20 °C."""
    return (celsius - ZERO_RESISTANCE_C) / (20.0 - ZERO_RESISTANCE_C)


def length_m(milliohm: float, ohm_per_km: float) -> float:
    """Length of wire that has this resistance."""
    return milliohm / ohm_per_km
