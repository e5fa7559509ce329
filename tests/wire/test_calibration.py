"""Counts to volts: nominal figures, records from the EEPROM, and rates that are exact."""

from __future__ import annotations

import datetime
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.calibration import (
    BAUD_CODES,
    NOMINAL,
    Calibration,
    Line,
    Settings,
    record_size,
    scale_of,
)
from daq.pairs import MalformedError
from daq.results import Feature, Identity, ResetCause, Started
from daq.sampling_plan import exact_rate_hz, line_load, plan_start

CLOCK_HZ = 16_000_000
LOGGER = Identity((1, 0, 0), 1, ResetCause.POWER_ON, 1, Feature.NONE, CLOCK_HZ, 1114, 65535)
FINE = Identity((1, 0, 0), 1, ResetCause.POWER_ON, 2, Feature.TWELVE_BITS, CLOCK_HZ, 1000, 65535)
RAW = Started(1, 2000, 0, 31, 128)


def test_nominal_figures() -> None:
    """8 V below ground to 40 V over 1024 codes: 46.875 mV a code, and 0 V lies between two codes."""
    scale = scale_of(None, (0, 0), RAW, CLOCK_HZ)
    volts = scale.volts(np.array([[0, 0], [170, 171], [1023, 1023]]))
    assert volts[0].tolist() == [-8, -8]
    assert volts[1].tolist() == [-0.03125, 0.015625]
    assert volts[2, 0] == 40 - 0.046875
    assert not scale.calibrated
    # ±2 counts of absolute accuracy, a rectangular distribution: half width / √3 (GUM, JCGM 100:2008, 4.3.7),
    # and the front end's own part, which tests/board/test_budget.py reckons: 60 mV in all.
    assert NOMINAL.offset_error_v == pytest.approx(math.hypot(2 * 0.046875 / math.sqrt(3), 0.0225), rel=0.05)


def test_nominal_figures_near_zero() -> None:
    """1 V below ground to 5 V over 1024 codes for a lead whose switch is closed; the other: full span."""
    scale = scale_of(None, (1, 0), RAW, CLOCK_HZ)
    volts = scale.volts(np.array([[0, 0], [171, 171], [1023, 1023]]))
    assert volts[:, 0] == pytest.approx([-1, 0.001953125, 5 - 0.005859375])
    assert volts[:, 1] == pytest.approx([-8, 0.015625, 40 - 0.046875])
    assert not scale.calibrated


def test_a_record_of_one_range_says_nothing_of_the_other() -> None:
    record = Calibration({(0, 1): Line(0.047, -8.1, 0.004, 0.002)}, datetime.date(2025, 1, 2))
    scale = scale_of(record, (1, 0), RAW, CLOCK_HZ)
    assert scale.volts_per_count[0] == 6 / 1024
    assert not scale.calibrated


def test_a_sum_reads_the_same_volts_as_its_parts() -> None:
    for shift in (2, 4, 6):
        run = Started(1, 2000, shift, 3, 128)
        scale = scale_of(None, (0, 0), run, CLOCK_HZ)
        sums = 1 << shift
        assert scale.volts(np.array([[171 * sums, 440 * sums]])).tolist() == [[0.015625, 12.625]]
        # The mean of the conversion moments, worked out one by one.
        moments = np.arange(2 * sums) * 2000 / CLOCK_HZ
        assert scale.skew_s == pytest.approx((moments[0::2].mean(), moments[1::2].mean()))


def test_codes_of_12_bits_span_the_same_volts() -> None:
    """A quarter of a 10-bit count each: -8 V at code 0, 40 V at code 4096, which is one too many."""
    record = Calibration({(0, 1): Line(0.047, -8.1, 0.004, 0.002)}, datetime.date(2025, 1, 2))
    for shift in (0, 2, 4):
        sums, run = 1 << shift, Started(1, 2000, shift, 3, 2)
        scale = scale_of(record, (0, 0), run, CLOCK_HZ, code_bits=12)
        volts = scale.volts(np.array([[0, 0], [4096 * sums, 4096 * sums], [1000 * sums, 683 * sums]]))
        assert volts[:, 0] == pytest.approx([-8.1, -8.1 + 1024 * 0.047, -8.1 + 250 * 0.047])
        assert volts[:, 1] == pytest.approx([-8, 40, 48 * 683 / 4096 - 8])
        assert scale.highest == (4095 * sums, 4095 * sums)


@pytest.mark.parametrize("rate_hz", [8, 62.5, 250, 1000, 4000, 8000])
def test_sums_of_12_bit_codes_fit_into_16_bits(rate_hz: float) -> None:
    plan = plan_start(rate_hz, FINE, 1_000_000)
    assert 4095 << plan.sum_shift < 1 << 16
    run = Started(1, plan.interval, plan.sum_shift, plan.pairs_per_frame, 2)
    assert exact_rate_hz(run, CLOCK_HZ) == pytest.approx(rate_hz, rel=1e-3)


def test_a_lead_without_record_keeps_nominal_figures() -> None:
    record = Calibration({(0, 1): Line(0.047, -8.1, 0.004, 0.002)}, datetime.date(2025, 1, 2))
    scale = scale_of(record, (0, 0), RAW, CLOCK_HZ)
    assert scale.volts_per_count == (0.047, NOMINAL.volts_per_count)
    assert not scale.calibrated


figures = st.floats(2**-20, 2**20, width=32)
lines = st.builds(Line, figures, st.floats(-(2**20), 2**20, width=32), figures, figures)
keys = st.tuples(st.integers(0, 15), st.sampled_from([1, 2]))
records = st.builds(
    Calibration,
    st.dictionaries(keys, lines, min_size=1, max_size=8),
    st.dates(datetime.date(2000, 1, 1)),
    st.integers(9000, 13000).map(lambda tenths: tenths / 10_000),
    st.integers(0, 65535),
    st.integers(0, 65535),
)


@given(records, st.integers(0, 10_000), st.integers(1, 255))
def test_records_are_read_whole_or_not_at_all(record: Calibration, at: int, flip: int) -> None:
    data = record.encode()
    assert Calibration.decode(data) == record
    assert record_size(data) == len(data)
    spoiled = bytearray(data)
    spoiled[at % len(data)] ^= flip  # a burst of up to 8 bits: a CRC-16 finds all of them
    with pytest.raises(MalformedError):
        Calibration.decode(bytes(spoiled))


@given(st.binary(max_size=200))
def test_any_eeprom_content_is_a_record_or_none(data: bytes) -> None:
    size = record_size(data[:12])
    assert 0 <= size <= 158
    for read in (Calibration.decode, Settings.decode):
        with pytest.raises(MalformedError):
            read(data)


def test_settings_both_ways() -> None:
    for baud in BAUD_CODES.values():
        assert Settings.decode(Settings(baud, "A1").encode()) == Settings(baud, "A1")
    with pytest.raises(MalformedError):
        Settings.decode(b"\xff" * 16)  # a blank chip


@pytest.mark.parametrize(
    ("rate", "interval", "shift", "pairs"),
    [(4000, 2000, 0, 31), (1000, 2000, 2, 31), (250, 2000, 4, 12), (62.5, 2000, 6, 3), (2000, 4000, 0, 31)],
)
def test_plans(rate: float, interval: int, shift: int, pairs: int) -> None:
    plan = plan_start(rate, LOGGER, 500_000)
    assert (plan.interval, plan.sum_shift, plan.pairs_per_frame) == (interval, shift, pairs)
    run = Started(1, plan.interval, plan.sum_shift, plan.pairs_per_frame, 128)
    assert exact_rate_hz(run, CLOCK_HZ) == rate


@given(st.floats(2, 7000))
def test_every_rate_in_reach_is_met_within_the_clock(rate: float) -> None:
    plan = plan_start(rate, LOGGER, 1_000_000)
    real = exact_rate_hz(Started(1, plan.interval, plan.sum_shift, 1, 128), CLOCK_HZ)
    # The interval is a whole number of cycles, 1114 at least.
    assert real == pytest.approx(rate, rel=0.5 / 1114)
    assert rate / plan.pairs_per_frame >= min(20, rate)


def test_line_load() -> None:
    """110 bytes for 32 raw pairs, as the protocol page says."""
    plan = plan_start(4000, LOGGER, 500_000)
    per_frame = 8 + 3 * 31 + 2 + 2 + 1 + 1  # head, pairs, type and sequence, CRC, COBS, ending 00
    assert line_load(plan, 4000) == pytest.approx(4000 / 31 * per_frame)
