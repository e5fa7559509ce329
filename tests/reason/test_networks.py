"""Star-mesh elimination and non-linear branches against textbook circuits and closed forms; many at once."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq import circuit_network
from daq.circuit import Instrument, Setup
from daq.circuit_case import Case
from daq.circuit_network import Array, Network, solve
from daq.circuit_parts import COLD_SHARE, THERMAL_V, Filament, Junction, Load
from daq.circuit_reading import all_readings
from daq.explained import circuits
from daq.hypotheses import hypotheses
from daq.knowledge import shipped
from daq.unknowns import unaimed

ONE = (1,)


def volts(network: Network, known: dict[str, float], *wanted: str) -> list[float]:
    found = solve(network, {n: np.array([v]) for n, v in known.items()}, wanted, [], ONE)
    return [float(found[node][0]) for node in wanted]


def ladder(*ohms: tuple[str, str, float]) -> Network:
    network = Network()
    for a, b, ohm in ohms:
        network.add(a, b, 1.0 / ohm)
    return network


def test_a_network_of_equal_resistors() -> None:
    """Ulaby and Maharbiz, Circuits, problem 3.4: 16 V and 1 ohm everywhere; nodes at 6 and 2 V."""
    network = ladder(("s", "a", 1), ("a", "0", 1), ("a", "b", 1), ("b", "0", 1), ("b", "0", 1))
    assert volts(network, {"s": 16, "0": 0}, "a", "b") == pytest.approx([6.0, 2.0], rel=1e-12)


@pytest.mark.parametrize(("meter_ohm", "shown"), [(1e6, 3.997), (1e4, 3.750), (667.0, 2.0), (1e15, 4.0)])
def test_a_meter_loads_a_divider(meter_ohm: float, shown: float) -> None:
    """6 V, 1 k over 2 k, ideally 4 V: a published loading example (10 k printed as 3.749)."""
    network = ladder(("s", "x", 1e3), ("x", "0", 2e3), ("x", "0", meter_ohm))
    assert volts(network, {"s": 6, "0": 0}, "x") == pytest.approx([shown], abs=1.1e-3)


@pytest.mark.parametrize(("ohm", "error"), [(1e4, -0.0010), (1e5, -0.0099), (1e6, -0.0909)])
def test_a_meter_of_10_megohm(ohm: float, error: float) -> None:
    """-0.10, -0.99 and -9.09 %: R / (R + 10 M), computed."""
    (shown,) = volts(ladder(("s", "x", ohm), ("x", "0", 1e7)), {"s": 1, "0": 0}, "x")
    assert shown - 1 == pytest.approx(error, abs=6e-5)


def test_injected_currents() -> None:
    """1 A and 3 A into a 2, 10 and 3 ohm delta to ground: 2.933 and 7.6 V (a textbook's nodal example)."""
    network = ladder(("a", "0", 2), ("a", "b", 10), ("b", "0", 3))
    found = solve(network, {"0": np.zeros(1)}, ("a", "b"), [], ONE, {"a": np.ones(1), "b": np.full(1, 3.0)})
    by_hand = np.linalg.solve([[0.5 + 0.1, -0.1], [-0.1, 0.1 + 1 / 3]], [1.0, 3.0])
    assert [float(found[n][0]) for n in "ab"] == pytest.approx(list(by_hand), rel=1e-12)
    assert by_hand == pytest.approx([2.933, 7.6], abs=1e-3)


def test_nothing_is_lost_between_a_wire_and_a_gap() -> None:
    """1000 S beside 1e-13 S: a floating pin behind a gap follows its leak to all digits."""
    network = Network()
    network.add("s", "a", 1e3)
    network.add("a", "b", 1e-13)
    network.add("b", "0", 3e-13)
    assert volts(network, {"s": 12.0, "0": 0.0}, "b")[0] == pytest.approx(3.0, rel=1e-12)


def test_a_junction_follows_shockley() -> None:
    """5 V, 10 k and a diode to ground: v = n Vt ln(i / Is + 1) with i = (5 - v) / R, by bisection."""
    saturation, slope, ohm = 2.5e-9, 1.75 * THERMAL_V, 1e4
    low, high = 0.0, 1.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (
            (middle, high) if saturation * math.expm1(middle / slope) < (5 - middle) / ohm else (low, middle)
        )
    network = ladder(("s", "x", ohm))
    network.add("x", "0", 1e-13)
    diode = Junction("x", "0", np.array([True]), np.array([saturation]), np.array([slope]))
    found = solve(network, {"s": np.array([5.0]), "0": np.zeros(1)}, ("x",), [diode], ONE)
    assert float(found["x"][0]) == pytest.approx(low, abs=2e-6)


def test_a_filament_is_ten_times_better_cold() -> None:
    """About a tenth of the hot resistance: common practice (a textbook's flashlight bulb: 1.1 / 9.67)."""
    lamp = Filament("a", "b", np.array([True]), np.array([1 / 6.0]), np.array([12.0]))
    hot, _ = lamp.tangent(np.array([12.0]))
    cold, _ = lamp.tangent(np.array([1e-3]))
    assert float(hot[0]) == pytest.approx(2.0, rel=1e-9)
    assert 1e-3 / float(cold[0]) == pytest.approx(6.0 * COLD_SHARE, rel=0.03)
    assert pytest.approx(1.1 / 9.67, abs=0.015) == COLD_SHARE


def test_many_circuits_at_once_are_each_alone() -> None:
    rng = np.random.default_rng(3)
    ohms = np.exp(rng.uniform(np.log(0.1), np.log(1e6), (4, 50)))
    active = rng.random(50) < 0.5

    def some(pick: slice) -> Array:
        network = Network()
        for (a, b), ohm in zip((("s", "x"), ("x", "y"), ("y", "0"), ("x", "0")), ohms, strict=True):
            network.add(a, b, 1.0 / ohm[pick])
        size = len(ohms[0, pick])
        led = Junction("x", "y", active[pick], np.full(size, 1e-15), np.full(size, 0.1))
        return solve(network, {"s": 12.0, "0": 0.0}, ("y",), [led], (size,))["y"]

    together = some(slice(None))
    alone = np.concatenate([some(slice(n, n + 1)) for n in range(50)])
    assert together == pytest.approx(alone, abs=2e-6)


@pytest.mark.parametrize("few", [0, 50])
def test_branches_that_are_not_everywhere(few: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A load of any kind behind a switch that is a junction in some circuits and a gap in others."""
    monkeypatch.setattr(circuit_network, "FEW", few)
    rng = np.random.default_rng(4)
    kind, active = rng.integers(0, 3, 50), rng.random(50) < 0.5
    gap, here = np.where(active, 1e-13, 1e-3), np.ones((), dtype=np.bool_)

    def some(pick: slice) -> Array:
        size = len(kind[pick])
        network = Network()
        for a, b, siemens in (("s", "x", 2.0), ("y", "z", gap[pick]), ("z", "0", 0.1), ("x", "y", 1e-13)):
            network.add(a, b, siemens)
        led = Junction("x", "y", here, np.full(size, 1e-15), np.full(size, 0.1))
        hot = Filament("x", "y", here, np.full(size, 0.2), np.full(size, 12.0))
        load = Load("x", "y", here, led, hot, kind[pick] == 1, kind[pick] == 2)
        switch = Junction("y", "z", active[pick], np.full(size, 1e-12), np.full(size, 0.03))
        return solve(network, {"s": 28.0, "0": 0.0}, ("z",), [load, switch], (size,))["z"]

    together = some(slice(None))
    with monkeypatch.context() as alone_only:
        alone_only.setattr(circuit_network, "FEW", 0)
        alone = np.concatenate([some(slice(n, n + 1)) for n in range(50)])
    assert together == pytest.approx(alone, abs=2e-6)


def test_a_case_that_is_turned_for_some_shows_what_each_shows_alone() -> None:
    """Bias on lead 1, which is on the feed pin in some circuits and on the ground pin in others, control on:
    pulsed circuits among them."""
    k, rows = shipped(), np.arange(12)
    made = circuits(hypotheses(k)[:12], unaimed(k, 8, 12.6), k)
    up, other = (Setup(control="on", bias=bias) for bias in (("up", None), (None, "up")))
    turned, meter = rows % 3 == 1, Instrument()
    assert (made.duty < 1).any()
    (together,) = all_readings(made, [Case(up, meter, rows, other, turned)])
    plain, swapped = all_readings(made, [Case(up, meter, rows), Case(other, meter, rows)])
    for pin in ("feed", "ground"):
        alone = np.where(turned[:, None], getattr(swapped, pin), getattr(plain, pin))
        assert getattr(together, pin) == pytest.approx(alone, abs=2e-5)
    assert np.abs(plain.feed - swapped.feed).max() > 0.1


@pytest.mark.parametrize("control", ["off", "on"])
def test_the_battery_is_read_alike_alone_and_beside_the_pins(control: str) -> None:
    """The leads' input resistance is nothing to a battery; with a lost reference lead nothing is read."""
    k, meter = shipped(), Instrument()
    made = circuits(hypotheses(k), unaimed(k, 5, 12.6, 3), k)
    every = np.arange(made.shape[0])
    source, pins = (Case(Setup(control=control, at=at), meter, every) for at in ("source", None))
    (alone,) = all_readings(made, [source])
    _, beside = all_readings(made, [pins, source])
    assert np.abs(beside.place - alone.place).max() < 1e-4
    lost = [h.fault.place == "reference lead" for h in hypotheses(k)]
    assert np.abs(alone.place[lost]).max() < 0.01
    assert alone.place[np.logical_not(lost)].min() > 8


def test_explanations_that_come_twice_are_built_as_if_alone() -> None:
    k = shipped()
    shorts = [h for h in hypotheses(k) if h.fault.fault == "short to ground"][:3]
    twice = (*shorts, *hypotheses(k)[:4], *shorts)
    draws = unaimed(k, 7, 12.6, 3)
    together = circuits(twice, draws, k)
    for n, h in enumerate(twice):
        alone = circuits((h,), draws, k)
        for name in ("fuse", "high_on", "low_on", "load_s", "low_ground", "high_ground", "high_saturated"):
            mine = np.broadcast_to(getattr(together, name), together.shape)[n]
            assert np.array_equal(mine, np.broadcast_to(getattr(alone, name), alone.shape)[0]), (h, name)


def test_fuses_as_with_the_first_draw() -> None:
    """A small step of a dial does not blow a fuse that holds: slopes are those of the circuit as it is."""
    k = shipped()
    shorted = tuple(h for h in hypotheses(k) if h.fault.fault == "load shorted")
    draws = unaimed(k, 60, 12.6, 3)
    each, as_first = (circuits(shorted, draws, k, first) for first in (False, True))
    blown = [made.fuse > 1e3 for made in (each, as_first)]
    assert blown[0].any(axis=1).all()
    assert not blown[0].all(axis=1).any()
    assert np.array_equal(blown[1], np.broadcast_to(blown[0][:, :1], blown[0].shape))
