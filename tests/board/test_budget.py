"""The uncertainty budget against a simulated logger: parts and converters drawn, calibrated, warmed, read."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.calibration import nominal
from tests.board.budget import Use, converter_curve, entries, linearity_lsb, step_v, total
from tests.board.figures import DIVIDER, NEAR, line, ohms
from tests.board.parts import design

PLAN = design()
CODES, SUPPLY_V = int(PLAN.converter["codes"]), PLAN.supply["volts"]
ONE_SECOND = 4000
QUIET = PLAN.converter["noise_lsb"]


def uncertainty(use: Use, level_v: float) -> float:
    """Expanded (k = 2), V."""
    return 2 * total(entries(PLAN, use, level_v), level_v)


def mean_code(
    pin_v: float, curve: np.ndarray, noise_lsb: float, readings: int, rng: np.random.Generator
) -> float:
    """The mean of converted readings of a steady pin."""
    steps = pin_v / SUPPLY_V * CODES + noise_lsb * rng.standard_normal(readings)
    return float(np.mean(np.searchsorted(np.sort(curve), steps, side="right") - 1))


def errors_near_zero(near: bool, noise_lsb: float, level_v: float, boards: int, seed: int) -> np.ndarray:
    """Of boards drawn: a reading of `level_v` less the truth, V, calibrated at 0 V and at the high point.

    Calibration and reading are at temperatures up to `kelvin` apart, so parts and leakage have moved.
    """
    rng = np.random.default_rng(seed)
    told, out = PLAN.calibration, []
    high_v = 4.5 if near else told["high_v"]
    leak = PLAN.of_kind("quiet_diode")[0].kind["leakage_a"]
    drift_v = PLAN.of_kind("op_amp")[0].kind["offset_v_per_k"] * told["kelvin"]
    for _ in range(boards):
        ohm, warm = ohms(PLAN), {}
        for ref in (*DIVIDER, *NEAR):
            kind = PLAN.parts[f"R1{ref[1:]}"].kind
            ohm[ref] *= 1 + kind["tolerance"] * rng.uniform(-1, 1)
            warm[ref] = ohm[ref] * (1 + kind["ppm_per_k"] * 1e-6 * told["kelvin"] * rng.uniform(-1, 1))
        offset = PLAN.of_kind("op_amp")[0].kind["offset_v"] * rng.uniform(-1, 1)
        cold = line(ohm, near, SUPPLY_V, offset)
        hot = line(
            {**ohm, **warm}, near, SUPPLY_V, offset + drift_v * rng.uniform(-1, 1), leak * rng.uniform(-1, 1)
        )
        curve = converter_curve(PLAN, rng)
        at_zero, at_high, seen = (
            mean_code(now.gain * volts + now.lift_v, curve, noise_lsb, ONE_SECOND, rng)
            for now, volts in ((cold, 0.0), (cold, high_v), (hot, level_v))
        )
        out.append((seen - at_zero) * high_v / (at_high - at_zero) - level_v)
    return np.array(out)


def test_on_state_drops_can_be_told_in_the_near_zero_range() -> None:
    """The demand: ±20 mV near zero after calibration, averaging for one second."""
    for level_v in (0.0, 0.1, 0.2, 0.5):
        assert uncertainty(Use(True, True, ONE_SECOND, QUIET), level_v) < 0.020


def test_the_full_span_cannot_even_with_dither() -> None:
    """Why there is a second range: quantising alone is ±23 mV; with dither the steps' errors remain."""
    assert step_v(PLAN, False) / 2 == pytest.approx(0.0234, rel=0.01)
    assert uncertainty(Use(False, True, ONE_SECOND, QUIET), 0.1) > 0.040
    assert uncertainty(Use(False, True, ONE_SECOND, 0.5), 0.1) > 0.020


@pytest.mark.parametrize(("near", "noise_lsb"), [(True, QUIET), (False, QUIET), (False, 0.5)])
def test_boards_drawn_stay_within_the_budget(near: bool, noise_lsb: float) -> None:
    """95 % of readings within k = 2, and the budget not so wide as to be worthless."""
    errors = errors_near_zero(near, noise_lsb, 0.1, boards=300, seed=11)
    claimed = uncertainty(Use(near, True, ONE_SECOND, noise_lsb), 0.1)
    assert np.mean(np.abs(errors) < claimed) > 0.93
    assert errors.std() > 0.2 * claimed


@pytest.mark.long
@pytest.mark.parametrize("near", [True, False])
@pytest.mark.parametrize("level_v", [0.0, 0.05, 0.2, 0.5])
def test_boards_drawn_stay_within_the_budget_widely(near: bool, level_v: float) -> None:
    errors = errors_near_zero(near, QUIET, level_v, boards=5000, seed=12)
    claimed = uncertainty(Use(near, True, ONE_SECOND, QUIET), level_v)
    assert np.mean(np.abs(errors) < claimed) > 0.945


@pytest.mark.parametrize("range_id", [0, 1])
def test_the_host_claims_what_an_uncalibrated_board_is(range_id: int) -> None:
    """The ± volts on screen without a calibration come from daq/calibration.py: as large as the budget's."""
    claimed = nominal(range_id)
    found = entries(PLAN, Use(range_id == 1, False, 1, QUIET), 0.0)
    assert claimed.offset_error_v == pytest.approx(total(found, 0.0), rel=0.1)
    assert claimed.gain_error == pytest.approx(math.sqrt(sum(e.share**2 for e in found)), rel=0.1)


def test_the_host_reads_volts_as_the_board_makes_them() -> None:
    """Nominal figures against the parts, at either end of the spans: within 0.6 % of the span."""
    for near, volts in ((False, (-7.5, 0.0, 39.0)), (True, (-0.9, 0.0, 4.9))):
        figures, made = nominal(int(near)), line(ohms(PLAN), near, SUPPLY_V)
        shown = [made.code_at(v, SUPPLY_V, CODES) * figures.volts_per_count + figures.offset_v for v in volts]
        assert shown == pytest.approx(volts, abs=0.006 * figures.volts_per_count * CODES)


def test_quantising_is_bennett_s() -> None:
    """q/√12 = 0.28868 steps (Bennett, BSTJ 27, 1948): a quiet reading, however long averaged."""
    first = entries(PLAN, Use(False, True, ONE_SECOND, 0.0), 0.0)[0]
    assert first.zero_v / step_v(PLAN, False) == pytest.approx(0.28868, abs=1e-5)
    assert entries(PLAN, Use(False, True, 1, 0.0), 0.0)[0].zero_v == first.zero_v


def test_averaging_with_dither_is_what_was_simulated() -> None:
    """rms error in steps at σ = 0.5 of means of 1, 4, 16, 64, 256 readings, from a simulation made apart."""
    for readings, expected in ((1, 0.569), (4, 0.292), (16, 0.140), (64, 0.072), (256, 0.037)):
        entry = entries(PLAN, Use(False, True, readings, 0.5), 0.0)[0]
        assert entry.zero_v / step_v(PLAN, False) == pytest.approx(expected, rel=0.06)


def test_converters_drawn_are_within_their_data_sheet() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        curve = converter_curve(PLAN, rng)
        wander = curve - (np.arange(CODES) - 0.5)
        assert np.abs(wander).max() <= PLAN.converter["linearity_lsb"] + 1e-9
        assert np.abs(np.diff(curve) - 1).max() <= PLAN.converter["step_lsb"] * 1.2
        assert np.std(wander) > 0.1


def test_linearity_cannot_leave_its_band() -> None:
    assert linearity_lsb(PLAN, 500) == pytest.approx(PLAN.converter["linearity_lsb"] * math.sqrt(2 / 3))
    assert linearity_lsb(PLAN, 2) == pytest.approx(0.25 * math.sqrt(2 / 3))
