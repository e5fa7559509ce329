"""Ripple on the supply hides no switching, whatever makes it, and is no pulsing of the load.

The table is arithmetic: a source that ripples, a load of 6 ohm, its wires, and the front end's low-pass in
closed form. What a neighbour's pulses and a horn's own contact do to wires is ngspice's answer. Depths and
frequencies: ISO 16750-2 superimposes up to 4 V peak to peak from 50 Hz on a charging supply (from memory);
pulsing solar chargers and dimmers work at 30 to 300 Hz (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import lfilter

from tests.analysis.volts import analyse
from tests.analysis.waves import Volts, levels, rounded
from tests.physics.frontend import Clips, Converter, FrontEnd
from tests.physics.loads import Beating, Coil, Load, Resistor
from tests.physics.netlist import Netlist
from tests.physics.spice import Transient, transient
from tests.physics.switches import Contact, Pulse, Transistor

Times = npt.NDArray[np.float64]

RATE = 2000.0
SECONDS = 2.6
SWITCHED = ((0.311, 0.798), (1.205, 1.303), (1.702, 2.249))  # s, on
SHAPES = {
    "pulses": lambda phase: (phase < 0.5) * 1.0,
    "narrow": lambda phase: (phase < 0.15) * 1.0,
    "sawtooth": lambda phase: phase,
    "sine": lambda phase: 0.5 - 0.5 * np.cos(2 * np.pi * phase),
}


def filtered(volts: Volts, seed: int = 1) -> Volts:
    """As the front end shows it: a low-pass at 1 kHz, noise, 10 bits."""
    share = 1 - math.exp(-2 * math.pi * 1000 / RATE)
    shown, _ = lfilter([share], [1, share - 1], volts, axis=0, zi=(1 - share) * volts[:1])
    return rounded(shown + np.random.default_rng(seed).normal(0, 0.02, volts.shape))


def switched(side: str, source: Times, spans: tuple[tuple[float, float], ...] = SWITCHED) -> Volts:
    """Both leads of a 6 ohm load with 0.05 ohm in its feed and in its ground, on in `spans`."""
    t = np.arange(len(source)) / RATE
    on = np.any([(t >= a) & (t < b) for a, b in spans], axis=0)
    feed, ground = source * 6.05 / 6.1, source * 0.05 / 6.1
    if side == "low":
        return np.stack([np.where(on, feed, source), np.where(on, ground, source)], axis=1)
    return np.stack([np.where(on, feed, 0.0), np.where(on, ground, 0.0)], axis=1)


def rippled(volts: float, depth_v: float, hertz: float, shape: str, seconds: float = SECONDS) -> Times:
    t = np.arange(round(seconds * RATE)) / RATE
    return np.asarray(volts - depth_v * SHAPES[shape](t * hertz % 1))


@pytest.mark.parametrize("side", ["low", "high"])
@pytest.mark.parametrize("shape", list(SHAPES))
@pytest.mark.parametrize(
    ("source", "depth", "hertz"),
    [
        (12.6, 0.35, 100),
        (12.6, 0.5, 30),
        (13.8, 1.0, 150),
        (14.6, 1.9, 50),
        (12.6, 0.6, 300),
        (25.2, 1.0, 100),
        (28.0, 3.5, 70),
    ],
)
def test_a_switching_is_seen_through_ripple(
    side: str, shape: str, source: float, depth: float, hertz: float
) -> None:
    found = analyse(filtered(switched(side, rippled(source, depth, hertz, shape))), RATE)
    assert (found["side"], found["control_lead"]) == (side, {"low": 2, "high": 1}[side])
    assert [e["t_s"] for e in found["edges"]] == pytest.approx(
        [at for span in SWITCHED for at in span], abs=0.001
    )
    assert [e["state"] for e in found["edges"]] == ["on", "off"] * 3
    assert found["initial_state"] == "off"
    assert found["pwm"] is None
    assert source - depth < found["source_v"] < source + 0.1
    assert found["events"] == []


@pytest.mark.parametrize("side", ["low", "high"])
def test_ripple_that_begins_later_hides_nothing(side: str) -> None:
    source = rippled(12.6, 0.6, 100, "pulses")
    source[: round(1.25 * RATE)] = 12.6
    found = analyse(filtered(switched(side, source)), RATE)
    assert found["side"] == side
    assert len(found["edges"]) == 6


def test_a_gap_amid_ripple_is_a_dropout() -> None:
    """4 ms without feed while on and while a solar charger pulses the battery."""
    source = rippled(14.6, 1.5, 50, "pulses", 3.0)
    volts = switched("low", source, ((0.4, 1.0), (1.4, 2.5)))
    lost = (np.arange(len(volts)) / RATE >= 1.9) & (np.arange(len(volts)) / RATE < 1.904)
    volts[lost] = 0.0
    found = analyse(filtered(volts), RATE)
    assert found["side"] == "low"
    assert len(found["edges"]) == 4
    (event,) = found["events"]
    assert event["kind"] == "feed dropout"
    assert event["t_s"] == pytest.approx(1.9, abs=0.001)


def test_neighbours_on_both_wires_are_no_switching_at_both_ends() -> None:
    """On throughout; 20 Hz that pull the feed down and lift the ground by 1.5 V each."""
    draws = SHAPES["pulses"](np.arange(round(3 * RATE)) / RATE * 20 % 1)
    on = switched("low", np.full(len(draws), 12.6), ((-1.0, 9.0),))
    found = analyse(filtered(on + 1.5 * np.stack([-draws, draws], axis=1)), RATE)
    assert found["side"] == "undetermined"
    assert found["edges"] == []


def test_lights_that_keep_two_thirds_are_pulsed_all_the_same() -> None:
    """A string of diodes rests at 8.4 V of 12.6: that is no ripple."""
    one = [(0.005, 12.5, 0.1), (0.005, 12.6, 4.2)]
    found = analyse(levels([(0.4, 12.6, 4.2), *one * 80, (0.4, 12.6, 4.2)], RATE), RATE)
    assert found["pwm"]["frequency_hz"] == pytest.approx(100, rel=0.001)


def solved(side: str, load: Load, neighbour: bool, seconds: float = SECONDS) -> Volts:
    """The load switched by a contact, beside a 20 A neighbour at 45 Hz on the same feed wire, by ngspice."""
    net = Netlist()
    net.volts("emf", "0", 12.8)
    net.resistor("emf", "feed", 0.04)
    if neighbour:
        net.resistor("feed", "beside", 0.6)
        Transistor().attach(net, "beside", "0", ((-1.0, math.inf),), Pulse(45.0, 0.5))
    contact = Contact()
    if side == "low":
        net.resistor("feed", "f", 0.03)
        contact.attach(net, "g", "0", SWITCHED)
    else:
        contact.attach(net, "feed", "f", SWITCHED)
        net.resistor("g", "0", 0.03)
    load.attach(net, "f", "g")
    for pin in ("f", "g"):
        net.capacitor(pin, "0", 3e-10)
        net.resistor(pin, "0", 1e10)
    FrontEnd().attach(net, "f", "g", Clips())
    waves = transient(Transient(net.text(), seconds, 2e-3, ("shown1", "shown2")))
    t = np.arange(round(seconds * RATE)) / RATE
    shown = np.stack([waves.at("shown1", t), waves.at("shown2", t)], axis=1)
    return Converter(rate_hz=RATE).sample(shown, np.random.default_rng(1))


@pytest.mark.parametrize(
    ("side", "load", "neighbour"),
    [
        ("low", Resistor(6.0), True),
        ("high", Resistor(6.0), True),
        ("low", Coil(1.0, 2e-3), True),
        ("high", Beating(Coil(1.0, 2e-3), 110.0, 0.5), False),
        ("low", Beating(Coil(1.0, 2e-3), 110.0, 0.5), False),
    ],
)
def test_ripple_as_wires_make_it(side: str, load: Load, neighbour: bool) -> None:
    found = analyse(solved(side, load, neighbour), RATE)
    assert found["side"] == side
    assert [e["state"] for e in found["edges"]] == ["on", "off"] * 3
    expected = [at for span in SWITCHED for at in span]
    assert [e["t_s"] for e in found["edges"]] == pytest.approx(expected, abs=0.0015)
    assert found["pwm"] is None
