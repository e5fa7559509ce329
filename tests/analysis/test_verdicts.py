"""Verdicts on plain recordings: the trade's own rules, and where the tool must abstain."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from daq.samples import Block, Change, ChangeKind, Gap, GapReason, Item, Layout, Origin, Scale
from tests.analysis.volts import analyse, blocks, findings_of
from tests.analysis.waves import HIGH, LOW, levels, pulsed


def swapped(volts: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    return volts[:, ::-1]


def roles(found: dict[str, Any]) -> tuple[Any, ...]:
    return found["side"], found["control_lead"], found["feed_lead"], found["ground_lead"]


def test_both_at_source_while_off_is_switched_on_the_ground_side() -> None:
    """Common practice, no source: off source/source means low side; the lead that falls is control."""
    found = analyse(levels(LOW), 4000)
    assert roles(found) == ("low", 2, 1, 2)
    assert found["confidence"] >= 0.9
    assert "lead 2 fell to 0.1 V" in found["why"]
    assert "not proven" in found["why"]


def test_both_at_zero_while_off_is_switched_on_the_positive_side() -> None:
    """Common practice, no source: off zero/zero means high side; the lead that rises is control."""
    found = analyse(levels(HIGH), 4000)
    assert roles(found) == ("high", 1, 1, 2)
    assert "should be ground" in found["why"]


@pytest.mark.parametrize("spans", [LOW, HIGH], ids=["low", "high"])
def test_the_leads_may_be_swapped(spans: list[tuple[float, float, float]]) -> None:
    one, other = analyse(levels(spans), 4000), analyse(swapped(levels(spans)), 4000)
    assert one["side"] == other["side"]
    assert one["control_lead"] == 3 - other["control_lead"]
    assert [e["t_s"] for e in one["edges"]] == pytest.approx([e["t_s"] for e in other["edges"]], abs=3e-4)


@pytest.mark.parametrize(
    "spans",
    [
        [(1.5, 12.6, 12.6)],
        [(1.5, 0.0, 0.0)],
        [(1.5, 12.5, 0.1)],
        [(0.5, 0.0, 0.0), (0.5, 12.6, 12.6), (0.5, 0.0, 0.0), (0.5, 12.6, 12.6)],
        [(0.7, 12.5, 0.1), (0.004, 12.6, 12.6), (0.6, 12.5, 0.1), (0.01, 12.6, 12.6), (0.6, 12.5, 0.1)],
        [(0.5, 12.6, 12.6), (0.5, 12.5, 0.1)],
        [(0.4, 0, 0), (0.5, 6.2, -6.2), (0.4, 0, 0), (0.5, 6.2, -6.2), (0.4, 0, 0)],
    ],
    ids=["off", "zero", "on", "both together", "short gaps", "one change", "reference lost"],
)
def test_it_abstains_and_says_what_to_do(spans: list[tuple[float, float, float]]) -> None:
    found = analyse(levels(spans), 4000)
    assert found["side"] == "undetermined"
    assert found["next_test"]["do"]
    assert found["confidence"] < 0.9


def test_a_mark_decides_where_a_single_change_cannot() -> None:
    one_change = [(0.5, 12.6, 12.6), (0.6, 12.5, 0.1), (0.4, 12.6, 12.6)]
    marks = [
        Change(0, Origin.USER, ChangeKind.MARK, "on", 0.6),
        Change(0, Origin.USER, ChangeKind.MARK, "off", 1.0),
    ]
    assert analyse(levels(one_change[:2]), 4000)["side"] == "undetermined"
    assert findings_of([*blocks(levels(one_change), 4000), *marks])["side"] == "low"


def test_expected_steady_makes_every_off_part_a_dropout() -> None:
    items = blocks(levels(LOW), 4000)
    found = findings_of(items, "steady")
    assert found["side"] == "undetermined"
    assert {e["kind"] for e in found["events"]} == {"ground dropout"}


def test_alternating_current_is_refused_with_the_mains_caution() -> None:
    t = np.arange(6000) / 4000
    wave = 24 * np.sqrt(2) * np.sin(2 * np.pi * 50 * t)
    found = analyse(np.clip(np.stack([wave, 0 * wave], axis=1), -8, 40), 4000)
    assert found["side"] == "undetermined"
    assert "ac" in found["cautions"]
    assert "out_of_range" in found["cautions"]
    assert "Mains" in found["next_test"]["caution"]


def test_noise_is_called_noise() -> None:
    noise = np.random.default_rng(5).normal(0, 1.2, (6000, 2))
    found = analyse(noise, 4000)
    assert found["side"] == "undetermined"
    assert "noise" in found["why"]
    assert found["edges"] == []


def test_polarity_that_changes_is_reversing() -> None:
    spans = [(0.4, 0, 0), (0.5, 12.4, 0.2), (0.4, 0, 0), (0.5, 0.2, 12.4), (0.4, 0, 0)]
    found = analyse(levels(spans), 4000)
    assert (found["side"], found["control_lead"]) == ("reversing", "both")
    assert [e["state"] for e in found["edges"]] == ["forward", "off", "reverse", "off"]


@pytest.mark.parametrize(("frequency", "duty"), [(12.5, 0.3), (100.0, 0.25), (200.0, 0.7), (400.0, 0.5)])
def test_pulses_are_one_on_with_frequency_and_duty(frequency: float, duty: float) -> None:
    off = levels([(0.5, 12.6, 12.6)])
    found = analyse(np.concatenate([off, pulsed(frequency, duty, 2.0), off]), 4000)
    assert found["side"] == "low"
    assert found["pwm"]["frequency_hz"] == pytest.approx(frequency, rel=1e-3)
    assert found["pwm"]["duty"] == pytest.approx(duty, abs=0.02)
    assert [e["state"] for e in found["edges"]] == ["on", "off"]


def test_a_frequency_above_a_quarter_of_the_rate_is_refused() -> None:
    """Shannon 1949 (from memory) allows half; for duty four samples a period are the least."""
    found = analyse(pulsed(190.0, 0.5, 3.0, rate_hz=500.0), 500)
    assert found["pwm"] is None


def test_a_feed_dropout_on_a_low_side_circuit_is_an_event_and_no_edge() -> None:
    spans = [*LOW[:1], (0.3, 12.5, 0.1), (0.012, 0.0, 0.0), (0.3, 12.5, 0.1), *LOW[2:]]
    found = analyse(levels(spans), 4000)
    assert found["side"] == "low"
    assert [e["kind"] for e in found["events"]] == ["feed dropout"]
    assert found["events"][0]["t_s"] == pytest.approx(0.7, abs=0.001)
    assert found["events"][0]["duration_s"] == pytest.approx(0.012, abs=0.001)
    assert len(found["edges"]) == 4


def test_one_lost_sample_of_feed_is_seen() -> None:
    volts = levels([*LOW[:2], *LOW[2:]])
    volts[2600] = (0.0, 0.0)
    events = analyse(volts, 4000)["events"]
    assert [e["kind"] for e in events] == ["feed dropout"]
    assert events[0]["t_s"] == pytest.approx(0.65, abs=0.001)


def test_a_supply_dip_while_off_is_no_edge() -> None:
    spans = [(0.5, 12.6, 12.6), (0.3, 9.5, 9.5), (0.5, 12.6, 12.6), *LOW[1:]]
    found = analyse(levels(spans), 4000)
    assert [e["kind"] for e in found["events"]] == ["supply dip"]
    assert found["side"] == "low"
    assert len(found["edges"]) == 4


def test_lost_time_counts_and_keeps_edges_in_place() -> None:
    a, b = levels(LOW), levels(LOW, seed=2)
    items: list[Item] = [
        *blocks(a, 4000),
        Gap(len(a), 1.5, 0.01, None, GapReason.UNPLUGGED),
        *blocks(b, 4000, first=len(a)),
    ]
    found = findings_of(items)
    assert found["duration_s"] == pytest.approx(2 * len(a) / 4000 + 1.5)
    assert found["gaps"][0]["t_s"] == pytest.approx(len(a) / 4000)
    assert [e["t_s"] for e in found["edges"]][4:] == pytest.approx(
        [e["t_s"] + len(a) / 4000 + 1.5 for e in findings_of(blocks(b, 4000))["edges"]], abs=1e-4
    )


def test_the_drops_are_measured() -> None:
    spans = [(0.5, 12.6, 12.6), (0.6, 11.8, 0.4), (0.5, 12.6, 12.6), (0.6, 11.8, 0.4), (0.5, 12.6, 12.6)]
    found = analyse(levels(spans), 4000)
    assert found["feed_drop_v"] == pytest.approx(0.8, abs=0.02)
    assert found["ground_drop_v"] == pytest.approx(0.4, abs=0.02)
    assert found["source_v"] == pytest.approx(12.6, abs=0.02)


def test_the_feed_drop_of_a_high_side_circuit_is_not_invented() -> None:
    """The unloaded source is not seen there: 8.93 V may be a sag or a bad feed."""
    assert analyse(levels(HIGH), 4000)["feed_drop_v"] is None


def test_clearing_the_evidence_starts_anew() -> None:
    low, high = levels(LOW), levels(HIGH)
    clear = Change(len(low), Origin.USER, ChangeKind.CLEAR)
    items: list[Item] = [*blocks(low, 4000), clear, *blocks(high, 4000, first=len(low))]
    assert findings_of(items)["side"] == "high"


def test_unplugging_is_no_evidence_and_the_verdict_holds() -> None:
    """Unplugged, a low-side load's control pin drops to zero: it would look like switching on."""
    plugged, apart = levels(LOW), levels([(0.5, 12.6, 12.6), (0.8, 12.6, 0.0), (0.5, 12.6, 12.6)])
    n, m = len(plugged), len(plugged) + len(apart)
    log: list[Item] = [
        *blocks(plugged, 4000),
        Change(n, Origin.USER, ChangeKind.PLUG, "out"),
        *blocks(apart, 4000, first=n),
        Change(m, Origin.USER, ChangeKind.PLUG, "in"),
        *blocks(plugged, 4000, first=m),
    ]
    before, after = findings_of(blocks(plugged, 4000)), findings_of(log)
    assert (after["side"], after["control_lead"]) == (before["side"], before["control_lead"])
    assert len(after["edges"]) == 2 * len(before["edges"])
    only_apart = findings_of([Change(0, Origin.USER, ChangeKind.PLUG, "out"), *blocks(apart, 4000)])
    assert only_apart["edges"] == []
    assert only_apart["side"] == "undetermined"


def test_edges_are_timed_by_when_the_lead_that_moves_was_sampled() -> None:
    """Leads are sampled in turn: lead 2 half an interval after lead 1, and sums stand for their middle."""
    scale = Scale((1e-6, 1e-6), skew_s=(0.001, 0.0015))
    counts = np.rint(levels(LOW) * 1e6).astype(np.int32)
    later = findings_of([Block(0, counts, Layout(4000.0, scale))])
    plain = analyse(levels(LOW), 4000)
    assert [
        e["t_s"] - p["t_s"] for e, p in zip(later["edges"], plain["edges"], strict=True)
    ] == pytest.approx([0.0015] * 4)


def test_what_leaks_through_a_string_of_diodes_is_no_source() -> None:
    """At rest an LED strip's feed lead may read a few volts: nothing is on, and no source was seen."""
    leak = (1.0, 4.25, 0.0)
    found = findings_of(blocks(levels([leak]), 4000.0))
    assert (found["source_v"], found["initial_state"], found["edges"]) == (None, "unknown", [])
    assert "Neither lead ever showed a source" in found["why"]
    found = findings_of(blocks(levels([(1.0, 4.2, 3.9), (1.0, 12.4, 0.1)] * 5), 4000.0))
    assert found["source_v"] == pytest.approx(12.4, abs=0.05)
    assert found["feed_drop_v"] is None or abs(found["feed_drop_v"]) < 0.1
    found = findings_of(blocks(levels([leak, (1.0, 12.6, 0.1)] * 3), 4000.0))
    assert (found["side"], found["control_lead"], found["initial_state"]) == ("high", 1, "off")
