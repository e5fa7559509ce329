"""State levels, timing and noise against standards and textbook formulas, each with its source."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.live_view import Moment, bands_of, lead_views
from daq.rhythm import ALIKE_PAIRS
from daq.snapshot import StateWord
from tests.analysis.volts import analyse
from tests.analysis.waves import pulsed, rounded


def test_an_edge_is_timed_at_the_middle_of_an_exponential() -> None:
    """First-order step: the 50 % instant lies ln 2 time constants after the start (textbook)."""
    tau, rate = 0.0008, 4000.0
    t = np.arange(4000) / rate - 0.5
    lead2 = np.where(t < 0, 12.6, 12.6 * np.exp(-np.maximum(t, 0) / tau))
    volts = rounded(np.stack([np.full(len(t), 12.6), lead2], axis=1))
    edge = analyse(volts, rate)["edges"][0]
    assert edge["t_s"] == pytest.approx(0.5 + tau * math.log(2), abs=0.0001)


def test_the_duty_error_stays_within_the_sampling_bound() -> None:
    """Pulse width by samples errs by at most one period of sampling, std Ts/sqrt(6) a pulse (computed)."""
    for duty in (0.21, 0.5, 0.83):
        found = analyse(pulsed(100.0, duty, 3.0), 4000)
        assert found["pwm"]["duty"] == pytest.approx(duty, abs=100.0 / 4000)
    assert ALIKE_PAIRS >= 1.0


@pytest.mark.parametrize(
    ("volts", "word"), [(12.65, "at source"), (11.89, "at source"), (14.4, "beyond"), (6.0, "b")]
)
def test_a_resting_battery_from_full_to_flat_is_at_source(volts: float, word: str) -> None:
    """Lead-acid open circuit 12.65 V full to 11.89 V flat (BCI table, read at second hand)."""
    from daq.live_view import word_of

    found = word_of(volts, bands_of(12.65))
    assert (found is StateWord.AT_SOURCE) == (word == "at source")


def test_no_reading_before_the_first_sample() -> None:
    views = lead_views(Moment(None, None), None, bands_of(None), (False, False))
    assert {v.word for v in views} == {StateWord.NO_READING}
