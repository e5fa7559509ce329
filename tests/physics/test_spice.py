"""ngspice is trusted only after it has answered questions whose answers are printed in books."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.physics.netlist import Netlist
from tests.physics.spice import (
    NoSimulatorError,
    Transient,
    UnsolvedError,
    at_rest,
    executable,
    operating_points,
    transient,
    transients,
)


def test_node_voltages_of_a_ladder() -> None:
    """16 V, all resistors 1 ohm: 6 V and 2 V (Ulaby & Maharbiz, Circuits, P3.4; values from its solution)."""
    net = "v1 s 0 16\nr1 s a 1\nr2 a 0 1\nr3 a b 1\nr4 b 0 1\nr5 b 0 1"
    assert operating_points(net, ["a", "b"], [{}])[0] == pytest.approx([6.0, 2.0], abs=1e-6)


def test_many_circuits_in_one_process_are_each_solved_or_named() -> None:
    """Dividers: 12 V over 2 and 1 ohm is 4 V at the tap, 9 V over two alike 4.5 V; the middle is none."""
    good = "v1 s 0 12\nr1 s a 2\nr2 a 0 1", "v1 s 0 9\nr1 s a 5\nr2 a 0 5"
    for bad in ("v1 s 0 1\nv2 s 0 2\nr1 s a 1", "v1 s 0 {\nr1 s a 1", "v1 s 0 1\nb1 a 0 v=1/0\nr1 s 0 1"):
        found = at_rest([(net, ["a", "s"]) for net in (good[0], bad, good[1])])
        assert isinstance(found[1], UnsolvedError), bad
        assert [found[0], found[2]] == [pytest.approx([4.0, 12.0]), pytest.approx([4.5, 9.0])]


def test_node_voltages_of_two_current_sources() -> None:
    """1 A and 3 A into 2, 10 and 3 ohm: 2.933 and 7.6 V (textbook solution page)."""
    net = "i1 0 a 1\ni2 0 b 3\nr1 a 0 2\nr2 a b 10\nr3 b 0 3"
    assert operating_points(net, ["a", "b"], [{}])[0] == pytest.approx([44 / 15, 7.6], abs=1e-6)


def test_meter_loads_what_it_measures() -> None:
    """6 V over 1 k and 2 k: a meter of 1 M, 10 k, 667 ohm reads 3.997, 3.750, 2.0 V; ideal 4 V (textbook)."""
    net = "v1 s 0 6\nr1 s a 1k\nr2 a 0 2k\nrm a 0 1e12"
    read = operating_points(net, ["a"], [{"rm": r} for r in (1e12, 1e6, 1e4, 666.6667)])[:, 0]
    assert read == pytest.approx([4.0, 3.9973, 3.75, 2.0], abs=2e-4)


def test_ten_megohm_meter_behind_a_resistance() -> None:
    """Source 10 k, 100 k, 1 M: -0.10, -0.99, -9.09 % (divider formula)."""
    settings = [{"rs": r} for r in (1e4, 1e5, 1e6)]
    read = operating_points("v1 s 0 1\nrs s a 1k\nrm a 0 10meg", ["a"], settings)[:, 0]
    assert (read - 1) * 100 == pytest.approx([-0.0999, -0.990, -9.091], abs=1e-3)


def test_settings_stay_until_changed_again() -> None:
    net = "v1 s 0 10\nr1 s a 1k\nr2 a 0 1k"
    read = operating_points(net, ["a"], [{"r2": 3e3}, {}, {"v1": 20.0, "r2": 1e3}])[:, 0]
    assert read == pytest.approx([7.5, 7.5, 10.0], abs=1e-6)


def test_capacitor_charges_as_the_textbook_says() -> None:
    """v = V (1 - exp(-t/RC)), and 10 to 90 % takes RC ln 9 (first-order formula)."""
    tau = 1e-3
    net = "v1 s 0 pwl(0 0 1m 0 1.000001m 10)\nr1 s a 1k\nc1 a 0 1u"
    waves = transient(Transient(net, 8e-3, 2e-5, ("a",)))
    times = 1e-3 + np.array([0.5, 1.0, 2.0, 4.0]) * tau
    assert waves.at("a", times) == pytest.approx(10 * (1 - np.exp(-(times - 1e-3) / tau)), abs=0.01)
    t10, t90 = np.interp([1.0, 9.0], waves["a"], waves.time_s)
    assert t90 - t10 == pytest.approx(tau * math.log(9), rel=2e-3)


def test_coil_current_and_energy() -> None:
    """12 V, 4 ohm, 6 mH: 3 A and 27 mJ; 63.2 % of it after L/R (textbook example)."""
    net = "v1 s 0 pwl(0 0 1u 12)\nvs s x 0\nr1 x a 4\nl1 a 0 6m"
    waves = transient(Transient(net, 15e-3, 2e-5, ("i(vs)",)))
    current = waves["i(vs)"]
    assert current[-1] == pytest.approx(3.0, rel=1e-3)
    assert 0.5 * 6e-3 * current[-1] ** 2 == pytest.approx(27e-3, rel=2e-3)
    assert waves.at("i(vs)", np.array([1.5e-3]))[0] == pytest.approx(3 * (1 - math.exp(-1)), rel=3e-3)


def test_smooth_switch_conducts_and_isolates() -> None:
    """Closed: its resistance; open: less than the leads can see."""
    net = Netlist()
    net.volts("s", "0", 12.0)
    net.conductance("s", "a", [(0.0, math.log(2e-11)), (1e-3, math.log(2e-11)), (1.01e-3, math.log(10.0))])
    net.resistor("a", "0", 5.9)
    waves = transient(Transient(net.text(), 3e-3, 1e-4, ("a",)))
    assert abs(waves["a"][0]) < 1e-8
    assert waves["a"][-1] == pytest.approx(12 * 5.9 / 6.0, rel=1e-4)


def test_one_failed_circuit_leaves_the_others_alone() -> None:
    good = Transient("v1 a 0 1\nr1 a 0 1", 1e-3, 1e-4, ("a",))
    broken = Transient("v1 a 0 1\nr1 a 0 nonsense(", 1e-3, 1e-4, ("a",))
    first, second, third = transients([good, broken, good])
    assert isinstance(second, UnsolvedError)
    assert not isinstance(first, UnsolvedError)
    assert not isinstance(third, UnsolvedError)
    assert third["a"][-1] == pytest.approx(1.0)


def test_missing_simulator_is_a_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    with pytest.raises(NoSimulatorError, match="apt-get install ngspice"):
        executable()
