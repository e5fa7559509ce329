"""What kind of load it is: ngspice's filaments, coils, motors and resistors, switched by hand.

The laws behind: i = V/R (1 - exp(-t R/L)) in a coil, a freewheeling diode's 0.7 V (textbook); a filament's
resistance follows T^1.21 (CRC/Jones, see tests/physics/loads.py); a coasting motor is a generator.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.analysis.volts import analyse
from tests.physics.draws import Draw
from tests.physics.frontend import Converter
from tests.physics.harness import Place, Wire
from tests.physics.loads import Coil, Lamp, Leds, Load, Motor, Resistor
from tests.physics.recordings import Plan, Recording, record
from tests.physics.skeleton import switched
from tests.physics.supply import Supply
from tests.physics.switches import Contact, Pulse, Switch, Transistor
from tests.physics.timeline import Spans

WORKED: Spans = ((0.4, 0.9), (1.4, 1.9), (2.4, 2.9))
MOSFET = Transistor(closed_ohm=0.01, load_a=3.0, travel_s=2e-5)


def planned(load: Load, side: str, switch: Switch = MOSFET, spans: Spans = WORKED, ohm: float = 0.02) -> Plan:
    """A load switched on `side`; each wire has `ohm`."""
    plan = switched(
        Draw.new(np.random.default_rng(21)),
        "load kind",
        side,
        load,
        switch,
        spans,
        3.4,
        Converter(4000.0),
        Supply(12.0, 12.6),
    )
    return replace(plan, harness=replace(plan.harness, feed=Wire(ohm), ground=Wire(ohm / 2), pulls=()))


def kind_of(plan: Plan) -> str:
    answer = record([("load", plan, np.random.default_rng(5))])[0]
    assert isinstance(answer, Recording)
    return str(analyse(answer.volts, plan.converter.rate_hz)["load_kind"])


@pytest.mark.parametrize("side", ["low", "high"])
@pytest.mark.parametrize(
    ("load", "kind"),
    [
        (Lamp(13.5, 21.0), "lamp"),
        (Lamp(13.5, 55.0, heat_s=0.12), "lamp"),
        (Coil(85.0, 0.3, "diode"), "coil with clamp"),
        (Coil(6.0, 0.01, "diode"), "coil with clamp"),
        (Coil(85.0, 0.3, "none"), "coil"),
        (Coil(14.0, 0.01, "resistor", clamp_ohm=120.0), "coil"),
        (Motor(0.8, 5e-4, 10.5, 2.0, 0.1), "motor"),
        (Resistor(3.0), "resistive"),
    ],
    ids=["lamp", "headlamp", "relay", "valve", "bare coil", "coil with resistor", "motor", "heater"],
)
def test_each_kind_is_called_by_its_name(load: Load, kind: str, side: str) -> None:
    assert kind_of(planned(load, side)) == kind


def test_a_lamp_behind_a_bad_wire_is_a_lamp() -> None:
    """It warms slowly, and while still warm from before keeps its surge for longer: no motor."""
    assert kind_of(planned(Lamp(13.5, 55.0), "low", ohm=0.4)) == "lamp"


@pytest.mark.parametrize("side", ["low", "high"])
def test_a_motor_that_is_braked_is_a_motor(side: str) -> None:
    """Shorted when off, as by a wiper's park contact: no coasting, but a current that dies away."""
    plan = planned(Motor(0.8, 5e-4, 10.5, 2.0, 0.15), side, Contact(0.01), ohm=0.03)
    rests = ((-1.0, 0.399), (0.901, 1.399), (1.901, 2.399), (2.901, 9.0))
    brake = Place(Contact(0.01), rests)
    harness = replace(plan.harness, low_f=brake) if side == "high" else replace(plan.harness, high_g=brake)
    assert kind_of(replace(plan, harness=harness)) == "motor"


@pytest.mark.parametrize("farad", [0.0, 1e-6, 5e-5])
def test_an_indicator_is_neither_motor_nor_coil(farad: float) -> None:
    """Its capacitor falls to the voltage of its diodes, fastest at first."""
    leds = Leds(3, 2.0, 0.02, 330.0, 2, farad)
    assert kind_of(planned(leds, "low")) in ("unknown", "resistive")
    assert kind_of(planned(leds, "high")) in ("unknown", "resistive")


def test_a_slow_driver_makes_no_lamp_of_a_heater() -> None:
    slow = replace(MOSFET, travel_s=0.04)
    assert kind_of(planned(Resistor(3.0), "high", slow)) in ("unknown", "resistive")


def test_nothing_is_said_where_nothing_could_show() -> None:
    """A load of 1 kilohm: a filament's surge along these wires would be lost in the noise."""
    assert kind_of(planned(Resistor(1000.0), "low", ohm=0.005)) == "unknown"


def pulsed(load: Load, side: str, hertz: float, until: float) -> Plan:
    plan = planned(load, side, spans=((0.3, until),))
    places = {name: getattr(plan.harness, name) for name in ("high_f", "low_g")}
    driven = {n: replace(p, pulse=Pulse(hertz, 0.5)) for n, p in places.items() if p is not None}
    return replace(plan, harness=replace(plan.harness, **driven))


VALVE = Coil(25.0, 0.08, "diode")
BLOWER = Motor(1.1, 8e-4, 9.0, 1.5, 0.12)


@pytest.mark.parametrize("side", ["low", "high"])
@pytest.mark.parametrize(
    ("load", "hertz", "kind"),
    [(VALVE, 25.0, "coil with clamp"), (BLOWER, 70.0, "motor"), (BLOWER, 150.0, "motor")],
    ids=["valve", "blower", "blower 150"],
)
def test_the_pauses_of_pulses_tell_a_coil_from_a_motor(
    load: Load, hertz: float, kind: str, side: str
) -> None:
    """After its kick a motor shows a voltage of its own, a coil none."""
    assert kind_of(pulsed(load, side, hertz, 9.0)) == kind


def test_current_that_goes_round_through_every_pause_is_told_by_its_end() -> None:
    """At 200 Hz the valve's current never stops: what the diode holds might as well be a motor."""
    assert kind_of(pulsed(VALVE, "low", 200.0, 9.0)) == "unknown"
    assert kind_of(pulsed(VALVE, "low", 200.0, 2.0)) == "coil with clamp"
