"""Bias levels in ngspice on a free lead, ground, feed and 1 kohm, against what the host reckons with."""

from __future__ import annotations

import numpy as np
import pytest

from daq import floating
from tests.board.bench import on_wires
from tests.board.circuit import BIASES, State
from tests.physics.spice import Transient, operating_points, transient

# (bias, what lead 1 is on) -> V at the logger's end of the lead, and how near.
LEVELS = {
    ("off", "free"): (0.0, 0.05),
    ("off", "ground"): (0.0, 0.001),
    ("off", "feed"): (12.6, 0.01),
    ("off", "1 kohm"): (0.0, 0.002),
    ("whisper", "free"): (2.62, 0.1),  # daq/floating.py: 5 V * 1.1 / 2.1
    ("whisper", "ground"): (0.0, 0.001),
    ("whisper", "feed"): (12.6, 0.01),
    ("whisper", "1 kohm"): (0.0, 0.01),  # harmless: millivolts
    ("up", "free"): (4.62, 0.1),  # daq/circuit.py: 5 V less a junction at microamperes
    ("up", "ground"): (0.02, 0.01),  # 0.44 mA in the 52 ohm of the lead
    ("up", "feed"): (12.6, 0.01),
    ("up", "1 kohm"): (0.45, 0.04),  # 5 V * 1 / 11, less the junction
    ("down", "free"): (0.0, 0.05),
    ("down", "ground"): (0.0, 0.001),
    ("down", "feed"): (12.53, 0.02),  # 1.2 mA in the 52 ohm of the lead
    ("down", "1 kohm"): (0.0, 0.002),
}
ON = {"free": (0.0, 1e12), "ground": (0.0, 1e-3), "feed": (12.6, 1e-3), "1 kohm": (0.0, 1e3)}


def levels(bias: str) -> dict[str, float]:
    net = on_wires(State(bias=(bias, "off")), "vfeed post 0 0\nrfeed post wire1 1\nv2 wire2 0 0")
    settings = [{"vfeed": volts, "rfeed": ohm} for volts, ohm in ON.values()]
    found = operating_points(net, ["in1", "lg"], settings)
    return dict(zip(ON, found[:, 0] - found[:, 1], strict=True))


@pytest.mark.parametrize("bias", BIASES)
def test_levels(bias: str) -> None:
    for place, volts in levels(bias).items():
        expected, near = LEVELS[bias, place]
        assert volts == pytest.approx(expected, abs=near), f"{bias} on {place}"


def test_a_free_lead_whispers_within_the_host_s_band_whatever_usb_gives() -> None:
    low, high = (band / 1e6 for band in floating.FREE_BAND_UV)
    for supply_v in (4.5, 4.75, 5.25):
        net = on_wires(State(bias=("whisper", "off"), supply_v=supply_v), "rfree wire1 0 1e12\nv2 wire2 0 0")
        free = operating_points(net, ["wire1"], [{}, {"r123": 820e3 * 1.01}, {"r123": 820e3 * 0.99}])
        assert low < free.min()
        assert free.max() < high


def test_bias_on_one_lead_leaves_the_other_alone() -> None:
    for bias in BIASES:
        net = on_wires(State(bias=(bias, "off")), "v1 wire1 0 0\nv2 wire2 0 12.6")
        found = operating_points(net, ["adc2", "lg"], [{}])[0]
        quiet = operating_points(on_wires(State(), "v1 wire1 0 0\nv2 wire2 0 12.6"), ["adc2", "lg"], [{}])[0]
        assert (found[0] - found[1]) - (quiet[0] - quiet[1]) == pytest.approx(0, abs=1e-3)


def test_no_bias_while_the_chip_is_in_reset() -> None:
    """Port pins float then and leak 1 uA at most (data sheet, from memory); a free lead must not move."""
    floating_port = "\n".join(f"ileak{pin} 0 {pin} 1u" for pin in ("up1", "down1", "whisper1"))
    net = on_wires(State(), f"rfree wire1 0 1e12\nv2 wire2 0 0\n{floating_port}")
    settings = [{f"rpinPD{n}": 1e12 for n in range(2, 8)}]
    assert abs(operating_points(net, ["wire1"], settings)[0, 0]) < 0.05


def test_a_free_lead_falls_in_time_when_the_whisper_goes() -> None:
    """daq/probe.py waits for 1 ms; two metres of lead are 200 pF (tests/physics/frontend.py)."""
    net = on_wires(State(), "cfree wire1 0 200p ic=2.67\nrfree wire1 0 1e12\nv2 wire2 0 0")
    net = net.replace("vpinPD2 dPD2 lg 0.0", "vpinPD2 dPD2 lg pwl(0 5 2m 5 2.001m 0)")
    waves = transient(Transient(net, 5e-3, 2e-5, ("adc1", "lg")))
    pin = waves.at("adc1", np.array([1.9e-3, 3.2e-3, 5e-3]))
    assert pin[0] - pin[2] > 0.25
    assert pin[1] - pin[2] < 0.1 * (pin[0] - pin[2])
