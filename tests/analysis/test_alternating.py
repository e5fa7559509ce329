"""AC is refused whatever its shape; a DC coil that swings as long below zero as above is not AC.

No DC circuit takes a lead below battery negative for long (a switch, a diode and a load cannot), so from what
does, no side may be told, however few samples a cycle has.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from tests.analysis.volts import analyse
from tests.analysis.waves import Volts, levels, rounded

RATE = 4000.0
Floats = npt.NDArray[np.float64]


def noisy(clean: Volts) -> Volts:
    return rounded(clean + np.random.default_rng(5).normal(0, 0.02, clean.shape))


def test_a_chopped_coil_that_swings_below_zero_as_long_as_above_is_not_ac() -> None:
    """Held at 330 Hz by a driver on the positive side, a zener that lets its current fall for as long as it
    rose: volts times seconds are alike both ways, and yet it plunges at once and comes back through zero."""
    t = np.arange(round(0.4 * RATE)) / RATE
    phase = t * 328.4 % 1
    lead = np.select([phase < 0.36, phase < 0.62], [12.2, -8.0], 0.0)
    softer = np.convolve(lead, [0.25, 0.5, 0.25], "same")  # the front end's filter
    train = np.stack([softer, np.zeros(len(t))], axis=1)
    rest = levels([(0.3, 0.0, 0.0)])
    found = analyse(np.concatenate([rest, noisy(train), rest, noisy(train), rest]), RATE)
    assert "ac" not in found["cautions"]


def passing_teeth(t: Floats, hertz: float, width: float) -> Floats:
    """An inductive sensor: flux is a bell about each tooth, its slope the volts: up, a plunge, and back."""
    from_tooth = (t * hertz % 1 - 0.5) / width
    return np.asarray(-20.0 * np.exp(0.5) * from_tooth * np.exp(-(from_tooth**2) / 2))


def saw(t: Floats, hertz: float) -> Floats:
    return np.asarray(17.0 * (2 * (t * hertz % 1) - 1))


def skewed_sine(t: Floats, hertz: float, falling: float) -> Floats:
    """A sine that falls within a part of its period only."""
    phase = t * hertz % 1
    half = np.where(phase < falling, phase / falling, 1 + (phase - falling) / (1 - falling))
    return np.asarray(17.0 * np.cos(np.pi * half))


def shaped(name: str, t: Floats) -> Floats:
    """One lead on AC; an alternator of six pole pairs at 630 rpm and above."""
    sine = np.sin(2 * np.pi * 50.0 * t)
    phase = t * 100.0 % 1
    shapes = {
        "12 V": 17.0 * sine,
        "230 V": 325.0 * sine,
        "with an offset": 5.0 + 17.0 * sine,
        "of an alternator": 14.0 * np.sin(2 * np.pi * 0.063 / t[1] * t),
        "through a dimmer": 17.0 * sine * (phase > 0.3),
        "half rectified, with leakage": np.where(sine > 0, 17.0, 12.0) * sine,
        "inductive sensor": passing_teeth(t, 60.0, 0.13),
        "inductive sensor, faster": passing_teeth(t, 100.0, 0.1),
        "saw": saw(t, 50.0),
        "saw, faster": saw(t, 100.0),
        "skewed sine": skewed_sine(t, 50.0, 0.1),
        "skewed sine, less": skewed_sine(t, 50.0, 0.2),
    }
    return np.asarray(shapes[name])


@pytest.mark.parametrize(
    "name",
    [
        "12 V",
        "230 V",
        "with an offset",
        "of an alternator",
        "through a dimmer",
        "half rectified, with leakage",
        "inductive sensor",
        "inductive sensor, faster",
        "saw",
        "saw, faster",
        "skewed sine",
        "skewed sine, less",
    ],
)
@pytest.mark.parametrize("rate_hz", [1000.0, 4000.0, 8000.0])
def test_ac_of_any_shape_is_refused(name: str, rate_hz: float) -> None:
    t = np.arange(round(0.6 * rate_hz)) / rate_hz
    lead = np.clip(shaped(name, t), -8, 40)
    found = analyse(noisy(np.stack([lead, 0 * t], axis=1)), rate_hz)
    assert "ac" in found["cautions"]
    assert found["side"] == "undetermined"


@pytest.mark.parametrize("hertz", [400.0, 500.0, 600.0])
def test_an_inductive_sensor_with_few_samples_a_tooth_is_refused(hertz: float) -> None:
    t = np.arange(round(0.6 * RATE)) / RATE
    lead = np.clip(passing_teeth(t, hertz, 0.13), -8, 40)
    assert "ac" in analyse(noisy(np.stack([lead, 0 * t], axis=1)), RATE)["cautions"]


def half_rectified(t: Floats, hertz: float) -> Floats:
    return np.asarray(np.maximum(15.4 * np.sin(2 * np.pi * hertz * t), 0))


def square(t: Floats, hertz: float) -> Floats:
    return np.asarray(np.where(t * hertz % 1 < 0.5, 8.0, -8.0))


@pytest.mark.parametrize("rate_hz", [1000.0, 4000.0])
@pytest.mark.parametrize(
    ("of_rate", "shape"),
    [(0.15, "sensor"), (0.2, "sensor"), (0.25, "saw"), (0.32, "sine"), (0.206, "sine"), (0.1, "square")],
)
def test_no_side_is_told_from_ac_with_few_samples_a_cycle(rate_hz: float, of_rate: float, shape: str) -> None:
    hertz = of_rate * rate_hz + 0.3
    t = np.arange(round(1.5 * rate_hz)) / rate_hz
    shapes = {
        "sensor": passing_teeth(t, hertz, 0.13),
        "saw": -saw(t, hertz),
        "sine": 16.8 * np.sin(2 * np.pi * hertz * t),
        "square": square(t, hertz),
    }
    lead = np.clip(shapes[shape], -8, 40)
    assert analyse(noisy(np.stack([lead, 0 * t], axis=1)), rate_hz)["side"] == "undetermined"


@pytest.mark.parametrize("hertz", [2.1, 6.4])
@pytest.mark.parametrize("shape", [saw, square])
def test_no_side_is_told_from_slow_ac(hertz: float, shape: Callable[[Floats, float], Floats]) -> None:
    t = np.arange(round(1.5 * RATE)) / RATE
    found = analyse(noisy(np.stack([shape(t, hertz) / 2, 0 * t], axis=1)), RATE)
    assert found["side"] == "undetermined"
    assert "below the reference" in found["why"]


@pytest.mark.parametrize("hertz", [24.9, 278.8])
def test_half_waves_on_one_lead_and_mirrored_on_the_other_are_no_switching_of_both_ends(hertz: float) -> None:
    t = np.arange(round(1.5 * RATE)) / RATE
    lead = half_rectified(t, hertz)
    assert analyse(noisy(np.stack([lead, -lead], axis=1)), RATE)["side"] == "undetermined"


@pytest.mark.parametrize(("hertz", "rate_hz"), [(181.3, 1000.0), (40.0, 1000.0), (300.0, 4000.0)])
def test_a_lifted_sine_stands_still_nowhere_and_is_no_pulsed_load(hertz: float, rate_hz: float) -> None:
    t = np.arange(round(1.5 * rate_hz)) / rate_hz
    lead = 5.0 + 5.5 * np.sin(2 * np.pi * hertz * t)
    assert analyse(noisy(np.stack([lead, 0 * t], axis=1)), rate_hz)["side"] == "undetermined"


def test_pulses_about_a_lost_reference_are_no_switching_of_both_ends() -> None:
    """Pulsed on the positive side with the reference lead off: plus and minus half the load voltage."""
    t = np.arange(round(1.5 * RATE)) / RATE
    half = np.where(t * 100.3 % 1 < 0.6, 6.2, 0.0)
    found = analyse(noisy(np.stack([half, -half], axis=1)), RATE)
    assert found["side"] == "undetermined"
    assert "reference" in found["why"]
