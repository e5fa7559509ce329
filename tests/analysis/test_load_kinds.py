"""What kind of load it is: ngspice's filaments, coils, motors and resistors, switched by hand.

The laws behind: i = V/R (1 - exp(-t R/L)) in a coil, a freewheeling diode's 0.7 V (textbook); a filament's
resistance follows T^1.21 (CRC/Jones, see tests/physics/loads.py); a coasting motor is a generator.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daq.findings import LoadKind
from daq.labels import Scale
from daq.response import WINDOWS, Response
from daq.waveform import Answers, kind_of_load
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

WORKED: Spans = ((0.3, 0.7), (1.1, 1.5), (1.9, 2.3))
MOSFET = Transistor(closed_ohm=0.01, load_a=3.0, travel_s=2e-5)


def planned(
    load: Load,
    side: str,
    switch: Switch = MOSFET,
    spans: Spans = WORKED,
    ohm: float = 0.02,
    length_s: float = 2.7,
) -> Plan:
    """A load switched on `side`; each wire has `ohm`."""
    plan = switched(
        Draw.new(np.random.default_rng(21)),
        "load kind",
        side,
        load,
        switch,
        spans,
        length_s,
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
    assert kind_of(planned(Lamp(13.5, 55.0), "low", ohm=0.4)) == "lamp"


def answer(levels_v: list[float]) -> Response:
    volts = np.array([*levels_v, *[levels_v[-1]] * (WINDOWS - len(levels_v))])
    return Response(1e6 * volts, np.full(WINDOWS, 40.0), 1e6 * levels_v[-1], None)


def test_the_coldest_start_shows_the_lamp() -> None:
    """Warm from before, a big lamp behind a bad wire keeps 85 % of its surge for 15 ms: as a motor would."""
    cold = answer([7.0, 7.4, 8.1, 9.1, 10.2, 11.2, 12.0])
    warm = answer([11.27, 11.33, 11.36, 11.43, 11.58, 11.77, 12.0])
    released = answer([0.0] * WINDOWS)
    makes = Answers([cold, warm, warm], [released] * 3, [0.07e6] * 3)
    assert kind_of_load(makes, [], Scale(12.6e6, 12e6), False, 4000.0) is LoadKind.LAMP
    only_warm = Answers([warm, warm, warm], [released] * 3, [0.07e6] * 3)
    assert kind_of_load(only_warm, [], Scale(12.6e6, 12e6), False, 4000.0) is LoadKind.UNKNOWN


@pytest.mark.parametrize("side", ["low", "high"])
def test_a_motor_that_is_braked_is_a_motor(side: str) -> None:
    """Shorted when off, as by a wiper's park contact: no coasting, but a current that dies away."""
    plan = planned(Motor(0.8, 5e-4, 10.5, 2.0, 0.15), side, Contact(0.01), ohm=0.03)
    rests = ((-1.0, 0.299), (0.701, 1.099), (1.501, 1.899), (2.301, 9.0))
    brake = Place(Contact(0.01), rests)
    harness = replace(plan.harness, low_f=brake) if side == "high" else replace(plan.harness, high_g=brake)
    assert kind_of(replace(plan, harness=harness)) == "motor"


@pytest.mark.parametrize("farad", [0.0, 1e-6, 5e-5])
def test_an_indicator_is_neither_motor_nor_coil(farad: float) -> None:
    """Its capacitor falls to the voltage of its diodes, fastest at first."""
    leds = Leds(3, 2.0, 0.02, 330.0, 2, farad)
    assert kind_of(planned(leds, "low")) in ("unknown", "resistive")
    assert kind_of(planned(leds, "high")) in ("unknown", "resistive")


@pytest.mark.parametrize("travel_s", [0.04, 0.25])
def test_a_slow_driver_makes_no_lamp_of_a_heater(travel_s: float) -> None:
    """Its voltage takes as long to go as it took to come: no filament's does."""
    slow = replace(MOSFET, travel_s=travel_s)
    assert kind_of(planned(Resistor(3.0), "high", slow)) in ("unknown", "resistive")


def test_nothing_is_said_where_nothing_could_show() -> None:
    """A load of 1 kilohm: a filament's surge along these wires would be lost in the noise."""
    assert kind_of(planned(Resistor(1000.0), "low", ohm=0.005)) == "unknown"


def pulsed(load: Load, side: str, hertz: float, until: float) -> Plan:
    plan = planned(load, side, spans=((0.2, until),), length_s=1.5)
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
    assert kind_of(pulsed(VALVE, "low", 200.0, 1.0)) == "coil with clamp"


def test_a_lamp_that_flashes_is_still_warm_and_still_a_lamp() -> None:
    """Off for 0.3 s at a time its surge is small and lasts: half of it is left after 15 ms."""
    flashes = tuple((0.3 + 0.65 * n, 0.65 + 0.65 * n) for n in range(4))
    assert kind_of(planned(Lamp(13.5, 60.0, heat_s=0.12), "high", spans=flashes)) == "lamp"


def test_a_bouncing_contact_hides_nothing() -> None:
    bouncing = Contact(0.01, bounce_s=4e-3)
    assert kind_of(planned(Lamp(13.5, 21.0), "low", bouncing)) == "lamp"
    assert kind_of(planned(Coil(85.0, 0.3, "diode"), "low", bouncing)) == "coil with clamp"
    assert kind_of(planned(Resistor(3.0), "high", bouncing)) == "resistive"
