"""The whole circuit against Ohm's law and the front end's own formulas."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.physics import circuits
from tests.physics.draws import Draw
from tests.physics.frontend import Clips, Converter
from tests.physics.harness import Harness, Place, Wire
from tests.physics.loads import Resistor
from tests.physics.recordings import Plan, Recording, longest_step, record
from tests.physics.skeleton import switched
from tests.physics.spice import Transient, Waves, transient
from tests.physics.supply import Dip, Supply
from tests.physics.switches import Contact, Pulse

NODES = ("pinf", "ping", "post", "shown1", "shown2")
ON_AT_10_MS = ((0.01, math.inf),)


def solved(harness: Harness, stop_s: float) -> Waves:
    return transient(Transient(harness.netlist(), stop_s, 5e-5, NODES))


def plain(side: str = "low", **changes: object) -> Harness:
    """12 V, 6 ohm, feed 0.3 ohm in all, ground 0.2 ohm in all, on at 10 ms."""
    place = Place(Contact(0.01), ON_AT_10_MS)
    harness = Harness(
        Supply(12.0, 12.0, inner_ohm=0.02),
        Resistor(6.0),
        high_f=place if side == "high" else None,
        low_g=place if side == "low" else None,
        shared_feed=Wire(0.05),
        feed=Wire(0.23),
        ground=Wire(0.15),
        shared_ground=Wire(0.039),
        strap_ohm=0.001,
    )
    return replace(harness, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("side", ["low", "high"])
def test_drops_follow_ohms_law(side: str) -> None:
    on = solved(plain(side), 0.03).values[-1]
    amps = 12.0 / (0.02 + 0.05 + 0.23 + 6.0 + 0.15 + 0.039 + 0.001 + 0.012)
    feed, ground = (0.3 + 0.002, 0.19 + 0.01) if side == "low" else (0.3 + 0.01, 0.19 + 0.002)
    assert on[0] == pytest.approx(12.0 - amps * feed, abs=2e-3)
    assert on[1] == pytest.approx(amps * ground, abs=2e-3)


@pytest.mark.parametrize(("side", "rest"), [("low", 12.0), ("high", 0.0)])
def test_off_levels_tell_the_side(side: str, rest: float) -> None:
    off = solved(plain(side), 0.03).values[0]
    assert off[:2] == pytest.approx([rest, rest], abs=1e-3)


def test_lost_reference_reads_half_the_load_voltage() -> None:
    """Two equal input resistances in series across the load: plus and minus half of it."""
    waves = solved(plain(clips=Clips(reference=())), 0.03)
    across = waves["pinf"][-1] - waves["ping"][-1]
    assert waves["shown1"][-1] == pytest.approx(across / 2, rel=0.01)
    assert waves["shown2"][-1] == pytest.approx(-across / 2, rel=0.01)
    assert abs(waves["shown1"][0]) < 0.01


def test_free_lead_reads_nothing() -> None:
    waves = solved(plain(leads_on=("nothing", "ping")), 0.03)
    assert np.abs(waves["shown1"]).max() < 0.01
    assert waves["shown2"][0] == pytest.approx(12.0, abs=0.01)


def test_filter_shrinks_a_short_gap() -> None:
    """A gap of d reaches 1 - exp(-d / RC) of its depth behind one pole of 1 kHz (first-order formula)."""
    gap = 2.5e-4
    wire = Wire(0.23, ((0.02, 0.02 + gap),), travel_s=1e-6)
    waves = solved(plain(feed=wire), 0.03)
    settled = waves.at("shown1", np.array([0.0199]))[0]
    lowest = waves["shown1"][(waves.time_s > 0.0199) & (waves.time_s < 0.022)].min()
    assert 1 - lowest / settled == pytest.approx(1 - math.exp(-gap * 2 * math.pi * 1000), abs=0.02)


def test_starting_profile_reaches_its_levels() -> None:
    """12 V level I: 8 V for 15 ms, then 9.5 V (ISO 16750-2 as quoted in generator files)."""
    dip = Dip(0.1, 0.6, 8.0, 9.5, 0.015, 0.0, 2.0)
    waves = solved(plain(supply=Supply(12.0, 12.0, dips=(dip,)), high_f=None, low_g=None), 0.9)
    post = waves.at("post", np.array([0.05, 0.115, 0.4, 0.85]))
    assert post == pytest.approx([11.98, 7.99, 9.48, 11.98], abs=0.03)


def recorded(plan: Plan) -> Recording:
    (answer,) = record([("test", plan, np.random.default_rng(1))])
    assert isinstance(answer, Recording)
    return answer


def test_pulsed_stretch_ends_with_its_last_pulse() -> None:
    """10 pulses a second, a fifth of a period on, from 0.15 to 0.55 s: the last one ends at 0.52 s."""
    draw = Draw(np.random.default_rng(7))
    pulse = Pulse(10.0, 0.2)
    plan = switched(
        draw, "pulsed", "high", Resistor(6.0), Contact(0.01), ((0.15, 0.55),), 1.0, Converter(), pulse=pulse
    )
    pulsed = circuits.plan(1, 0, "pulsed")[0].pwm
    assert pulsed is not None
    truth = recorded(replace(plan, pwm=replace(pulsed, frequency_hz=10.0, spans=((0.15, 0.55),)))).truth
    assert [e.state for e in truth.edges] == ["on", "off"]
    assert truth.edges[0].t_s == pytest.approx(0.2, abs=1e-3)
    assert truth.edges[1].t_s == pytest.approx(0.52, abs=1e-3)


def test_bounce_is_inside_the_edge_span() -> None:
    draw = Draw(np.random.default_rng(3))
    plan = switched(
        draw, "contact", "low", Resistor(6.0), Contact(0.01, bounce_s=6e-3), ((0.3, 0.8),), 1.2, Converter()
    )
    edge = recorded(plan).truth.edges[0]
    assert edge.t_s == pytest.approx(0.3, abs=2e-4)
    assert 0.3 < edge.latest_s <= 0.3062


def test_indices_give_different_circuits() -> None:
    plans = [circuits.plan(5, i)[0] for i in range(6)]
    assert len({p.harness.netlist() for p in plans}) == 6
    assert all(longest_step(p) <= 2e-3 for p in plans)


def test_bridge_reverses() -> None:
    """Forward puts the feed pin up, reverse the other, whatever the bridge rests at."""
    for index in range(12):
        plan = circuits.plan(11, index, "reversing")[0]
        if "both ways" in plan.category:
            break
    recording = recorded(replace(plan, converter=Converter(noise_v=0.0, bits=12)))
    for begin, end in zip(recording.truth.edges, recording.truth.edges[1:], strict=False):
        if begin.state in ("forward", "reverse"):
            first, last = (int(t * 4000) for t in (0.5 * (begin.t_s + end.t_s), end.t_s - 0.005))
            across = np.median(np.diff(recording.volts[first:last], axis=1))
            assert (across < 0) == (begin.state == "forward")
