"""Pulsed loads: duty from the drive's own edges, drops while driven, the source beside them.

The waves are exact (an RC low-pass answers a square pulse in closed form, textbook) or ngspice's.
"""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from daq.period import read_period
from daq.pulse_sums import PulseSums
from daq.pulses import pwm_of
from daq.stretches import Train
from tests.analysis.volts import analyse, blocks, findings_of
from tests.analysis.waves import Volts, levels, rounded
from tests.physics.draws import Draw
from tests.physics.frontend import Converter
from tests.physics.loads import Coil, Load, Motor, Resistor
from tests.physics.recordings import Recording, record
from tests.physics.skeleton import switched
from tests.physics.supply import Supply
from tests.physics.switches import Pulse, Transistor

FILTER_S = 1 / (2 * np.pi * 1000.0)  # the front end's low-pass


def low_passed(on: float, off: float, frequency_hz: float, duty: float, at: Volts) -> Volts:
    """A square wave (`on` from time 0 for `duty` of each period) behind the filter, in its steady state."""
    period = 1 / frequency_hz
    on_s, off_s = duty * period, (1 - duty) * period
    fade_on, fade_off = np.exp(-on_s / FILTER_S), np.exp(-off_s / FILTER_S)
    at_make = (off * (1 - fade_off) + on * (1 - fade_on) * fade_off) / (1 - fade_on * fade_off)
    at_break = on + (at_make - on) * fade_on
    place = at % period
    driven = on + (at_make - on) * np.exp(-place / FILTER_S)
    paused = off + (at_break - off) * np.exp(-(place - on_s) / FILTER_S)
    return np.asarray(np.where(place < on_s, driven, paused))


def filtered_pulses(frequency_hz: float, duty: float, seconds: float = 1.5, rate_hz: float = 4000.0) -> Volts:
    """A resistor pulsed on its ground side: 12.6 V at rest; 12.3 and 0.25 V while driven."""
    at = np.arange(round(seconds * rate_hz)) / rate_hz + 1.3e-5
    clean = np.stack(
        [
            low_passed(12.3, 12.6, frequency_hz, duty, at),
            low_passed(0.25, 12.6, frequency_hz, duty, at),
        ],
        axis=1,
    )
    rest = levels([(0.4, 12.6, 12.6)], rate_hz)
    return np.concatenate(
        [rest, rounded(clean + np.random.default_rng(4).normal(0, 0.02, clean.shape)), rest]
    )


@pytest.mark.parametrize("frequency_hz", [12.5, 61.0, 100.0, 237.0, 250.0, 400.0])
@pytest.mark.parametrize("duty", [0.1, 0.3, 0.5, 0.9])
def test_duty_and_drops_of_a_filtered_square_wave(frequency_hz: float, duty: float) -> None:
    found = analyse(filtered_pulses(frequency_hz, duty), 4000)
    assert found["pwm"]["frequency_hz"] == pytest.approx(frequency_hz, rel=1e-3)
    assert found["pwm"]["duty"] == pytest.approx(duty, abs=0.01)
    if duty / frequency_hz * 4000 > 4:
        assert found["ground_drop_v"] == pytest.approx(0.25, abs=0.03)
        assert found["feed_drop_v"] == pytest.approx(0.3, abs=0.03)
    assert found["source_v"] == pytest.approx(12.6, abs=0.03)


@pytest.mark.parametrize("rate_hz", [2000.0, 8000.0])
def test_other_rates(rate_hz: float) -> None:
    found = analyse(filtered_pulses(87.0, 0.35, rate_hz=rate_hz), rate_hz)
    assert found["pwm"]["duty"] == pytest.approx(0.35, abs=0.01)
    assert found["ground_drop_v"] == pytest.approx(0.25, abs=0.03)


def test_pulses_too_short_to_settle_give_no_drop() -> None:
    """Less than two samples: the ground lead never comes near its level."""
    found = analyse(filtered_pulses(400.0, 0.15), 4000)
    assert found["pwm"]["duty"] == pytest.approx(0.15, abs=0.05)
    assert found["ground_drop_v"] is None


def recorded(load: Load, side: str, pulse: Pulse, seed: int) -> Recording:
    """An ngspice recording of a load pulsed for 0.9 s by a transistor."""
    rng = np.random.default_rng(seed)
    plan = switched(
        Draw.new(rng),
        "pulsed",
        side,
        load,
        Transistor(closed_ohm=0.02, load_a=3.0, travel_s=2e-5),
        ((0.2, 1.1),),
        1.3,
        Converter(4000.0),
        Supply(12.0, 12.6),
        pulse,
    )
    answer = record([("pulsed", plan, rng)])[0]
    assert isinstance(answer, Recording)
    return answer


BLOWER = Motor(1.1, 8e-4, 9.0, 1.5, 0.12)
RELAY = Coil(85.0, 0.3, "diode")
VALVE = Coil(25.0, 0.08, "zener")


@pytest.mark.parametrize("side", ["low", "high"])
@pytest.mark.parametrize(
    ("load", "hertz", "duty", "within"),
    [
        (BLOWER, 90.0, 0.3, 0.02),
        (BLOWER, 175.0, 0.5, 0.02),
        (BLOWER, 250.0, 0.9, 0.05),
        (RELAY, 100.0, 0.6, 0.02),
        (VALVE, 130.0, 0.4, 0.02),
        (Resistor(6.0), 300.0, 0.9, 0.02),
    ],
    ids=["blower 90", "blower 175", "blower 250", "relay", "valve", "heater"],
)
def test_duty_is_the_drives_whatever_the_load_does_in_the_pause(
    side: str, load: Load, hertz: float, duty: float, within: float
) -> None:
    """A motor's pause sits at its own voltage, a coil's beyond the rail (ngspice)."""
    recording = recorded(load, side, Pulse(hertz, duty), 11)
    found = analyse(recording.volts, 4000)
    assert found["side"] == side
    assert found["pwm"]["frequency_hz"] == pytest.approx(hertz, rel=1e-3)
    assert found["pwm"]["duty"] == pytest.approx(duty, abs=within)


@pytest.mark.parametrize("hertz", [40.0, 175.0])
def test_drops_of_a_pulsed_heater_against_ngspice(hertz: float) -> None:
    for side in ("low", "high"):
        recording = recorded(Resistor(4.0), side, Pulse(hertz, 0.5), 12)
        found = analyse(recording.volts, 4000)
        assert found["ground_drop_v"] == pytest.approx(recording.truth.ground_drop_v, abs=0.03)
        if side == "low":
            assert found["feed_drop_v"] == pytest.approx(recording.truth.feed_drop_v, abs=0.03)


def test_a_pulsed_motor_does_not_hide_the_source() -> None:
    """Its kick stands 0.7 V above the source, its own voltage below: neither is the source."""
    found = analyse(recorded(BLOWER, "low", Pulse(90.0, 0.5), 13).volts, 4000)
    assert found["source_v"] == pytest.approx(12.6, abs=0.05)


def test_no_drop_is_told_for_a_time_without_current() -> None:
    """The load opens while on: the drop is that of the time it worked."""
    off, opened = (0.4, 0.0, 0.0), (0.6, 12.6, 0.0)
    spans = [off, (0.4, 12.0, 0.3), off, opened, off, opened, off]
    assert analyse(levels(spans), 4000)["ground_drop_v"] == pytest.approx(0.3, abs=0.02)


def test_spikes_do_not_keep_a_run_up_in_the_drop() -> None:
    """Ignition cuts the stretch every 20 ms; the drop is still that of its end."""
    at = np.arange(6000) / 4000
    sag = 0.8 * np.exp(-at / 0.25)
    on = np.stack([12.4 - sag, 0.1 + sag], axis=1)
    on[79::80] += 0.5
    off = levels([(0.5, 0.0, 0.0)])
    volts = np.concatenate([off, rounded(on + np.random.default_rng(2).normal(0, 0.02, on.shape)), off])
    assert analyse(volts, 4000)["ground_drop_v"] == pytest.approx(0.1, abs=0.03)


def test_a_reversing_load_has_its_drops_in_either_direction() -> None:
    spans = [(0.4, 0, 0), (0.5, 12.4, 0.2), (0.4, 0, 0), (0.5, 0.2, 12.4), (0.4, 0, 0)]
    assert analyse(levels(spans), 4000)["ground_drop_v"] == pytest.approx(0.2, abs=0.02)


@given(cuts=st.sets(st.integers(1, 1999), max_size=20))
def test_the_mean_period_does_not_depend_on_portions(cuts: set[int]) -> None:
    raw = np.rint(filtered_pulses(131.7, 0.4, 0.5)[1600:3600] * 1e6).astype(np.int32)
    middle: npt.NDArray[np.float64] = np.full(len(raw), 6e6)
    marks = [12.3 + n * 4000 / 131.7 for n in range(60)]
    profiles = []
    for bounds in ([0, 2000], [0, *sorted(cuts), 2000]):
        sums, due = PulseSums(0, True, 4000.0), list(marks)
        for a, b in pairwise(bounds):
            while due and due[0] < b:
                sums.mark([(due.pop(0), False)])
            sums.add(raw[a:b], middle[a:b])
        sums.finish()
        profiles.append(sums.profile)
    assert profiles[0].counts.sum() > 1500
    for name in ("counts", "steps", "now", "before"):
        assert np.array_equal(getattr(profiles[0], name), getattr(profiles[1], name))


@pytest.mark.parametrize("step", [97, 1000])
def test_a_pulsed_motor_is_the_same_in_any_blocks(step: int) -> None:
    volts = recorded(BLOWER, "high", Pulse(175.0, 0.4), 14).volts
    whole = findings_of(blocks(volts, 4000))
    assert whole["pwm"] is not None
    assert json.dumps(findings_of(blocks(volts, 4000, range(step, len(volts), step)))) == json.dumps(whole)


def piece(first: float, beats: int, true_period: float, seen_period: float) -> Train:
    """A train of `beats` pulses whose own period is off, as where a motor's voltage moves the crossings."""
    last = first + (beats - 1) * true_period
    return Train(
        first,
        last,
        beats - 1,
        seen_period,
        0.5,
        (12e6, 0.0),
        (0.0, 0.0),
        (0.0, 0.0),
        (12e6, 0.0),
        ((first + last) / 2, beats),
        None,
    )


def test_pieces_of_one_train_keep_its_beat() -> None:
    """Their distance tells the period far better than each by itself, if they are of one rhythm."""
    pieces = [piece(100.0, 9, 40.0, 40.2), piece(100 + 12 * 40.0, 6, 40.0, 40.2)]
    pwm, _ = pwm_of(pieces, 4000.0)
    assert pwm is not None
    assert pwm.frequency_hz == pytest.approx(100.0, rel=1e-6)
    apart, _ = pwm_of([pieces[0], piece(100 + 12.4 * 40.0, 6, 40.0, 40.2)], 4000.0)
    assert apart is not None
    assert apart.frequency_hz == pytest.approx(4000 / 40.2)


def test_the_source_is_not_made_up_from_pulses_that_never_reach_it() -> None:
    """High side, on for 0.2 ms: behind the low-pass the feed lead comes up to two thirds."""
    at = np.arange(8000) / 4000
    clean = np.stack([low_passed(12.0, 0.0, 341.0, 0.07, at), low_passed(0.1, 0.0, 341.0, 0.07, at)], axis=1)
    found = analyse(rounded(clean + np.random.default_rng(6).normal(0, 0.02, clean.shape)), 4000)
    assert found["source_v"] is None or found["source_v"] == pytest.approx(12.0, abs=0.3)


def running_up(pairs: float, duty: float, count: int) -> Volts:
    """A motor pulsed on its ground side from rest, behind the filter: drop and own voltage both change."""
    fine = 20
    at = np.arange(count * fine) / fine
    gone = np.exp(-at / 800)
    on = (at / pairs) % 1.0 < duty
    lead1 = np.where(on, 12.6 - 0.8 * gone, 12.6)
    lead2 = np.where(on, 0.1 + 0.8 * gone, 12.6 - 9.0 * (1 - gone))
    fade = np.exp(-1 / (fine * 4000 * FILTER_S))
    filtered = lfilter([1 - fade], [1, -fade], np.stack([lead1, lead2]), axis=1)
    return np.asarray(filtered[:, ::fine].T)


def test_a_run_up_sampled_in_step_with_its_pulses_has_no_edges_but_the_drives() -> None:
    """The pulses slide along the sample clock by one pair in all: each place of the period is then sampled in
    its own part of the run-up, and the mean period is jagged."""
    pairs, duty = 39.985, 0.7
    raw = np.rint(running_up(pairs, duty, 2400) * 1e6).astype(np.int32)
    sums = PulseSums(0, True, 4000.0)
    sums.mark([((n + duty) * pairs + 0.44, False) for n in range(60)])
    sums.add(raw, np.full(len(raw), 6e6))
    sums.finish()
    period = read_period(sums.profile, pairs, True, 4000.0)
    assert period is not None
    assert period.duty == pytest.approx(duty, abs=0.02)


def test_a_kick_beyond_the_source_does_not_turn_on_and_off_round() -> None:
    """From its very beginning a relay with a resistor across it kicks further than the load voltage."""
    rng = np.random.default_rng(3)
    plan = switched(
        Draw.new(rng),
        "pulsed",
        "low",
        Coil(95.0, 0.5, "resistor", clamp_ohm=900.0),
        Transistor(closed_ohm=0.2, load_a=0.13, travel_s=2e-5),
        ((-1.0, 9.0),),
        1.2,
        Converter(4000.0),
        Supply(12.0, 12.9),
        Pulse(77.6, 0.83),
    )
    answer = record([("pulsed", plan, rng)])[0]
    assert isinstance(answer, Recording)
    found = analyse(answer.volts, 4000)
    assert found["pwm"]["duty"] == pytest.approx(0.83, abs=0.02)
    assert found["ground_drop_v"] is None or found["ground_drop_v"] < 0.5


def pulsed_ground(duty: Volts, pairs: float) -> Volts:
    """A load pulsed on its ground side, each sample with its own duty; behind the filter."""
    fine = 20
    place = (np.arange(len(duty) * fine) / fine / pairs) % 1.0
    lead2 = np.where(place < np.repeat(duty, fine), 0.1, 12.6)
    fade = np.exp(-1 / (fine * 4000 * FILTER_S))
    shown = lfilter([1 - fade], [1, -fade], lead2 - 12.6)[::fine] + 12.6
    volts = np.stack([np.full(len(duty), 12.55), shown], axis=1)
    return rounded(volts + np.random.default_rng(8).normal(0, 0.02, volts.shape))


def test_pulses_that_widen_leave_no_level_in_their_mean() -> None:
    """A lamp brought up slowly: the mean period is a ramp from 12.6 to 0.1 V, not a bad ground."""
    rest = levels([(0.4, 12.6, 12.6)])
    found = analyse(np.concatenate([rest, pulsed_ground(np.linspace(0.1, 0.9, 2000), 24.4), rest]), 4000)
    assert found["ground_drop_v"] is None or found["ground_drop_v"] < 0.15


def test_pauses_too_narrow_to_see_are_no_bad_ground() -> None:
    """Half a sample wide at 640 Hz, they lift the ground lead by 1 V in the mean, and by more in beats."""
    rest = levels([(0.4, 12.6, 12.6)])
    on = pulsed_ground(np.full(3000, 0.91), 6.26)
    found = analyse(np.concatenate([rest, on, rest, on, rest]), 4000)
    assert found["ground_drop_v"] is None or found["ground_drop_v"] < 0.15


def test_a_period_cut_short_is_left_out_of_the_mean() -> None:
    """Let go early twice, at the motor's own 9.5 V: the mean of all would end in a slope of jags."""
    pairs, duty, marks, volts = 172.3, 0.72, [0.0], np.full(2000, 9.5)
    for n in range(10):
        on_from = marks[-1] + (1 - duty) * pairs
        marks.append(marks[-1] + pairs - (20.0 if n in (3, 6) else 0.0))
        volts[int(on_from) : int(marks[-1])] = 13.5
    raw = np.stack([np.rint(volts * 1e6), np.zeros(2000)], axis=1).astype(np.int32)
    sums = PulseSums(0, True, 4000.0)
    sums.mark([(mark, False) for mark in marks])
    sums.add(raw, np.full(2000, 11.5e6))
    sums.finish()
    period = read_period(sums.profile, pairs, True, 4000.0)
    assert period is not None
    assert period.duty == pytest.approx(duty, abs=0.01)
    late = period.levels[period.inside(period.fall - 0.15 * pairs, period.fall - 2.0), 0]
    assert np.ptp(late) < 0.01e6
