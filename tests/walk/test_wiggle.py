"""The wiggle test: what was put into the samples is what is counted."""

from __future__ import annotations

import numpy as np
import pytest

from daq.samples import Block, Counts, Gap, GapReason, Layout, Scale
from daq.stillness import look
from daq.trace import TraceRing
from daq.wiggle import Wiggle
from tui.wiggle import told

RATE_HZ = 4000.0
LAYOUT = Layout(RATE_HZ, Scale((0.01, 0.01)))


def samples(seconds: float, one: float = 12.6, two: float = 0.05) -> Counts:
    noise = np.random.default_rng(3).normal(0, 3, (round(seconds * RATE_HZ), 2))
    return np.rint(np.array([one, two]) * 100 + noise).astype(np.int32)


def watched(counts: Counts, step: int = 400) -> Wiggle:
    """Everything pushed in blocks and looked at after each."""
    ring, wiggle = TraceRing(), Wiggle()
    for at in range(0, len(counts), step):
        ring.push(Block(at, counts[at : at + step], LAYOUT))
        wiggle.watch(ring)
    return wiggle


@pytest.mark.parametrize("step", [7, 40, 400])
def test_one_sample_that_departs_counts_however_the_stream_is_cut(step: int) -> None:
    counts = samples(4.0)
    counts[9000, 0] = 200  # lead 1, one sample at 2 V
    counts[12000, 1] = 900
    wiggle = watched(counts, step)
    assert wiggle.counts == {(1, "fell"): 1, (2, "rose"): 1}
    assert wiggle.largest is not None
    assert wiggle.largest.volts == pytest.approx(-10.6, abs=0.1)
    assert wiggle.largest.at_s == pytest.approx(9000 / RATE_HZ, abs=0.002)


def test_a_bouncing_contact_is_one_departure_and_a_quiet_wire_none() -> None:
    counts = samples(4.0)
    assert watched(counts).total == 0
    for at in range(9000, 9040, 8):
        counts[at : at + 4, 1] = 1260
    wiggle = watched(counts)
    assert wiggle.counts == {(2, "rose"): 1}
    assert not wiggle.away
    counts[12000:, 0] = 0
    assert watched(counts).away


def test_no_baseline_is_held_of_a_second_in_which_a_lead_was_moved() -> None:
    counts = samples(6.0)
    counts[3000:5500, 1] += 1000
    wiggle = watched(counts)
    assert wiggle.baseline == pytest.approx((12.6, 0.05), abs=0.05)
    assert wiggle.total == 0
    counts[20000:21000, 1] += 1000
    assert watched(counts).counts == {(2, "rose"): 1}


def pulsed(seconds: float, period_s: float, on_s: float) -> Counts:
    """Lead 2 at 12.55 V, and at 0.05 V while on."""
    counts, period = samples(seconds), round(period_s * RATE_HZ)
    counts[:, 1] += 1250 * (np.arange(len(counts)) % period >= round(on_s * RATE_HZ))
    return counts


@pytest.mark.parametrize(("period_s", "on_s"), [(0.008, 0.004), (0.06, 0.0042), (0.002, 0.001)])
def test_a_pulsed_lead_departs_where_it_rests_for_several_periods(period_s: float, on_s: float) -> None:
    counts = pulsed(5.0, period_s, on_s)
    wiggle = watched(counts)
    assert wiggle.total == 0
    assert wiggle.spans[1] == pytest.approx((0.05, 12.55), abs=0.2)
    assert wiggle.pulses == (False, True)
    counts[9000:14000, 1] = 1255
    for step in (40, 400):
        wiggle = watched(counts, step)
        assert wiggle.counts == {(2, "stopped"): 1}
        assert not wiggle.away
        assert wiggle.largest is not None
        assert wiggle.largest.to_v == pytest.approx(12.55, abs=0.1)
        assert wiggle.largest.lasts_s == pytest.approx(1.25, abs=2 * period_s + 0.002)
        (_, largest, *_) = told(wiggle, 4)
        assert "lead 2 stopped pulsing, at 12.5" in largest
    assert watched(counts[:12000]).away == (2,)
    counts[9000:14000, 1] = 260
    assert watched(counts).counts == {(2, "stopped"): 1}, "at neither end"


def test_lost_samples_are_no_pulses_that_stopped() -> None:
    """Nobody saw what the lead did meanwhile."""
    counts, ring, wiggle = pulsed(5.0, 0.05, 0.02), TraceRing(), Wiggle()
    for at in range(0, len(counts), 400):
        if at == 12_000:
            ring.push(Gap(at, 1.0, 0.01, None, GapReason.UNPLUGGED))
        ring.push(Block(at, counts[at : at + 400], LAYOUT))
        wiggle.watch(ring)
    assert wiggle.pulses == (False, True)
    assert wiggle.total == 0


def test_a_lead_that_moves_too_slowly_for_its_beat_to_be_known_says_so() -> None:
    wiggle = watched(pulsed(6.0, 1.0, 0.5))
    assert wiggle.pulses == (False, None)


def test_a_lead_that_goes_both_ways_is_told_with_both() -> None:
    counts = samples(4.0, one=9.0)
    counts[9000:9020, 0] = 2
    counts[9020:9060, 0] = 2300
    wiggle = watched(counts)
    assert wiggle.counts == {(1, "moved"): 1}
    counted, largest, *_ = told(wiggle, 4)
    assert counted == "lead 1 moved both ways: 1"
    assert "lead 1 went both ways, to 0.02 V and to 23.00 V, for 15 ms" in largest
    counts = samples(4.0, one=9.0)
    counts[9000:9020, 0] = 2
    assert "lead 1 fell by 9.0 V, to 0.02 V" in told(watched(counts), 4)[1]


def test_leads_stand_still_only_where_every_sample_does() -> None:
    ring = TraceRing()
    counts = samples(2.0)
    ring.push(Block(0, counts, LAYOUT))
    seen = look(ring)
    assert seen is not None
    assert seen.still
    assert seen.volts == pytest.approx((12.6, 0.05), abs=0.01)
    assert max(seen.error_v) < 0.005
    counts[-600, 0] = 0
    ring = TraceRing()
    ring.push(Block(0, counts, LAYOUT))
    seen = look(ring)
    assert seen is not None
    assert not seen.still
    assert seen.volts == pytest.approx((12.6, 0.05), abs=0.01)  # the median does not follow it


def test_two_leads_at_nothing_or_at_the_whisper_are_unfed_and_one_at_source_is_not() -> None:
    assert watched(samples(2.0, 0.05, -0.1)).is_unfed
    assert watched(samples(2.0, 2.62, 2.62)).is_unfed
    assert not watched(samples(2.0)).is_unfed
    assert not watched(samples(2.0, 0.05, 5.4)).is_unfed  # a flat 6 V battery
    assert not Wiggle().is_unfed
