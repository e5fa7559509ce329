"""Small synthetic two-lead recordings for tests of the stages: switched, pulsed, with gaps and spikes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Volts = npt.NDArray[np.float64]


def levels(
    spans: list[tuple[float, float, float]], rate_hz: float = 4000.0, noise_v: float = 0.02, seed: int = 1
) -> Volts:
    """(seconds, lead 1, lead 2) one after the other, with white noise and 10-bit rounding over 48 V."""
    rng = np.random.default_rng(seed)
    rows = [np.tile([a, b], (round(s * rate_hz), 1)) for s, a, b in spans]
    clean = np.concatenate(rows)
    return rounded(clean + rng.normal(0, noise_v, clean.shape))


def rounded(volts: Volts) -> Volts:
    """As a 10-bit converter over -8..+40 V reads it."""
    step = 48 / 1024
    return np.clip(np.round((volts + 8) / step), 0, 1023) * step - 8


LOW = [(0.4, 12.6, 12.6), (0.5, 12.5, 0.1), (0.4, 12.6, 12.6), (0.5, 12.5, 0.1), (0.4, 12.6, 12.6)]
HIGH = [(0.4, 0.0, 0.0), (0.5, 12.5, 0.1), (0.4, 0.0, 0.0), (0.5, 12.5, 0.1), (0.4, 0.0, 0.0)]


def pulsed(frequency_hz: float, duty: float, seconds: float, rate_hz: float = 4000.0) -> Volts:
    """A resistive load pulsed on the ground side: lead 2 low for `duty` of each period."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    on = (t * frequency_hz + 0.017) % 1 < duty  # the offset keeps edges off the sampling instants
    clean = np.stack([np.full(len(t), 12.5), np.where(on, 0.1, 12.6)], axis=1)
    return rounded(clean + np.random.default_rng(3).normal(0, 0.02, clean.shape))
