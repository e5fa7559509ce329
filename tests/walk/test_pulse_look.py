"""Levels of pulsed circuits while on, of the bench's own circuits.

What must be read follows from each circuit's parts by Ohm's law, worked out beside it.
"""

from __future__ import annotations

import numpy as np
import pytest

from daq.bench import BenchSource
from daq.pulse_look import on_levels
from daq.samples import Block
from daq.source import Operate
from daq.stillness import Look, look
from daq.trace import TraceRing


def seen(name: str, rate_hz: float) -> Look:
    on = [(0.1, Operate("control", "on"))]
    ring = TraceRing()
    for item in BenchSource(name, rate_hz, speed=None, script=on, duration_s=1.5):
        if isinstance(item, Block):
            ring.push(item)
    found = look(ring)
    assert found is not None
    return found


@pytest.mark.parametrize("rate_hz", [1000.0, 4000.0])
@pytest.mark.parametrize(
    ("name", "on_v"),
    [
        ("fuel-valve", (12.54, 0.18)),  # 0.9 A at most through 13.5 ohm; feed 0.075, driver 0.2 ohm
        # 0.4 A when hot, half as much more at a third of the time: driver 0.1 ohm. The filter's tail, 0.5 V
        # in the first of three samples, is no level.
        ("gauge-lamps", (0.055, 12.56)),
        ("dosing-valve", (12.33, 0.02)),  # 1 A through 12 ohm; feed and driver 0.265, ground 0.02 ohm
    ],
)
def test_on_is_read_not_the_mean(name: str, on_v: tuple[float, float], rate_hz: float) -> None:
    found = seen(name, rate_hz)
    assert not found.still
    assert found.on_v == pytest.approx(on_v, abs=0.05)
    assert found.levels == found.on_v
    assert max(abs(m - v) for m, v in zip(found.mean, on_v, strict=True)) > 5


def test_what_keeps_no_beat_or_stands_nowhere_still_is_not_read_as_pulses() -> None:
    apart = np.full(500, 12.6)
    for at in (20, 60, 75, 230, 400, 410):
        apart[at : at + 8] = 0.0  # a contact that comes and goes
    level = np.stack([apart, np.zeros(500)], axis=1)
    assert on_levels(level, level) is None
    steady = np.tile([12.6, 0.0], (500, 1))
    assert on_levels(steady, steady) is None
    assert on_levels(steady - [12.6, 0.0], steady) is None  # each bin holds both phases
    beat = np.where(np.arange(500) % 10 < 4, 12.6, 0.0)
    both = np.stack([beat, np.zeros(500)], axis=1)
    assert on_levels(both, both) == pytest.approx((12.6, 0.0))


def test_a_cold_lamps_inrush_is_not_read_as_its_level() -> None:
    """A filament draws ten times its current at first (common practice, no source): what its driver holds
    comes down meanwhile."""
    on = np.arange(500) % 10 < 4
    warming = 0.4 + 1.6 * np.exp(-np.arange(500) / 150)
    cold = np.stack([np.full(500, 12.6), np.where(on, warming, 12.6)], axis=1)
    assert on_levels(cold, cold) is None
    warm = np.stack([np.full(500, 12.6), np.where(on, 0.4, 12.6)], axis=1)
    assert on_levels(warm, warm) == pytest.approx((12.6, 0.4))
