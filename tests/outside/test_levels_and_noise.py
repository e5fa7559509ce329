"""State levels, timing and noise against standards and textbook formulas, each with its source."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from daq.live_view import QUANTISATION, bands_of, lead_views
from daq.pipeline import Pipeline
from daq.rhythm import ALIKE_PAIRS
from daq.samples import Block, Layout, Scale
from daq.snapshot import StateWord
from daq.steady import Segmenter
from daq.stretches import Steady, Stretch
from tests.analysis.volts import analyse, blocks
from tests.analysis.waves import LOW, levels, pulsed, rounded


def histogram_states(x: npt.NDArray[np.float64], bins: int = 100) -> tuple[float, float]:
    """IEEE Std 181-2003 histogram method, mode of each half, as MathWorks' `statelevels` page tells it:
    range over bins, lowest and highest non-empty bins, split in half, mode of each half."""
    counts, edges = np.histogram(x, bins=bins)
    centres = (edges[:-1] + edges[1:]) / 2
    used = np.flatnonzero(counts)
    middle = (used[0] + used[-1]) // 2
    low = used[0] + int(np.argmax(counts[used[0] : middle + 1]))
    high = middle + 1 + int(np.argmax(counts[middle + 1 : used[-1] + 1]))
    return float(centres[low]), float(centres[high])


def test_the_histogram_method_is_the_published_one() -> None:
    """The page's own example: 4 bins, counts 50/0/0/50, centres 0.2427 to 2.0428."""
    x = np.concatenate([np.full(50, -0.0573), np.full(50, 2.3428)])
    assert histogram_states(x, 4) == pytest.approx((0.2427, 2.0428), abs=2e-4)


def steady_levels(volts: npt.NDArray[np.float64]) -> list[tuple[float, float]]:
    found: list[Stretch] = []
    cutter = Segmenter(0, 4000, found.append, lambda _: None)
    cutter.push(np.rint(volts * 1e6).astype(np.int32))
    cutter.finish()
    return [
        (s.mean[0] / 1e6, s.mean[1] / 1e6) for s in found if isinstance(s, Steady) and s.end - s.start > 80
    ]


def test_state_levels_agree_with_the_histogram_method() -> None:
    """IEEE Std 181-2003 (method quoted by the MathWorks page); a mode is a bin centre, so half a bin."""
    volts = levels(LOW)
    low, high = histogram_states(volts[:, 1])
    ours = sorted({round(b, 3) for _, b in steady_levels(volts)})
    tolerance = (volts[:, 1].max() - volts[:, 1].min()) / 200 + 0.01
    assert ours[0] == pytest.approx(low, abs=tolerance)
    assert ours[-1] == pytest.approx(high, abs=tolerance)


def test_an_edge_is_timed_at_the_middle_of_an_exponential() -> None:
    """First-order step: the 50 % instant lies ln 2 time constants after the start (textbook)."""
    tau, rate = 0.0008, 4000.0
    t = np.arange(4000) / rate - 0.5
    lead2 = np.where(t < 0, 12.6, 12.6 * np.exp(-np.maximum(t, 0) / tau))
    volts = rounded(np.stack([np.full(len(t), 12.6), lead2], axis=1))
    edge = analyse(volts, rate)["edges"][0]
    assert edge["t_s"] == pytest.approx(0.5 + tau * math.log(2), abs=0.0001)


@pytest.mark.parametrize(
    ("sigma_lsb", "n", "expected"), [(0.5, 16, 0.140), (0.5, 64, 0.072), (0.2, 4, 0.194)]
)
def test_averaging_helps_only_with_dither(sigma_lsb: float, n: int, expected: float) -> None:
    """Rms error of averaged readings in LSB for Gaussian dither (computed; Widrow & Kollar's formula)."""
    rng = np.random.default_rng(7)
    true = rng.uniform(0, 1, 4000)
    codes = np.round(true[:, None] + rng.normal(0, sigma_lsb, (4000, n)))
    error = np.sqrt(np.mean((codes.mean(axis=1) - true) ** 2))
    assert error == pytest.approx(expected, rel=0.08)


def test_without_noise_the_uncertainty_is_that_of_one_count() -> None:
    """Quantisation noise q/sqrt(12) (Bennett, BSTJ 27, 1948, from memory; MT-001): no dither, no gain."""
    scale = Scale((48 / 1024, 48 / 1024), (-8.0, -8.0))
    pipeline = Pipeline()
    pipeline.push(Block(0, np.full((4000, 2), 439, dtype=np.int32), Layout(4000, scale)))
    view = pipeline.snapshot().leads[0]
    assert view.uncertainty_v == pytest.approx(QUANTISATION * 48 / 1024, rel=1e-6)
    assert 1 / math.sqrt(12) == pytest.approx(QUANTISATION, abs=1e-4)


def test_the_duty_error_stays_within_the_sampling_bound() -> None:
    """Pulse width by samples errs by at most one period of sampling, std Ts/sqrt(6) a pulse (computed)."""
    for duty in (0.21, 0.5, 0.83):
        found = analyse(pulsed(100.0, duty, 3.0), 4000)
        assert found["pwm"]["duty"] == pytest.approx(duty, abs=100.0 / 4000)
    assert ALIKE_PAIRS >= 1.0


def test_zero_lies_between_two_codes_and_is_still_called_near_zero() -> None:
    """1024 codes over -8..+40 V: the codes beside zero read -31 and +16 mV (arithmetic)."""
    step = 48 / 1024
    assert [round((k * step - 8) * 1000) for k in (170, 171)] == [-31, 16]
    volts = levels([(0.5, 0.0, 0.0), (0.5, 12.6, 0.0)])
    pipeline = Pipeline()
    for block in blocks(volts, 4000):
        pipeline.push(block)
    assert pipeline.snapshot().leads[1].word is StateWord.NEAR_ZERO
    assert pipeline.snapshot().leads[0].word is StateWord.AT_SOURCE


@pytest.mark.parametrize(
    ("volts", "word"), [(12.65, "at source"), (11.89, "at source"), (14.4, "beyond"), (6.0, "b")]
)
def test_a_resting_battery_from_full_to_flat_is_at_source(volts: float, word: str) -> None:
    """Lead-acid open circuit 12.65 V full to 11.89 V flat (BCI table, read at second hand)."""
    from daq.live_view import word_of

    found = word_of(volts, bands_of(12.65))
    assert (found is StateWord.AT_SOURCE) == (word == "at source")


def test_no_reading_before_the_first_sample() -> None:
    views = lead_views(None, None, bands_of(None), (False, False))
    assert {v.word for v in views} == {StateWord.NO_READING}
