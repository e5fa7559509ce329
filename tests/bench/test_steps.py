"""The time stepping itself: textbook circuits, laws and slopes, switches between steps, repeating pulses."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.bench_catalog import find
from daq.bench_drives import Flicker, Pulse, Set
from daq.bench_network import Network, Reduced, solve_ports
from daq.bench_parts import (
    AnyPart,
    Breakdown,
    Capacitor,
    DryFriction,
    Filament,
    Inductor,
    Junction,
    Law,
    Part,
    Resistor,
    Source,
    when,
)
from daq.bench_transient import Transient
from daq.bench_workbench import Workbench

SWITCH = when("switch", "closed")


def stepped(parts: list[AnyPart], until_us: int) -> tuple[list[int], list[float]]:
    """Times and volts of node "x" after a switch closes at 0."""
    motion = Transient(Network(parts, [("x", "0")]), {"switch": "open"})
    motion.settle()
    motion.move({"switch": "closed"})
    times, volts = [], []
    while motion.now_us < until_us:
        segment = motion.step(until_us)
        times.append(segment.end_us)
        volts.append(float(segment.last[0]))
    return times, volts


def test_charging_capacitor() -> None:
    """v = V (1 - exp(-t/RC)): textbook. τ = 1.5 ms. To a third of a converter step."""
    times, volts = stepped(
        [Source("a", "0", 12.0, 100.0, SWITCH), Resistor("a", "x", 1400.0), Capacitor("x", "0", 1e-6)], 10_000
    )
    assert volts == pytest.approx([12 * (1 - math.exp(-t / 1500)) for t in times], abs=0.015)
    assert len(times) < 60


def test_rising_coil_current() -> None:
    """v across 1 Ω = V R/(R+r) (1 - exp(-t/(L/R))): textbook. τ = 0.2 H / 86 Ω."""
    times, volts = stepped(
        [Source("a", "0", 12.0, 85.0, SWITCH), Inductor("a", "x", 0.2), Resistor("x", "0", 1.0)], 20_000
    )
    expected = [12 / 86 * (1 - math.exp(-t * 1e-6 * 86 / 0.2)) for t in times]
    assert volts == pytest.approx(expected, abs=4e-4)


def test_freewheel_time() -> None:
    """Current of 12 V, 85 Ω, 0.2 H into a diode ends after τ ln(1 + I R / V_d): 6.82 ms at 0.7 V."""
    wheel: list[AnyPart] = [
        Source("a", "0", 12.0, 1e-3, when("switch", "open")),
        Resistor("a", "x", 85.0),
        Inductor("x", "0", 0.2),
        Part("0", "a", Breakdown(0.7, 1e3, slope_v=1e-3)),  # a knee as sharp as the formula's
    ]
    motion = Transient(Network(wheel, [("0", "a")]), {"switch": "open"})
    motion.settle()
    motion.move({"switch": "closed"})
    while motion.step(20_000).last[0] > 0.5:
        pass
    assert motion.now_us * 1e-6 == pytest.approx(0.2 / 85 * math.log(1 + 12 / 0.7), abs=1e-4)


def test_nothing_is_lost_between_ten_thousand_siemens_and_a_tenth_of_a_nanosiemens() -> None:
    """A floating part of large capacitors: ordinary elimination calls this matrix singular."""
    parts: list[AnyPart] = [
        Source("a", "0", 12.0, 0.01),
        Resistor("x", "y", 1e-3),
        Capacitor("x", "y", 1.5),
        Resistor("a", "x", 1e6, SWITCH),
    ]
    _, volts = stepped(parts, 1000)
    assert volts[-1] == pytest.approx(12.0, abs=0.01)


LAWS: list[Law] = [
    Junction(),
    Junction(saturation_a=3e-19, emission=2.0, in_series=4),
    Breakdown(45.0, 0.6, slope_v=0.04),
    DryFriction(1.5),
    Filament(13.5, 21.0, 2.1e-3),
]


@given(st.sampled_from(LAWS), st.floats(-14, 14), st.floats(300, 2600), st.sampled_from([1e-6, 1e-4, 1e-2]))
def test_slopes_are_slopes(law: Law, volt: float, base: float, step_s: float) -> None:
    """The slope handed to Newton is the derivative of the current (central difference)."""
    span = 1e-6
    low, _, _ = law.current(volt - span, base, step_s)
    high, _, _ = law.current(volt + span, base, step_s)
    _, slope, _ = law.current(volt, base, step_s)
    assert slope == pytest.approx((high - low) / (2 * span), rel=2e-3, abs=1e-5)


@given(
    st.sampled_from(LAWS),
    st.floats(-60, 60),
    st.sampled_from([1e-3, 1.0, 1e3, 1.1e6]),
    st.floats(-60, 60),
)
def test_a_port_is_solved_from_anywhere(law: Law, open_v: float, ohm: float, guess: float) -> None:
    """The answer lies on the line of the circuit to a microvolt, through megaohms too, and on the law."""
    form = Reduced(np.empty(0), np.empty(0), [[ohm]], (law,), (0,), 1e-4)
    (ampere,), (volt,), _ = solve_ports(form, [open_v], [law.rest], [guess])
    assert volt == pytest.approx(open_v - ohm * ampere, abs=1e-6)
    by_law, slope, _ = law.current(volt, law.rest, 1e-4)
    assert ampere == pytest.approx(by_law, rel=1e-3, abs=1e-6 * (1 + slope))


def test_filament_in_its_resting_states() -> None:
    """Rated power at rated volts; cold about a tenth of hot (driver-IC abstract: about 10 %)."""
    law = Filament(13.5, 21.0, 2.1e-3)
    kelvin = 300.0
    for _ in range(400):
        ampere, _, kelvin = law.current(13.5, kelvin, 0.01)
    assert kelvin == pytest.approx(2700, rel=1e-3)
    assert 13.5 * ampere == pytest.approx(21.0, rel=1e-3)
    assert 9 < law.ohm(2700) / law.ohm(300) < 16


def test_tungsten_handbook() -> None:
    """Resistivity at 1000, 2000, 3000 K over 300 K: 4.41, 10.0, 16.3 (CRC/Jones, from memory), to 4 %."""
    law = Filament(13.5, 21.0, 2.1e-3)
    ratios = [law.ohm(k) / law.ohm(300) for k in (1000, 2000, 3000)]
    assert ratios == pytest.approx([4.41, 10.0, 16.3], rel=0.04)


@settings(max_examples=10, deadline=None)
@given(
    st.sampled_from(["trailer-lamp", "horn-relay", "coolant-pump", "pump-relay"]),
    st.lists(st.integers(1, 40_000), min_size=1, max_size=30),
)
def test_how_far_one_looks_changes_nothing(name: str, strides: list[int]) -> None:
    """Running in any strides gives the same volts, bit for bit, hands moving in between."""
    moves = [(3_000, "control", "on"), (77_777, "control", "off"), (90_001, "plug", "out")]
    assert np.array_equal(read(name, moves, strides), read(name, moves, [10_000_000]))


def read(name: str, moves: list[tuple[int, str, str]], strides: list[int]) -> np.ndarray:
    bench = Workbench(find(name), 7)
    waiting, end_us, turn = list(moves), 130_000, 0
    while bench.horizon_us < end_us:
        stop = min(bench.horizon_us + strides[turn % len(strides)], end_us)
        if waiting and waiting[0][0] <= stop:
            stop = waiting[0][0]
        bench.run(stop)
        while waiting and waiting[0][0] == bench.horizon_us:
            _, what, to = waiting.pop(0)
            bench.operate(what, to, bench.horizon_us)
        turn += 1
    times_us = np.arange(0.0, end_us, 125.0)
    return np.stack([bench.volts(lead, times_us) for lead in (0, 1)])


def test_a_repeating_pulse_is_read_and_left_without_a_step() -> None:
    """After the pulses repeat, reading equals calculating; a hand in the middle of a period ends it there."""
    bench = Workbench(find("gauge-lamps"), 1)
    bench.operate("control", "on", 0)
    bench.run(2_000_000)
    repeated = bench.repeats
    assert repeated
    times_us = np.arange(0.0, 2_000_000.0, 125.0)
    volts = bench.volts(0, times_us).reshape(-1, 64)  # 64 readings in 8 ms
    assert np.abs(volts[-1] - volts[120]).max() < 0.01
    bench.forget_before(1_999_000)
    bench.operate("plug", "out", 2_003_456)
    bench.operate("control", "off", 2_001_234)
    bench.run(2_100_000)
    still = bench.repeats
    assert not still
    after = bench.volts(0, np.arange(2_000_000.0, 2_100_000.0, 125.0))
    assert after[:9] == pytest.approx(volts[-1][:9], abs=0.002)  # still the same period, on
    assert after[20:27] == pytest.approx(np.full(7, 12.6), abs=0.05)  # off at 1.2 ms: at source
    assert after[60] == pytest.approx(0.0, abs=0.05)  # out at 3.5 ms: the free lead falls


@pytest.mark.parametrize("name", ["gauge-lamps", "coolant-pump"])
def test_reading_the_last_period_equals_calculating_on(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """To 10 mV: a filament that still warms or a motor that still speeds up must not be frozen."""
    times_us = np.arange(400_000.0, 450_000.0, 50.0)

    def both_leads() -> np.ndarray:
        bench = Workbench(find(name), 1)
        bench.operate("control", "on", 0)
        bench.run(450_000)
        return np.stack([bench.volts(lead, times_us) for lead in (0, 1)])

    read_again = both_leads()
    monkeypatch.setattr("daq.bench_workbench.SAME", -1.0)
    assert np.abs(read_again - both_leads()).max() < 0.01


def test_drives() -> None:
    rng = np.random.default_rng(3)
    assert list(Set("s", "closed").moves(5, rng)) == [(5, "closed")]
    assert list(Set("s", "pulled", "moving", travel_s=0.002).moves(0, rng)) == [
        (0, "moving"),
        (2000, "pulled"),
    ]
    moves = Pulse("s", 1000, 300).moves_after(0, 1000)
    assert [next(moves) for _ in range(3)] == [(1300, "open"), (2000, "closed"), (2300, "open")]
    assert list(Flicker("s", (0.1, 0.1), (0.05, 0.05), for_s=0.2).moves(0, rng)) == [
        (0, "good"),
        (100_000, "bad"),
        (150_000, "good"),
    ]


@given(st.integers(0, 10_000), st.booleans(), st.sampled_from([2e-5, 0.005]))
def test_bounce_ends_where_it_was_meant_to(seed: int, closing: bool, bounce_s: float) -> None:
    """Moves rise in time, alternate, stay within the bounce time, and end at the value asked for."""
    value = "closed" if closing else "open"
    moves = list(Set("s", value, "open", bounce_s=bounce_s).moves(100, np.random.default_rng(seed)))
    times, values = zip(*moves, strict=True)
    assert list(times) == sorted(set(times))
    assert times[0] == 100
    assert times[-1] <= 110 + bounce_s * 1e6
    assert values[-1] == value
    assert all(a != b for a, b in itertools.pairwise(values))


def test_a_seed_tells_the_whole_story() -> None:
    def story(seed: int) -> np.ndarray:
        bench = Workbench(find("work-lamp"), seed)
        bench.operate("control", "on", 1000)
        bench.run(20_000)
        return bench.volts(1, np.arange(0.0, 20_000.0, 125.0))

    assert np.array_equal(story(4), story(4))
    assert not np.array_equal(story(4), story(5))


def test_network_keeps_equal_parts_apart() -> None:
    """Four equal strings carry four times the current of one."""

    def rest(rows: int) -> float:
        parts: list[AnyPart] = [Source("a", "0", 12.0, 0.1), Resistor("a", "x", 100.0)]
        parts += [Part("x", "0", replace(Junction())) for _ in range(rows)]
        motion = Transient(Network(parts, [("x", "0")]), {})
        motion.settle()
        return float(motion.probes[0])

    slope_v = Junction().slope_v
    assert rest(1) - rest(4) == pytest.approx(slope_v * math.log(4), abs=0.001)
