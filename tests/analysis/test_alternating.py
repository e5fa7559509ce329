"""AC is refused whatever its shape; a DC coil that swings as long below zero as above is not AC."""

from __future__ import annotations

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
