"""Things that look like switching, or like a fault, and are neither; and faults that hide behind them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.analysis.volts import analyse
from tests.analysis.waves import LOW, Volts, levels, rounded

RATE = 4000.0


def kinds(found: dict[str, Any]) -> list[str]:
    return [e["kind"] for e in found["events"]]


def joined(*pieces: Volts) -> Volts:
    return np.concatenate(pieces)


def noisy(clean: Volts, seed: int = 5) -> Volts:
    return rounded(clean + np.random.default_rng(seed).normal(0, 0.02, clean.shape))


def cranked(before_s: float, seconds: float) -> Volts:
    """The source while an engine is started: down to 8 V, ripple about 9.5 V, back.

    Shape of ISO 16750-2 (2003) 12 V level I: 8 V for 15 ms, then 2 Vpp ripple with a 9.5 V trough.
    """
    t = np.arange(round(seconds * RATE)) / RATE - before_s
    source = np.full(len(t), 12.6)
    falls = (t >= 0) & (t < 0.02)
    source[falls] = np.interp(t[falls], [0, 0.005, 0.02], [12.6, 8.0, 8.0])
    rolls = (t >= 0.02) & (t < 0.9)
    source[rolls] = 10.5 - 1.0 * np.cos(2 * np.pi * 4 * (t[rolls] - 0.02)) - 1.5 * (t[rolls] < 0.06)
    source[t >= 0.9] = 12.6
    return source


def test_a_supply_dip_goes_on_while_the_load_is_switched() -> None:
    source = cranked(0.3, 2.0)
    on = (np.arange(len(source)) / RATE % 1.0) > 0.5  # switched off and on in the middle of it
    dip = np.stack([source - 0.05, np.where(on, 0.1, source)], axis=1)
    found = analyse(joined(levels(LOW), noisy(dip), levels(LOW, seed=3)), RATE)
    (event,) = found["events"]
    begin = len(levels(LOW)) / RATE + 0.3
    assert event["kind"] == "supply dip"
    assert event["t_s"] == pytest.approx(begin, abs=0.01)
    assert event["duration_s"] == pytest.approx(0.9, abs=0.15)
    assert found["side"] == "low"


def test_a_bias_between_the_switches_is_no_dip() -> None:
    """Feed and ground switched one after the other: the pins rest at a bias, again and again."""
    one = [(0.3, 19.5, 19.5), (0.1, 27.8, 27.8), (0.5, 26.9, 0.1), (0.1, 27.8, 27.8)]
    found = analyse(levels([*one, *one, *one, (0.3, 19.5, 19.5)]), RATE)
    assert kinds(found) == []


def test_a_neighbours_inrush_on_a_shared_ground_is_no_dip() -> None:
    """Both pins of a high-side load that is off rise and sink with its ground; the source stays."""
    t = np.arange(round(0.4 * RATE)) / RATE
    lift = 2.0 + 7.0 * np.exp(-t / 0.02)
    high = [(0.4, 0.0, 0.0), (0.5, 12.5, 0.1)]
    found = analyse(joined(levels(high), levels(high[:1]), noisy(np.stack([lift, lift], axis=1))), RATE)
    assert "supply dip" not in kinds(found)


def test_an_led_whose_ground_a_neighbours_inrush_lifts_is_not_switched_on_the_other_way() -> None:
    """Off, its feed at zero, its ground lifted to more than the load needs to be called on, and sinking: as
    ngspice has it for cold lamps that share a ground of a few tenths of an ohm with three LEDs."""
    t = np.arange(round(0.06 * RATE)) / RATE
    inrush = np.stack([0 * t, 2.1 + 2.2 * np.exp(-t / 0.015)], axis=1)
    high = [(0.4, 0.0, 0.0), (0.5, 12.4, 1.1)]
    one = joined(levels([*high, (0.3, 0.0, 0.0)]), noisy(inrush), levels([(0.4, 12.4, 2.8), (0.3, 0.0, 2.1)]))
    found = analyse(joined(one, one), RATE)
    assert found["side"] == "high"
    assert [e["state"] for e in found["edges"]] == ["on", "off"] * 4
    assert kinds(found) == []


def test_a_dip_is_seen_while_a_motor_that_has_coasted_down_is_off() -> None:
    """On the ground side: the control pin has come up to source again when the engine is started."""
    t = np.arange(round(0.8 * RATE)) / RATE
    coast = np.stack([12.55 - 7.8 * np.exp(-t / 0.1), np.full(len(t), 12.55)], axis=1)
    source = 12.55 - 1.75 * (12.6 - cranked(0.0, 1.4))  # to 4.5 V: level III of the same standard goes to 3 V
    on = (np.arange(len(source)) / RATE > 0.1) & (np.arange(len(source)) / RATE < 1.2)
    dip = np.stack([np.where(on, 0.9, source), source], axis=1)
    low = [(0.8, 12.55, 12.55), (1.2, 0.9, 12.45)]
    found = analyse(joined(levels(low), noisy(coast), noisy(dip)), RATE)
    assert kinds(found) == ["supply dip"]
    assert found["events"][0]["t_s"] == pytest.approx(2.8, abs=0.01)


def test_a_motor_braked_a_moment_after_is_off_where_it_was_let_go() -> None:
    """Let go it reads its own voltage, 3 ms later the brake shorts it: the first step is the edge."""
    one = [(0.4, 0.0, 0.0), (0.5, 12.5, 0.1), (0.003, 9.0, 0.0)]
    found = analyse(levels([*one, *one, (0.4, 0.0, 0.0)]), RATE)
    assert [e["state"] for e in found["edges"]] == ["on", "off", "on", "off"]
    assert found["edges"][1]["t_s"] == pytest.approx(0.9, abs=0.001)


def test_a_source_that_neighbours_pull_down_is_no_motor_let_go() -> None:
    """It sinks by steps; a motor slides down by itself."""
    steps = [(0.2, 14.6, 0.0), (0.15, 14.2, 0.0), (0.15, 13.6, 0.4), (0.15, 13.2, 0.4)]
    found = analyse(levels([(0.4, 0.0, 0.0), *steps, (0.4, 0.0, 0.0), *steps, (0.4, 0.0, 0.0)]), RATE)
    assert [e["state"] for e in found["edges"]] == ["on", "off", "on", "off"]


def test_a_motor_let_go_slides_down_and_is_off_at_once() -> None:
    t = np.arange(round(0.5 * RATE)) / RATE
    slides = np.stack([10.5 * np.exp(-t / 0.8), np.zeros(len(t))], axis=1)
    on = levels([(0.5, 12.5, 0.2)])
    rest = levels([(0.3, 0.0, 0.0)])
    found = analyse(joined(rest, on, noisy(slides), on, noisy(slides), on), RATE)
    assert [e["state"] for e in found["edges"]] == ["on", "off", "on", "off", "on"]
    assert found["edges"][1]["t_s"] == pytest.approx(0.8, abs=0.001)


def test_the_ripple_of_a_charging_system_is_no_pulse_train() -> None:
    t = np.arange(round(1.5 * RATE)) / RATE
    source = 14.2 + 0.35 * np.abs(np.sin(2 * np.pi * 45 * t))
    on = (t % 0.75) > 0.35
    volts = np.stack([source, np.where(on, 0.1, source)], axis=1)
    found = analyse(joined(noisy(volts), noisy(volts, 6)), RATE)
    assert found["pwm"] is None
    assert found["side"] == "low"
    assert len(found["edges"]) == 7


def test_a_coil_that_kicks_at_every_pulse_is_not_ac() -> None:
    """High-side driver, zener at 15 V: a third of each period below zero, the rest above."""
    t = np.arange(round(0.5 * RATE)) / RATE
    phase = t * 97.0 % 1
    lead = np.where(phase < 0.45, 12.3 - 3.0 * phase, np.where(phase < 0.7, -7.5, 0.0))
    train = np.stack([lead, np.zeros(len(t))], axis=1)
    rest = levels([(0.3, 0.0, 0.0)])
    found = analyse(joined(rest, noisy(train), rest, noisy(train), rest), RATE)
    assert "ac" not in found["cautions"]


def test_an_open_feed_behind_a_spinning_motor_is_told_by_the_lost_current() -> None:
    """It falls to the motor's own voltage only; the ground side losing its drop shows that none flows."""
    gap = [(0.3, 12.1, 0.4), (0.03, 9.4, 0.0), (0.3, 12.1, 0.4)]
    found = analyse(
        levels([(0.4, 12.6, 12.6), *gap, (0.4, 12.6, 12.6), (0.5, 12.1, 0.4), (0.4, 12.6, 12.6)]), RATE
    )
    assert found["side"] == "low"
    assert kinds(found) == ["feed dropout"]


def test_feed_and_ground_switched_in_turn_is_no_dropout() -> None:
    one = [
        (0.4, 0.0, 0.0),
        (0.1, 9.0, 9.0),
        (0.6, 1.1, 8.7),
        (0.08, 9.0, 9.0),
        (0.6, 0.0, 0.0),
        (0.6, 1.1, 8.7),
    ]
    found = analyse(levels([*one, (0.4, 0.0, 0.0)]), RATE)
    assert not {"ground dropout", "feed dropout"} & set(kinds(found))


def test_a_recording_that_begins_on_has_no_edge_where_the_source_becomes_known() -> None:
    """A module with stored charge: it sinks past half a second after it was let go, and only then."""
    t = np.arange(round(1.5 * RATE)) / RATE
    sinks = np.stack([24.0 * np.exp(-np.maximum(0.0, t - 0.5) / 0.6), np.zeros(len(t))], axis=1)
    found = analyse(joined(noisy(sinks), levels([(0.5, 24.0, 0.0)])), RATE)
    assert [e["t_s"] for e in found["edges"] if e["t_s"] < 0.4] == []


def test_pulses_slower_than_the_running_middle_are_one_train() -> None:
    """A motor pulsed at 19 Hz on the positive side coasts at 2 V of 28 while off."""
    one = [(0.015, 28.5, 0.05), (0.038, 2.0, 0.0)]
    found = analyse(levels([(0.3, 0.0, 0.0), *one * 25, (0.015, 28.5, 0.05), (0.4, 0.0, 0.0)]), RATE)
    assert found["pwm"]["frequency_hz"] == pytest.approx(1 / 0.053, rel=0.001)
    assert found["pwm"]["duty"] == pytest.approx(15 / 53, abs=0.02)
    assert [e["state"] for e in found["edges"]] == ["on", "off"]
    assert kinds(found) == []


def test_a_hand_on_the_switch_is_no_train() -> None:
    """Ten times in a row, and only as even as a hand is."""
    rng = np.random.default_rng(2)
    one = [piece for s in rng.uniform(0.2, 0.35, 10) for piece in ((s, 12.6, 12.6), (s, 12.5, 0.1))]
    found = analyse(levels(one), RATE)
    assert found["pwm"] is None
    assert len(found["edges"]) == 19


def test_a_neighbours_pulses_on_a_shared_wire_leave_a_level() -> None:
    """240 Hz: the feed sags 0.4 V and the ground rises 0.3 V while the neighbour draws current."""
    t = np.arange(round(0.5 * RATE)) / RATE
    draws = t * 240.0 % 1 < 0.5
    on = np.stack([14.3 - 0.4 * draws, 0.3 + 0.3 * draws], axis=1)
    off = levels([(0.4, 14.5, 14.5)])
    found = analyse(joined(off, noisy(on), off, noisy(on, 6), off), RATE)
    assert found["side"] == "low"
    assert [e["state"] for e in found["edges"]] == ["on", "off", "on", "off"]


def test_a_lead_that_came_off_is_no_reversal() -> None:
    """Lead 2 reads zero from then on: the module's stored charge on lead 1 imitates the other polarity."""
    healthy = [(0.6, 11.9, 12.57), (0.6, 0.0, 12.54)]
    gone = [(0.3, 10.3, 12.57), (0.76, 11.2, 0.0), (0.14, 0.02, 0.0)]
    found = analyse(levels([*healthy, *healthy, *gone]), RATE)
    assert found["side"] != "reversing"


def test_a_feed_that_woke_once_does_not_make_it_switched_in_turn() -> None:
    woke = [(0.5, 0.0, 0.0), (0.3, 12.6, 12.6)]
    gap = [(0.5, 12.5, 0.1), (0.2, 12.6, 12.6), (0.2, 0.0, 0.0), (0.2, 12.6, 12.6)]
    found = analyse(levels([*woke, *[(0.5, 12.5, 0.1), (0.4, 12.6, 12.6)] * 4, *gap, (0.5, 12.5, 0.1)]), RATE)
    assert found["side"] == "low"


def test_a_driver_that_leaks_four_tenths_of_source_is_off_all_the_same() -> None:
    one = [(0.3, 11.8, 0.0), (0.3, 28.3, 0.0)]
    found = analyse(levels([*one * 4, (0.3, 11.8, 0.0), (0.3, 0.0, 0.0)]), RATE)
    assert found["side"] == "high"
    assert [e["state"] for e in found["edges"]] == ["on", "off"] * 4


def test_a_motor_that_coasted_does_not_hide_the_next_pulses() -> None:
    """Its slow voltage is the only calm level a high-side driver leaves; the pulses' tops are the source."""
    one = [(0.00175, 12.2, 0.1), (0.00075, 7.5, 0.0)]
    t = np.arange(round(0.6 * RATE)) / RATE
    coasts = np.stack([7.5 * np.exp(-t / 0.15), np.zeros(len(t))], axis=1)
    works = levels(one * 160)
    found = analyse(joined(levels([(0.3, 0.0, 0.0)]), works, noisy(coasts), works, noisy(coasts)), RATE)
    assert [e["state"] for e in found["edges"]] == ["on", "off", "on", "off"]
    assert [e["t_s"] for e in found["edges"]] == pytest.approx([0.3, 0.7, 1.3, 1.7], abs=0.005)
    assert found["pwm"]["frequency_hz"] == pytest.approx(400, rel=0.001)


def test_a_gap_of_half_depth_is_a_gap() -> None:
    """A worn contact bounces on a film: the lamp dims for two milliseconds."""
    gap = [(0.6, 12.5, 0.1), (0.002, 6.2, 0.05), (0.6, 12.5, 0.1)]
    found = analyse(
        levels([(0.4, 12.6, 12.6), *gap, (0.4, 12.6, 12.6), (0.5, 12.5, 0.1), (0.4, 12.6, 12.6)]), RATE
    )
    assert kinds(found) == ["feed dropout"]


def test_a_charging_system_that_stops_does_not_hide_a_later_dip() -> None:
    charging = [(0.4, 14.4, 14.4), (0.5, 14.3, 0.1), (1.0, 14.4, 14.4)]
    later = [(25.0, 12.6, 12.6), (0.4, 10.5, 10.5), (2.0, 12.6, 12.6)]
    found = analyse(levels([*charging, *later]), RATE)
    assert [(e["kind"], e["t_s"]) for e in found["events"]] == [("supply dip", pytest.approx(26.9, abs=0.01))]


def test_a_bad_contact_before_a_coil_lets_its_voltage_rise_again_and_ends() -> None:
    """The coil's current goes on through the contact's resistance and falls with L/R (R-L circuit, 90 ohm and
    0.3 H behind as much again): the load voltage drops to a diode's and climbs half way back.
    """
    t = np.arange(round(0.05 * RATE)) / RATE
    climbs = 6.9 - 5.0 * np.exp(-t / (0.3 / 180))
    bad = np.stack([climbs, np.full(len(t), 0.06)], axis=1)
    on = (1.0, 13.7, 0.12)
    off = (0.4, 13.8, 13.8)
    volts = joined(levels([off, on, off, on], noise_v=0), bad, levels([on, off], noise_v=0))
    ripple = 1 + 0.036 * np.sin(2 * np.pi * 300 * np.arange(len(volts)) / RATE)
    found = analyse(noisy(volts * ripple[:, None]), RATE)
    assert len(found["edges"]) == 4, "it is on all the same"
    (event,) = found["events"]
    assert event["kind"] in ("feed dropout", "sag or feed loss")
    assert event["t_s"] == pytest.approx(2.8, abs=0.001)
    assert event["duration_s"] == pytest.approx(0.05, abs=0.002)
