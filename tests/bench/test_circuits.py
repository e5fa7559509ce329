"""Every circuit does what its hidden truth says, and whatever a hand does to it stays physical."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.bench_catalog import CATALOG, find
from daq.bench_rig import BenchCircuit
from daq.bench_workbench import Workbench
from daq.samples import Bias
from tests.bench.hands import filtered, levels, steady

PLAIN = [c.name for c in CATALOG if c.truth.side in ("low", "high") and c.truth.pwm is None]


def mended(circuit: BenchCircuit) -> list[tuple[str, str]]:
    """Moves that make any circuit healthy and awake."""
    wanted = {"fault": "off", "key": "on", "neighbour": "off"}
    return [(what, to) for what, to in wanted.items() if what in circuit.controls]


@pytest.mark.parametrize("name", PLAIN)
def test_healthy_levels_follow_from_the_side(name: str) -> None:
    """Off: both leads on the side that is not switched; on: feed near source, ground near zero."""
    circuit = steady(name)
    truth, source = circuit.truth, circuit.source_v
    off = levels(circuit, mended(circuit))
    on = levels(circuit, [*mended(circuit), ("control", "on")])
    assert truth.feed_lead is not None
    feed, ground = truth.feed_lead - 1, 2 - truth.feed_lead
    assert on[feed] > 0.95 * source
    assert on[ground] < 0.07 * source
    fixed, switched = (feed, ground) if truth.side == "low" else (ground, feed)
    assert truth.control_lead == switched + 1
    assert off[fixed] == pytest.approx(source if truth.side == "low" else 0.0, abs=0.05)
    rest = off[switched] if truth.side == "low" else source - off[switched]
    assert rest > 0.45 * source  # an LED string rests half-way
    if truth.load_kind != "unknown":
        assert off[0] == pytest.approx(off[1], abs=0.05)


@pytest.mark.parametrize(
    ("name", "off", "on"),
    [
        ("cargo-lamp", (0, 0), (0, 0)),
        ("fog-lamp", (0, 0), (12.6, 12.6)),
        ("van-lamp", (0, 0), (2.6, 12.5)),
        ("gate-lamp", (12.6, 12.6), (9.4, 0)),
        ("parade-lamp", (12.6, 12.6), (12.6, 12.6)),
        ("stable-lamp", (12.5, 0), (12.5, 0)),
        ("wash-bay-relay", (12.6, 8.04), (12.6, 0)),  # 12.6 * 150 / 235
        ("seat-relay", (11.04, 12.6), (0, 12.6)),  # 12.6 * 600 / 685
        ("mixer-valve", (12.6, 0), (12.6, 0)),
        ("tailgate-lamp", (0, 0), (0, 0)),
    ],
)
def test_faults_show(name: str, off: tuple[float, float], on: tuple[float, float]) -> None:
    """Levels by Ohm's law, to 0.1 V (wires and drivers drop a little)."""
    assert levels(steady(name)) == pytest.approx(off, abs=0.1)
    assert levels(steady(name), [("control", "on")]) == pytest.approx(on, abs=0.1)


def test_two_directions() -> None:
    circuit = steady("window-motor")
    on, other = (levels(circuit, [("control", to)]) for to in ("on", "other"))
    assert levels(circuit) == pytest.approx((0, 0), abs=0.02)
    assert on == pytest.approx(other[::-1], abs=0.01)
    assert on == pytest.approx((12.3, 0.1), abs=0.1)


def test_both_ends_float_when_off() -> None:
    """A whisper on one lead moves both, through the coil: nothing else holds them."""
    circuit = steady("boat-relay")
    assert levels(circuit, bias=(Bias.WHISPER, Bias.OFF)) == pytest.approx((1.77, 1.77), abs=0.02)
    assert levels(circuit, [("control", "on")]) == pytest.approx((12.58, 0.0), abs=0.02)


@pytest.mark.parametrize("name", [c.name for c in CATALOG if c.truth.pwm])
def test_pulses_have_the_duty_they_claim(name: str) -> None:
    """Share of the time in which the switched pin is at the rail that the driver takes it to."""
    circuit = find(name)
    assert circuit.truth.pwm is not None
    hertz, duty = circuit.truth.pwm
    bench = Workbench(circuit, 1)
    bench.operate("control", "on", 0)
    bench.run(2_000_000)
    switched = int(circuit.truth.control_lead) - 1
    times_us = np.arange(1_400_000.0, 2_000_000.0, 10.0)
    volts = bench.volts(switched, times_us)
    near = 0.2 if circuit.truth.load_kind == "motor" else 0.5  # a motor's off phase sits at its back-EMF
    low_side = circuit.truth.side == "low"
    from_rail = volts if low_side else circuit.source_v - volts
    conducting = from_rail < near * circuit.source_v
    uneven = 1e-4 * hertz  # the filter delays the two edges differently, by up to 0.1 ms
    assert conducting.mean() == pytest.approx(duty, abs=0.02 + uneven)
    rising = np.flatnonzero(~conducting[:-1] & conducting[1:])
    assert np.diff(times_us[rising]).mean() == pytest.approx(1e6 / hertz, rel=1e-3)


def test_broken_feed_opens_for_milliseconds() -> None:
    bench = Workbench(find("pump-relay"), 3)
    bench.run(20_000_000)
    volts = bench.volts(0, np.arange(0.0, 20_000_000.0, 250.0))
    open_ms = (volts < 6).mean() * 20_000
    assert 20 < open_ms < 1000
    assert np.median(volts) == pytest.approx(12.6, abs=0.01)


def test_wiggling_the_reference_shows_a_loose_clip_only() -> None:
    def spread(name: str) -> float:
        bench = Workbench(find(name), 1)
        for what, to in (("fault", "off"), ("control", "on")):
            if what in bench.circuit.controls:
                bench.operate(what, to, 0)
        bench.operate("reference", "wiggle", 500_000)
        assert bench.choices["reference"] == "on"
        bench.run(2_000_000)
        return float(np.ptp(bench.volts(0, np.arange(500_000.0, 2_000_000.0, 250.0))))

    assert spread("work-lamp") < 0.05
    assert spread("rake-lamp") > 5


def test_cranking_dips_the_source() -> None:
    """To about 9.5 V, as a starter does; the key left on the circuit awake."""
    circuit = steady("tailgate-lamp")
    assert levels(circuit, [("key", "on")]) == pytest.approx((12.6, 12.6), abs=0.05)
    assert levels(circuit, [("key", "crank")]) == pytest.approx((9.45, 9.45), abs=0.05)


def test_leads_in_turn_on_battery_positive_and_negative() -> None:
    for number in (1, 2):
        place = levels(steady("work-lamp"), [(f"lead {number}", "on positive")])
        assert place[number - 1] == pytest.approx(12.6, abs=0.01)
        place = levels(steady("trailer-lamp"), [(f"lead {number}", "on negative")])
        assert place[number - 1] == pytest.approx(0.0, abs=0.01)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_whatever_a_hand_does_stays_physical(data: st.DataObject) -> None:
    """No step fails, and no reading leaves the clamped span of the front end, in any order of anything."""
    circuit = data.draw(st.sampled_from(CATALOG))
    moves = [(what, to) for what, choices in circuit.controls.items() for to in choices]
    bench = Workbench(circuit, 1)
    for _ in range(data.draw(st.integers(1, 6))):
        what, to = data.draw(st.sampled_from(moves))
        kind = data.draw(st.sampled_from(list(Bias)))
        bench.operate(what, to, bench.horizon_us)
        bench.set_bias((kind, Bias.OFF), bench.horizon_us)
        begin = bench.horizon_us
        bench.run(begin + data.draw(st.integers(1, 60_000)))
        volts = bench.volts(0, np.arange(begin, bench.horizon_us, 125.0))
        assert np.isfinite(volts).all()
        bench.forget_before(begin)


def test_three_lamps_of_which_nothing_holds_the_middle_are_solved() -> None:
    """A test light to negative on the pin of a lamp whose ground is open, a neighbour beside it."""
    bench = Workbench(next(c for c in CATALOG if c.name == "parade-lamp"), 1)
    for what, to in (("lead 1", "off pin"), ("light", "negative pin 1")):
        bench.operate(what, to, bench.horizon_us)
        bench.run(bench.horizon_us + 1)
    bench.run(bench.horizon_us + 200_000)
    assert np.isfinite(bench.volts(0, np.array([float(bench.horizon_us - 1)]))).all()


def test_a_lead_hangs_in_the_air_while_a_hand_carries_it() -> None:
    circuit = steady("cabin-lamp")
    times_s = np.array([0.9, 1.0 + 0.2, 1.0 + 0.39, 1.0 + 0.45])
    to_post = filtered(circuit, [(1.0, "lead 1", "on positive")], times_s)[:, 0]
    assert to_post[1:3] == pytest.approx(0.0, abs=0.05)
    assert to_post[3] == pytest.approx(circuit.source_v, abs=0.2)
    stays = filtered(circuit, [(1.0, "lead 1", "on pin")], times_s)[:, 0]
    assert stays == pytest.approx(stays[0], abs=0.01), "where it is already, nothing lifts it"
