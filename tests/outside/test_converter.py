"""The bench's converter and the uncertainties that the screen states, against the textbook of converters.

Sources: SNR = 6.02 N + 1.76 dB and quantisation noise q/sqrt(12) (tutorial MT-001; Bennett, BSTJ 27, 1948,
from memory); averaging and dither (a converter maker's note on oversampling; Widrow & Kollár's formula for
what bias is left, from memory). Figures marked computed were computed apart from this project.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from daq import bench_front
from daq.bench_front import CODES, COUNT_V, LOWEST_V, codes
from daq.live_view import QUANTISATION
from daq.pipeline import Pipeline
from daq.samples import Block, Layout, Scale
from daq.snapshot import LeadView, StateWord
from tests.analysis.volts import blocks
from tests.analysis.waves import levels

Volts = npt.NDArray[np.float64]

SCALE = Scale((COUNT_V, COUNT_V), (LOWEST_V, LOWEST_V))


def converted(volts: Volts, noise_counts: float, monkeypatch: pytest.MonkeyPatch, seed: int = 5) -> Volts:
    """Codes of the bench's converter with another noise than its own."""
    monkeypatch.setattr(bench_front, "NOISE_V", noise_counts * COUNT_V)
    return codes(volts, np.random.default_rng(seed)).astype(np.float64)


def volts_at(counts: Volts) -> Volts:
    return np.asarray(counts * COUNT_V + LOWEST_V)


@pytest.mark.parametrize("noise_counts", [0.0, 0.43, 1.0])
def test_signal_to_noise_of_a_full_sine(noise_counts: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """61.96 dB for 10 bits (6.02 N + 1.76); noise of its own adds its square to that of the steps."""
    middle, amplitude = (CODES - 1) / 2, CODES / 2  # the whole span of the codes
    if noise_counts:
        amplitude -= 4  # room, so that noise is not cut off at the ends
    cycles = (math.sqrt(5) - 1) / 2 * np.arange(1 << 16)  # no two samples at the same phase
    ideal = middle + amplitude * np.sin(2 * np.pi * cycles)
    error = converted(volts_at(ideal), noise_counts, monkeypatch) - ideal
    found = 10 * math.log10(amplitude**2 / 2 / np.mean(error**2))
    expected = 6.02 * 10 + 1.76 - 10 * math.log10(1 + 12 * noise_counts**2)
    assert found == pytest.approx(expected, abs=0.15)


TABLE = {
    0.0: (0.289, 0.289, 0.289, 0.289, 0.289),
    0.2: (0.353, 0.194, 0.134, 0.111, 0.103),
    0.5: (0.569, 0.292, 0.140, 0.072, 0.037),
}


@pytest.mark.parametrize("noise_counts", TABLE)
def test_averaging_helps_only_with_dither(noise_counts: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rms error, in counts, of means of 1, 4, 16, 64 and 256 readings (computed): without noise nothing is
    gained, with half a count of it four times as many give a bit. 3000 draws: within 5 %."""
    true = np.random.default_rng(7).uniform(300, 301, 3000)
    for n, expected in zip((1, 4, 16, 64, 256), TABLE[noise_counts], strict=True):
        read = converted(np.repeat(volts_at(true), n), noise_counts, monkeypatch).reshape(-1, n).mean(axis=1)
        assert np.sqrt(np.mean((read - true) ** 2)) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(("noise_counts", "bias"), [(0.2, 0.145), (0.3, 0.054), (0.5, 0.0023)])
def test_what_dither_leaves_of_the_bias(
    noise_counts: float, bias: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The largest error of an endless mean is e^(-2 π² σ²)/π counts (Widrow & Kollár). Means of 40 000
    readings are themselves good to σ/200; the worst of 64 places may be off by four times that."""
    places = 300 + np.arange(64) / 64
    read = converted(np.repeat(volts_at(places), 40_000), noise_counts, monkeypatch).reshape(64, -1)
    worst = float(np.abs(read.mean(axis=1) - places).max())
    assert worst == pytest.approx(bias, abs=4 * noise_counts / 200)


def shown(volts: float, noise_counts: float, seed: int, monkeypatch: pytest.MonkeyPatch) -> LeadView:
    """What the screen shows of a steady voltage after a second."""
    read = converted(np.full(4000, volts), noise_counts, monkeypatch, seed).astype(np.int32)
    pipeline = Pipeline()
    pipeline.push(Block(0, np.stack([read, read], axis=1), Layout(4000, SCALE)))
    return pipeline.snapshot().leads[0]


@pytest.mark.parametrize("noise_counts", [0.0, 0.1, 0.43, 1.0, 2.0])
def test_a_reading_errs_by_no_more_than_it_says(noise_counts: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Error over stated standard uncertainty: 1 rms where noise or steps alone make it. Below half a count of
    noise the bias of dither is not known, so one count is stated however much better the mean may be."""
    true = np.random.default_rng(3).uniform(10, 13, 120)
    views = [shown(v, noise_counts, seed, monkeypatch) for seed, v in enumerate(true.tolist())]
    errors = [(view.volts - v) / view.uncertainty_v for view, v in zip(views, true, strict=True)]
    rms = float(np.sqrt(np.mean(np.square(errors))))
    assert rms < 1.3
    if noise_counts in (0.0, 1.0, 2.0):
        assert rms > 0.8


def test_without_noise_the_uncertainty_is_that_of_one_count(monkeypatch: pytest.MonkeyPatch) -> None:
    view = shown(12.6, 0.0, 1, monkeypatch)
    assert view.uncertainty_v == pytest.approx(COUNT_V / math.sqrt(12), rel=1e-3)
    assert 1 / math.sqrt(12) == pytest.approx(QUANTISATION, abs=1e-4)


def test_zero_lies_between_two_codes_and_is_still_called_near_zero() -> None:
    """1024 codes over -8..+40 V: the codes beside zero read -31 and +16 mV (arithmetic)."""
    assert [round(v * 1000) for v in volts_at(np.array([170.0, 171.0]))] == [-31, 16]
    pipeline = Pipeline()
    for block in blocks(levels([(0.5, 0.0, 0.0), (0.5, 12.6, 0.0)]), 4000):
        pipeline.push(block)
    assert pipeline.snapshot().leads[1].word is StateWord.NEAR_ZERO
    assert pipeline.snapshot().leads[0].word is StateWord.AT_SOURCE
