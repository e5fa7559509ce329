"""Words that must not be said: what neighbours, ripple, coasting motors and slow relays imitate."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from daq.pipeline import Pipeline
from daq.samples import Bias, Block, Layout
from tests.analysis.volts import MICROVOLT, analyse, blocks
from tests.analysis.waves import HIGH, LOW, Volts, levels, rounded

RATE = 4000.0


def kinds(found: dict[str, Any]) -> list[str]:
    return [e["kind"] for e in found["events"]]


def noisy(clean: Volts, seed: int = 5) -> Volts:
    return rounded(clean + np.random.default_rng(seed).normal(0, 0.02, clean.shape))


@pytest.mark.parametrize("ripple_hz", [85.0, 130.0])
def test_ripple_that_a_lead_joins_is_no_dip(ripple_hz: float) -> None:
    """A failed diode of the alternator: 1.6 V peak to peak, which lead 2 shows only once the load is off."""
    t = np.arange(round(3.0 * RATE)) / RATE
    source = 14.2 + 0.8 * np.sin(2 * np.pi * ripple_hz * t)
    on = (t % 1.0) > 0.5
    found = analyse(noisy(np.stack([source, np.where(on, 0.1, source)], axis=1)), RATE)
    assert (found["side"], kinds(found)) == ("low", [])
    assert len(found["edges"]) == 5


def test_a_dip_is_seen_in_the_ripple_that_both_leads_share() -> None:
    t = np.arange(round(3.0 * RATE)) / RATE
    source = 14.2 + 0.4 * np.sin(2 * np.pi * 130.0 * t) - 5.0 * ((t > 2.15) & (t < 2.3))
    on = (t % 1.0) > 0.5
    found = analyse(noisy(np.stack([source, np.where(on, 0.1, source)], axis=1)), RATE)
    (event,) = found["events"]
    assert event["kind"] == "supply dip"
    assert event["t_s"] == pytest.approx(2.15, abs=0.01)
    assert event["duration_s"] == pytest.approx(0.15, abs=0.02)


def test_a_shared_ground_that_neighbours_lift_is_not_the_source() -> None:
    """Off on the positive side both leads show the ground: 5.5 V of a neighbour's inrush, then 4 V of it."""
    lifted = [(0.3, 0.2, 0.2), (0.02, 5.5, 5.5), (0.2, 4.0, 4.0)]
    found = analyse(levels([*HIGH, (0.5, 12.5, 0.1), *lifted, (0.5, 12.4, 4.0), (0.4, 0.0, 0.0)]), RATE)
    assert (found["side"], kinds(found)) == ("high", [])


def test_a_diode_string_on_a_lifted_ground_is_not_the_source() -> None:
    """LEDs on the positive side rest a string above their ground; a neighbour lifts both leads alike."""
    off, on, lifted = (0.4, 3.4, 0.1), (0.5, 12.4, 0.1), [(0.03, 4.6, 1.3), (0.08, 4.1, 0.8)]
    found = analyse(levels([*lifted, off, *lifted, on, off, on, off]), RATE)
    assert (found["side"], kinds(found)) == ("high", [])


def test_a_motor_that_coasts_without_a_feed_is_no_lost_reference() -> None:
    """With nothing to hold its pins, the leads' own resistances halve what it generates."""
    coasting = [(0.15, 24.0, 16.0), (0.1, 3.8, -3.8), (0.1, 24.0, 17.5)]
    on, off = (0.4, 24.0, 0.3), (0.4, 24.0, 23.9)
    found = analyse(levels([off, on, off, on, off, on, off, on, *coasting, off]), RATE)
    assert "reference lost" not in kinds(found)
    assert "reference_lost" not in found["cautions"]


def test_a_motor_that_coasts_without_a_feed_is_no_dip() -> None:
    coasting = [(0.1, 11.9, 3.5), (0.13, 7.8, -0.4), (0.2, 11.9, 4.5)]
    found = analyse(levels([*LOW, (0.5, 12.5, 0.1), *coasting, (0.4, 12.6, 12.5)]), RATE)
    assert "supply dip" not in kinds(found)


def test_a_ground_that_opens_just_as_the_feed_is_switched_is_switched_itself() -> None:
    """Feed and ground through two relays: once the ground lets go 0.1 s before the feed."""
    last = [(0.5, 12.5, 0.1), (0.1, 12.6, 12.6), (0.5, 0.0, 0.0)]
    found = analyse(levels([*HIGH, (0.5, 12.5, 0.1), (0.4, 0.0, 0.0), *last]), RATE)
    assert (found["side"], kinds(found)) == ("undetermined", [])
    assert "one after the other" in found["why"]
    assert found["next_test"]["do"].startswith("Hold the key on")


def test_a_ground_that_opens_for_good_is_not_switched() -> None:
    """By chance 0.1 s before the load is switched off; then the feed comes and goes, and no current flows."""
    opens = [(0.2, 12.5, 0.1), (0.1, 12.6, 12.6), (0.3, 0.0, 0.0)]
    found = analyse(levels([*HIGH, *HIGH, *opens, (0.3, 12.6, 12.6), (0.3, 0.0, 0.0)]), RATE)
    assert (found["side"], kinds(found)) == ("high", ["ground dropout"])


def test_a_ground_that_opens_beside_a_switching_once_in_many_is_a_fault() -> None:
    """A bad ground that opens at any moment also does so 0.1 s before the load is switched off."""
    opens = [(0.5, 12.5, 0.1), (0.06, 12.5, 12.5), (0.5, 12.5, 0.1), (0.4, 0.0, 0.0)]
    beside = [(0.5, 12.5, 0.1), (0.1, 12.6, 12.6), (0.4, 0.0, 0.0)]
    found = analyse(levels([*HIGH, *opens, *HIGH, *beside, *HIGH, *HIGH, *HIGH]), RATE)
    assert (found["side"], kinds(found)) == ("high", ["ground dropout"] * 2)


def test_a_feed_that_wakes_just_before_it_is_used_stays_a_ground_side() -> None:
    woken = [(0.5, 0.0, 0.0), (0.1, 12.6, 12.6)]
    found = analyse(levels([*woken, (0.5, 12.5, 0.1), *LOW]), RATE)
    assert found["side"] == "low"


def reasons(volts: Volts) -> list[str]:
    """What a live picture says every 25 ms."""
    pipeline, said = Pipeline(), []
    for block in blocks(volts, RATE, range(100, len(volts), 100)):
        pipeline.push(block)
        said.append(pipeline.snapshot().judgement.why)
    return said


def test_a_dropout_after_one_change_is_no_change_of_roles() -> None:
    """The feed opens for a moment: both leads rest at zero once and at source once."""
    on = (0.6, 12.5, 0.1)
    said = reasons(levels([(0.5, 12.6, 12.6), on, (0.02, 0.0, 0.0), on, (0.5, 12.6, 12.6)]))
    assert any(why.startswith("One change seen") for why in said)
    assert not any("changed roles" in why for why in said)


def test_a_drop_that_settles_where_a_free_lead_reads_takes_no_verdict_back() -> None:
    """A cold lamp behind a bad ground: its drop comes down to the free level in half a second (from memory of
    lamps: inrush is over in some 0.1 s, the last few percent take longer)."""
    t = np.arange(round(0.75 * RATE)) / RATE
    on = np.stack([np.full(len(t), 12.5), 2.62 + 1.4 * np.exp(-t / 0.06)], axis=1)
    off = levels([(0.15, 0.0, 0.0)])
    volts = np.concatenate([levels([(0.4, 0.0, 0.0), (0.6, 12.5, 3.6)]), off, noisy(on), off, noisy(on), off])
    counts = np.rint(volts * 1e6).astype(np.int32)
    layout = Layout(RATE, MICROVOLT, (Bias.WHISPER, Bias.WHISPER))
    pipeline, sides = Pipeline(), []
    for first in range(0, len(counts), 100):
        pipeline.push(Block(first, counts[first : first + 100], layout))
        sides.append(pipeline.snapshot().judgement.side.value)
    begins = sides.index("high")
    assert set(sides[begins:]) == {"high"}
