"""The circuits on the bench, by name. Invented machines, ordinary parts.

Each function puts one circuit together; what stands above it is its name, its title and its hidden truth.
Names and titles say what the load is and where, never what is to be found out, and every kind of load is
there several times: whoever practises must measure. Here healthy ones come first, then faults; what is
listed for the user mixes them.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable

from daq import bench_loads as the
from daq.bench_drives import Flicker, Set
from daq.bench_loads import Parts
from daq.bench_parts import Resistor, when
from daq.bench_rig import (
    RELAY_BOUNCE_S,
    BenchCircuit,
    Rig,
    Truth,
    feed,
    ground,
    high,
    joint,
    low,
    rig,
)
from daq.errors import CommandError

_REGISTER: list[BenchCircuit] = []

RELAY_OHM, RELAY_HENRY, RELAY_LOSS_OHM = 85, 0.2, 15e3  # 85 Ω: mini relay datasheet
WINDING = "load 1", "load 1 winding"  # its resistance: a coil's kick takes the mean voltage back to nothing


def find(name: str) -> BenchCircuit:
    """The circuit of that name; CommandError when there is none."""
    for circuit in CATALOG:
        if circuit.name == name:
            return circuit
    near = difflib.get_close_matches(name, [c.name for c in CATALOG])
    meant = f"perhaps {' or '.join(near)}; " if near else ""
    raise CommandError(
        f"There is no bench circuit called {name!r}: {meant}whichside --bench list names them all."
    )


def _circuit(name: str, title: str, truth: Truth) -> Callable[[Callable[[], Rig]], Callable[[], Rig]]:
    """Register what the function below puts together."""

    def register(build: Callable[[], Rig]) -> Callable[[], Rig]:
        _REGISTER.append(build().done(name, title, truth))
        return build

    return register


def _fused_contact(pin: int) -> Parts:
    """From battery positive over a fuse and a contact to a pin: the positive side, switched."""
    return the.wire("post", "fuse", 0.06) + the.contact("fuse", f"pin {pin}")


def _relay(a: str = "load 1", b: str = "load 2") -> Parts:
    return the.coil(a, b, RELAY_OHM, RELAY_HENRY, RELAY_LOSS_OHM)


def _beside(splice: str) -> Parts:
    """Another, brighter lamp whose ground ends at `splice`."""
    return (
        the.wire("post", "beside", 0.05)
        + the.contact("beside", "beside lamp", "neighbour")
        + the.lamp("beside lamp", splice, 42)
    )


def _changeover(number: int, to: str) -> Set:
    return Set(f"relay {number}", to, "moving", RELAY_BOUNCE_S, travel_s=0.002)


# Lamps.


@_circuit("trailer-lamp", "A lamp at the back of a trailer", low("lamp", 1))
def _() -> Rig:
    switch = the.wire("pin 2", "driver", 0.04) + the.contact("driver", "0")
    started = rig(feed(1), the.lamp("load 1", "load 2", 21), switch)
    return started.switched().along("post", "driver", "0", "0")


@_circuit("work-lamp", "A work lamp on a mower", high("lamp", 2))
def _() -> Rig:
    started = rig(_fused_contact(2), the.lamp("load 2", "load 1", 21), ground(1))
    return started.switched().along("fuse", "pin 2", "fuse", "0")


@_circuit("barn-lamp", "A lamp in a barn", high("lamp", 1))
def _() -> Rig:
    switch = the.contact("post", "switch") + the.wire("switch", "pin 1", 0.2)
    return rig(switch, the.lamp("load 1", "load 2", 21), ground(2, 0.04)).switched()


@_circuit("plate-lamp", "A number plate lamp on a caravan", high("lamp", 2))
def _() -> Rig:
    shared = the.wire("pin 1", "splice", 0.03) + the.wire("splice", "0", 0.15)
    plate = the.lamp("load 2", "load 1", 10)
    return rig(_fused_contact(2), plate, shared, _beside("splice")).switched().neighbour()


@_circuit(
    "gauge-lamps",
    "The lamps behind a boat's instruments",
    Truth("low", 1, 2, 1, "lamp", pwm=(125.0, 0.35)),
)
def _() -> Rig:
    driver = the.transistor("pin 1", "0", 0.1, 4e6, clamp_v=45)
    return rig(feed(2), the.lamp("load 2", "load 1", 5), driver).pulsed(8000, 2800)


@_circuit("tailgate-lamp", "A lamp over a tailgate", low("lamp", 1))
def _() -> Rig:
    key = Resistor("fuse", "pin 1", 0.05, when("key", "on", "crank"))
    lamp = the.lamp("load 1", "load 2", 21)
    started = rig(the.wire("post", "fuse", 0.03), [key], lamp, the.contact("pin 2", "0"))
    return started.switched().key("off").along("pin 1", "pin 2", "0", "0")


@_circuit("strip-light", "A strip light in a horse box", high("unknown", 1))
def _() -> Rig:
    rows: Parts = []
    for number in range(4):
        rows += the.wire("load 1", f"row {number}", 0.01) + the.led_string(f"row {number}", "load 2", 270, 3)
    driver = the.wire("post", "fuse", 0.08) + the.transistor("fuse", "pin 1", 0.08, 2e6, clamp_v=45)
    started = rig(driver, rows, ground(2)).looked_at("row 0", "row 0 string", 6.0)
    return started.switched(0.0).along("fuse", "pin 1", "fuse", "0")


@_circuit("cabin-lamp", "A lamp in a truck's cabin", high("lamp", 1))
def _() -> Rig:
    """Its driver, off, lets enough through to hold a wire that nothing loads near source."""
    driver = the.wire("post", "fuse", 0.06) + the.transistor("fuse", "pin 1", 0.03, 1e5, clamp_v=40)
    started = rig(driver, the.lamp("load 1", "load 2", 10), ground(2))
    return started.switched(0.0).along("fuse", "pin 1", "fuse", "0")


@_circuit("step-light", "A light under a step", low("unknown", 2))
def _() -> Rig:
    driver = the.transistor("pin 1", "0", 0.3, 3e6, clamp_v=45)
    started = rig(feed(2), the.led_string("load 2", "load 1", 150, 4), driver)
    started.looked_at("load 2", "load 2 string", 4.0)
    return started.switched(0.0).along("post", "pin 1", "0", "0")


# Coils.


@_circuit("fuse-box-relay", "A relay in a fuse box", low("coil with clamp", 1))
def _() -> Rig:
    driver = the.transistor("pin 2", "0", 0.3, 2e6, clamp_v=45)
    return rig(feed(1), _relay(), the.diode("load 2", "load 1"), driver).switched(0.0)


@_circuit("horn-relay", "A horn relay on an old tractor", low("coil", 1))
def _() -> Rig:
    return rig(feed(1, 0.1), _relay(), the.contact("pin 2", "0")).switched()


@_circuit("shed-relay", "A relay in a pump shed", high("coil", 1))
def _() -> Rig:
    return rig(_fused_contact(1), _relay(), the.wire("load 1", "load 2", 680.0), ground(2)).switched()


@_circuit("spray-valve", "A valve on a field sprayer", high("coil", 2))
def _() -> Rig:
    driver = the.wire("post", "fuse", 0.05) + the.transistor("fuse", "pin 2", 0.05, 1e6, clamp_v=40)
    return rig(driver, the.coil("load 2", "load 1", 4.0, 0.006, 2e3), ground(1, 0.03)).switched(0.0)


@_circuit("vent-valve", "A vent valve on an engine", low("coil", 2))
def _() -> Rig:
    driver = the.darlington("pin 1", "0", 3e6, clamp_v=35)
    return rig(feed(2), the.coil("load 2", "load 1", 24.0, 0.04, 5e3), driver).switched(0.0)


@_circuit("fuel-valve", "A fuel valve that ticks", Truth("low", 2, 1, 2, "coil", pwm=(1e6 / 60_000, 0.07)))
def _() -> Rig:
    driver = the.transistor("pin 2", "0", 0.2, 2e6, clamp_v=65)
    started = rig(feed(1), the.coil("load 1", "load 2", 13.5, 0.012, 3e3), driver)
    return started.looked_at(*WINDING).pulsed(60_000, 4200)


@_circuit(
    "dosing-valve", "A valve that doses fodder", Truth("high", 1, 1, 2, "coil", pwm=(1e6 / 80_000, 0.1))
)
def _() -> Rig:
    driver = the.wire("post", "fuse", 0.05) + the.transistor("fuse", "pin 1", 0.2, 1e6, clamp_v=50)
    started = rig(driver, the.coil("load 1", "load 2", 12.0, 0.01, 3e3), ground(2))
    return started.looked_at(*WINDING).pulsed(80_000, 8000)


@_circuit("boat-relay", "A windlass relay on a boat", Truth("both ends", "both", 1, 2, "coil with clamp"))
def _() -> Rig:
    """A module feeds and grounds the coil; at rest both wires float."""
    upper = the.wire("post", "fuse", 0.08) + the.contact("fuse", "pin 1", "upper")
    lower = the.contact("pin 2", "0", "lower")
    on = (
        Set("upper", "closed", "open", RELAY_BOUNCE_S),
        Set("lower", "closed", "open", RELAY_BOUNCE_S, travel_s=0.004),
    )
    off = (Set("upper", "open"), Set("lower", "open"))
    started = rig(upper, _relay(), the.diode("load 2", "load 1"), lower)
    return started.control("control", "off", {"on": on, "off": off})


# Motors and a heater.


@_circuit("radiator-fan", "A fan behind a radiator", low("motor", 1))
def _() -> Rig:
    fan = the.motor("load 1", "load 2", 0.3, 3e-4, inertia_f=1.5, drag_ohm=1.5, dry_a=0.3)
    return rig(feed(1, 0.03), fan, the.contact("pin 2", "0", gap_v=the.ARC_V)).switched(RELAY_BOUNCE_S)


@_circuit("cellar-fan", "A fan in a cellar", high("motor", 2))
def _() -> Rig:
    fan = the.motor("load 2", "load 1", 0.5, 4e-4, inertia_f=0.8, drag_ohm=2.0, dry_a=0.3)
    switch = the.wire("post", "fuse", 0.05) + the.contact("fuse", "pin 2", gap_v=the.ARC_V)
    return rig(switch, fan, ground(1, 0.03)).switched(RELAY_BOUNCE_S)


@_circuit("cabin-blower", "A cabin blower", Truth("low", 1, 2, 1, "motor", pwm=(125.0, 0.6)))
def _() -> Rig:
    blower = the.motor("load 2", "load 1", 0.4, 4e-4, inertia_f=0.25, drag_ohm=1.7, dry_a=0.0)
    driver = the.diode("pin 1", "pin 2") + the.transistor("pin 1", "0", 0.01, 1e6, clamp_v=None)
    return rig(feed(2, 0.03), blower, driver).pulsed(8000, 4800)


@_circuit("coolant-pump", "A coolant pump", Truth("high", 1, 1, 2, "motor", pwm=(400.0, 0.7)))
def _() -> Rig:
    pump = the.motor("load 1", "load 2", 0.6, 5e-4, inertia_f=0.02, drag_ohm=2.5, dry_a=0.4)
    driver = the.wire("post", "fuse", 0.02) + the.transistor("fuse", "pin 1", 0.01, 1e6, clamp_v=None)
    return rig(driver, pump, the.diode("0", "pin 1"), ground(2)).pulsed(2500, 1750)


@_circuit("window-motor", "A window motor", Truth("reversing", "both", None, None, "motor"))
def _() -> Rig:
    """Two change-over relays; at rest both ends of the motor are grounded."""
    parts = the.motor("load 1", "load 2", 1.0, 1e-3, inertia_f=0.01, drag_ohm=6.0, dry_a=1.5)
    for number in (1, 2):
        pin, relay = f"pin {number}", f"relay {number}"
        parts += the.wire("fuse", pin, 0.02, when(relay, "pulled"))
        parts += the.wire(pin, "0", 0.03, when(relay, "rest"))
        parts += [the.gap(pin, "0", when(relay, "moving"), the.ARC_V)]
    directions = {"on": ("pulled", "rest"), "other": ("rest", "pulled"), "off": ("rest", "rest")}
    choices = {to: tuple(map(_changeover, (1, 2), ends)) for to, ends in directions.items()}
    return rig(parts, the.wire("post", "fuse", 0.06)).control("control", "off", choices)


@_circuit("mirror-heater", "A mirror heater on a truck", high("resistive", 2))
def _() -> Rig:
    heater = the.wire("load 2", "load 1", 12.0)
    return rig(_fused_contact(2), heater, ground(1, 0.05), source_v=25.2).switched(RELAY_BOUNCE_S)


@_circuit("hive-heater", "A heater under a beehive", low("resistive", 2))
def _() -> Rig:
    heater = the.wire("load 2", "load 1", 8.0)
    driver = the.transistor("pin 1", "0", 0.05, 2e6, clamp_v=45)
    return rig(feed(2), heater, driver).switched(0.0)


# Faults. Their control "fault" mends them, and makes them again.


@_circuit("cargo-lamp", "A lamp in a cargo bay", low("lamp", 1, "open", "feed wire"))
def _() -> Rig:
    lamp = the.lamp("load 1", "load 2", 21)
    started = rig(joint("post", "pin 1", 0.06), lamp, the.contact("pin 2", "0"))
    return started.switched().faulty().along("post", "pin 2", "0", "0")


@_circuit("gate-lamp", "A lamp on a cattle gate", low("lamp", 1, "high resistance", "feed wire"))
def _() -> Rig:
    lamp = the.lamp("load 1", "load 2", 21)
    started = rig(joint("post", "pin 1", 0.06, 2.5), lamp, the.contact("pin 2", "0"))
    return started.switched().faulty().along("post", "pin 2", "0", "0")


@_circuit("fog-lamp", "A fog lamp", high("lamp", 2, "open", "ground wire"))
def _() -> Rig:
    lamp = the.lamp("load 2", "load 1", 21)
    started = rig(_fused_contact(2), lamp, joint("pin 1", "0", 0.03))
    return started.switched().faulty().along("fuse", "pin 2", "fuse", "0")


@_circuit("van-lamp", "A lamp at the back of a van", high("lamp", 2, "high resistance", "ground wire"))
def _() -> Rig:
    lamp = the.lamp("load 2", "load 1", 21)
    started = rig(_fused_contact(2), lamp, joint("pin 1", "0", 0.03, 2.0))
    return started.switched().faulty().along("fuse", "pin 2", "fuse", "0")


@_circuit("parade-lamp", "A marker lamp on a parade cart", high("lamp", 2, "open", "ground point"))
def _() -> Rig:
    """The neighbour, lit, feeds back through the shared ground that goes nowhere."""
    shared = the.wire("pin 1", "splice", 0.03) + joint("splice", "0", 0.03)
    side = the.lamp("load 2", "load 1", 10)
    started = rig(_fused_contact(2), side, shared, _beside("splice"))
    return started.switched().neighbour("on").faulty().along("fuse", "pin 2", "fuse", "splice")


@_circuit("stable-lamp", "A lamp in a stable", low("lamp", 1, "stuck on", "switch"))
def _() -> Rig:
    welded = Resistor("pin 2", "0", 0.02, when("joint", "bad"))
    lamp = the.lamp("load 1", "load 2", 21)
    started = rig(feed(1), lamp, the.contact("pin 2", "0"), [welded])
    return started.switched().faulty().along("post", "pin 2", "0", "0")


@_circuit("pump-relay", "A pump relay", low("coil with clamp", 1, "open", "feed wire"))
def _() -> Rig:
    """The feed opens for milliseconds, at random."""
    started = rig(
        joint("post", "pin 1", 0.1), _relay(), the.diode("load 2", "load 1"), the.contact("pin 2", "0")
    )
    return started.switched().faulty(Flicker("joint", every_s=(0.4, 4.0), lasts_s=(0.002, 0.03)))


@_circuit("wash-bay-relay", "A relay near a wash bay", low("coil", 1, "short to ground", "control wire"))
def _() -> Rig:
    """Water in the control wire leaks to ground; the coil holds, hardly, and rests half-way."""
    leak = Resistor("pin 2", "0", 150.0, when("joint", "bad"))
    return rig(feed(1), _relay(), the.contact("pin 2", "0"), [leak]).switched().faulty()


@_circuit("mixer-valve", "A valve on a concrete mixer", low("coil", 1, "open", "load"))
def _() -> Rig:
    valve = joint("load 1", "inside", 0.01) + the.coil("inside", "load 2", 24.0, 0.04, 5e3)
    driver = the.transistor("pin 2", "0", 0.1, 4e6, clamp_v=45)
    started = rig(feed(1), valve, driver).looked_at("inside", "load 2")
    return started.switched(0.0).faulty().along("post", "pin 2", "0", "0")


@_circuit("seat-relay", "A relay under a seat", low("coil", 2, "short to ground", "switch"))
def _() -> Rig:
    """The driver, off, still lets 18 mA through."""
    leak = Resistor("pin 1", "0", 600.0, when("joint", "bad"))
    driver = the.transistor("pin 1", "0", 0.3, 2e6, clamp_v=45)
    return rig(feed(2), _relay("load 2", "load 1"), driver, [leak]).switched(0.0).faulty()


@_circuit("rake-lamp", "A lamp on a hay rake", high("lamp", 2, "lost", "reference lead"))
def _() -> Rig:
    """The circuit is healthy; the logger's own clip on battery negative is not."""
    now_and_then = Flicker("reference", (2.0, 6.0), (0.05, 0.5), good="on", bad="off")
    wiggled = Flicker("reference", (0.02, 0.2), (0.01, 0.15), good="on", bad="off", for_s=1.5)
    on, off = (Set("reference", "on"),), (Set("reference", "off"),)
    lamp = the.lamp("load 2", "load 1", 21)
    return (
        rig(_fused_contact(2), lamp, ground(1))
        .switched()
        .control("reference", "on", {"on": on, "wiggle": (wiggled,), "off": off})
        .control("fault", "on", {"on": (now_and_then,), "off": on})
    )


_KINDS = ("lamp", "lamps", "light", "relay", "valve", "fan", "blower", "pump", "motor", "heater")


def _by_load(circuit: BenchCircuit) -> tuple[int, str]:
    return _KINDS.index(circuit.name.rpartition("-")[2]), circuit.name


CATALOG: tuple[BenchCircuit, ...] = tuple(sorted(_REGISTER, key=_by_load))
"""Every circuit of the bench, in the order shown: by load, then by name, healthy and faulty mixed."""
