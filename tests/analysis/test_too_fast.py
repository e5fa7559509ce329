"""Pulses faster than half the sample rate beat with the sample clock: no beat is a dropout or an edge."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analysis.volts import analyse
from tests.analysis.waves import Volts, levels, pulsed, rounded

OF_MOMENTS = {"feed dropout", "ground dropout", "switch-off or dropout", "sag or feed loss", "supply dip"}


def filtered(hertz: float, duty: float, seconds: float, rate_hz: float) -> Volts:
    """Pulsed on the ground side, through a one-pole low-pass of 1 kHz, and only then sampled."""
    fine = 64_000.0
    fade = np.exp(-2 * np.pi * 1000.0 / fine)
    clean = pulsed(hertz, duty, seconds, fine)
    kernel = (1 - fade) * fade ** np.arange(400)
    lead2 = np.convolve(clean[:, 1] - 12.6, kernel)[: len(clean)] + 12.6
    every = round(fine / rate_hz)
    return rounded(np.stack([clean[::every, 0], lead2[::every]], axis=1))


@pytest.mark.parametrize(
    ("hertz", "rate_hz", "duty"),
    [(674.0, 1000.0, 0.5), (674.0, 1000.0, 0.7), (245.0, 500.0, 0.21), (1990.0, 4000.0, 0.34)],
)
def test_beats_are_no_dropouts(hertz: float, rate_hz: float, duty: float) -> None:
    found = analyse(filtered(hertz, duty, 2.0, rate_hz), rate_hz)
    assert not OF_MOMENTS & {event["kind"] for event in found["events"]}
    assert len(found["edges"]) <= 1
    assert found["pwm"] is None
    assert "higher rate" in found["pwm_note"]


def test_sums_of_four_over_pulses_that_are_hardly_seen_are_no_trouble() -> None:
    """Each of these samples sees part of a pulse, so no step between two levels is left to be timed."""
    sums = pulsed(400.3, 0.86, 2.0).reshape(-1, 4, 2).mean(axis=1)
    assert "higher rate" in analyse(sums, 1000.0)["pwm_note"]


def test_a_dropout_is_still_found_where_the_load_is_not_pulsed() -> None:
    rate_hz = 1000.0
    on = levels([(0.5, 12.6, 12.6), (0.8, 12.5, 0.1), (0.012, 0.0, 0.0), (0.8, 12.5, 0.1)], rate_hz)
    rest = levels([(0.6, 12.6, 12.6)], rate_hz, seed=2)
    found = analyse(np.concatenate([on, rest, filtered(674.0, 0.5, 1.0, rate_hz), rest]), rate_hz)
    assert [e["kind"] for e in found["events"]] == ["feed dropout"]
    assert found["events"][0]["t_s"] == pytest.approx(1.3, abs=0.003)
    assert found["side"] == "low"
