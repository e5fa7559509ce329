"""The circuits on the bench, by name. Invented machines, ordinary parts."""

from __future__ import annotations

from daq import bench_loads as the
from daq.bench_drives import Flicker, Set
from daq.bench_loads import Parts
from daq.bench_parts import Resistor, when
from daq.bench_rig import (
    RELAY_BOUNCE_S,
    BenchCircuit,
    Truth,
    feed,
    ground,
    high,
    joint,
    low,
    rig,
)
from daq.errors import CommandError


def find(name: str) -> BenchCircuit:
    """The circuit of that name; CommandError when there is none."""
    for circuit in CATALOG:
        if circuit.name == name:
            return circuit
    known = ", ".join(c.name for c in CATALOG)
    raise CommandError(f"there is no bench circuit called {name!r}; choose one of: {known}")


def _lamps() -> list[BenchCircuit]:
    to_ground = the.contact("driver", "0") + the.wire("pin 2", "driver", 0.04)
    from_post = the.contact("fuse", "pin 2") + the.wire("post", "fuse", 0.06)
    shared = the.wire("pin 1", "splice", 0.03) + the.wire("splice", "0", 0.15)
    marker = the.wire("post", "marker", 0.05) + the.contact("marker", "marker lamp", "neighbour")
    return [
        rig(feed(1), the.lamp("load 1", "load 2", 21), to_ground)
        .switched()
        .done("lamp-low", "A lamp at the back of a trailer", low("lamp", 1)),
        rig(from_post, the.lamp("load 2", "load 1", 21), ground(1))
        .switched()
        .done("lamp-high", "A work lamp on a mower", high("lamp", 2)),
        rig(
            from_post, the.lamp("load 2", "load 1", 10), shared, marker, the.lamp("marker lamp", "splice", 42)
        )
        .switched()
        .neighbour()
        .done("lamp-shared-ground", "A number plate lamp on a caravan", high("lamp", 2)),
        rig(feed(2), the.lamp("load 2", "load 1", 5), the.transistor("pin 1", "0", 0.1, 4e6, 45))
        .pulsed(8000, 2800)
        .done(
            "lamp-dimmed-low",
            "The lamps behind a boat's instruments",
            Truth("low", 1, 2, 1, "lamp", pwm=(125.0, 0.35)),
        ),
        rig(
            the.wire("post", "fuse", 0.03),
            [Resistor("fuse", "pin 1", 0.05, when("key", "on", "crank"))],
            the.lamp("load 1", "load 2", 21),
            to_ground,
        )
        .switched()
        .key("off")
        .done("lamp-key-low", "A lamp over a tailgate", low("lamp", 1)),
    ]


def _light_emitters() -> list[BenchCircuit]:
    strip: Parts = []
    for number in range(4):
        strip += [Resistor("load 1", f"row {number}", 0.01)]
        strip += the.led_string(f"row {number}", "load 2", 270, 3)
    return [
        rig(the.wire("post", "fuse", 0.08), the.transistor("fuse", "pin 1", 0.08, 2e6, 45), strip, ground(2))
        .switched(0.0)
        .done("led-high", "A strip light in a horse box", high("unknown", 1)),
        rig(feed(2), the.led_string("load 2", "load 1", 150, 4), the.transistor("pin 1", "0", 0.3, 3e6, 45))
        .switched(0.0)
        .done("led-low", "A light under a step", low("unknown", 2)),
    ]


def _coils() -> list[BenchCircuit]:
    relay = the.coil("load 1", "load 2", 85, 0.2, 15e3)
    to_ground = the.contact("pin 2", "0")
    return [
        rig(feed(1), relay, the.diode("load 2", "load 1"), the.transistor("pin 2", "0", 0.3, 2e6, 45))
        .switched(0.0)
        .done("relay-clamped-low", "A relay in a fuse box", low("coil with clamp", 1)),
        rig(feed(1, 0.1), relay, to_ground)
        .switched()
        .done("relay-bare-low", "A horn relay on an old tractor", low("coil", 1)),
        rig(
            the.contact("fuse", "pin 1"),
            the.wire("post", "fuse", 0.1),
            relay,
            [Resistor("load 1", "load 2", 680.0)],
            ground(2),
        )
        .switched()
        .done("relay-resistor-high", "A relay in a pump shed", high("coil with clamp", 1)),
        rig(
            the.wire("post", "fuse", 0.05),
            the.transistor("fuse", "pin 2", 0.05, 1e6, 40),
            the.coil("load 2", "load 1", 4.0, 0.006, 2e3),
            ground(1, 0.03),
        )
        .switched(0.0)
        .done("solenoid-high", "A valve on a field sprayer", high("coil", 2)),
        rig(
            feed(2),
            the.coil("load 2", "load 1", 24.0, 0.04, 5e3),
            the.darlington("pin 1", "0", 3e6, 35),
        )
        .switched(0.0)
        .done("purge-low", "A vent valve on an engine", low("coil", 2)),
        rig(
            feed(1),
            the.coil("load 1", "load 2", 13.5, 0.012, 3e3),
            the.transistor("pin 2", "0", 0.2, 2e6, 65),
        )
        .pulsed(60_000, 4200)
        .done(
            "injector-low",
            "A fuel valve that ticks",
            Truth("low", 2, 1, 2, "coil", pwm=(1e6 / 60_000, 0.07)),
        ),
        _both_ends(),
    ]


def _both_ends() -> BenchCircuit:
    """A module feeds and grounds the coil; at rest both wires float."""
    started = rig(
        the.contact("fuse", "pin 1", "upper"),
        the.wire("post", "fuse", 0.08),
        the.coil("load 1", "load 2", 85, 0.2, 15e3),
        the.diode("load 2", "load 1"),
        the.contact("pin 2", "0", "lower"),
    )
    return started.control(
        "control",
        "off",
        {
            "on": (
                Set("upper", "closed", "open", RELAY_BOUNCE_S),
                Set("lower", "closed", "open", RELAY_BOUNCE_S, travel_s=0.004),
            ),
            "off": (Set("upper", "open"), Set("lower", "open")),
        },
    ).done("both-ends-relay", "A relay on a boat", Truth("both ends", "both", 1, 2, "coil with clamp"))


def _motors() -> list[BenchCircuit]:
    fan = the.motor("load 1", "load 2", 0.3, 3e-4, 1.5, 1.5, 0.3)
    blower = the.motor("load 2", "load 1", 0.4, 4e-4, 0.4, 1.7, 0.0)
    pump = the.motor("load 1", "load 2", 0.6, 5e-4, 0.02, 2.5, 0.4)
    return [
        rig(feed(1, 0.03), fan, the.contact("pin 2", "0", gap_v=the.ARC_V))
        .switched(RELAY_BOUNCE_S)
        .done("fan-low", "A fan behind a radiator", low("motor", 1)),
        rig(
            feed(2, 0.03),
            blower,
            the.diode("pin 1", "pin 2"),
            the.transistor("pin 1", "0", 0.01, 1e6, None),
        )
        .pulsed(5000, 3000)
        .done("blower-pwm-low", "A cabin blower", Truth("low", 1, 2, 1, "motor", pwm=(200.0, 0.6))),
        rig(
            the.wire("post", "fuse", 0.02),
            the.transistor("fuse", "pin 1", 0.01, 1e6, None),
            pump,
            the.diode("0", "pin 1"),
            ground(2, 0.02),
        )
        .pulsed(2500, 1750)
        .done("pump-pwm-high", "A coolant pump", Truth("high", 1, 1, 2, "motor", pwm=(400.0, 0.7))),
        _reversing(),
    ]


def _reversing() -> BenchCircuit:
    """Two change-over relays; at rest both ends of the motor are grounded."""
    parts: Parts = the.motor("load 1", "load 2", 1.0, 1e-3, 0.01, 6.0, 1.5)
    for number in (1, 2):
        pin, relay = f"pin {number}", f"relay {number}"
        parts += [
            Resistor("fuse", pin, 0.02, when(relay, "pulled")),
            Resistor(pin, "0", 0.03, when(relay, "rest")),
            the.gap(pin, "0", when(relay, "moving"), the.ARC_V),
        ]

    def to(first: str, second: str) -> tuple[Set, Set]:
        return (
            Set("relay 1", first, "moving", RELAY_BOUNCE_S, travel_s=0.002),
            Set("relay 2", second, "moving", RELAY_BOUNCE_S, travel_s=0.002),
        )

    return (
        rig(parts, the.wire("post", "fuse", 0.06))
        .control(
            "control",
            "off",
            {"on": to("pulled", "rest"), "other": to("rest", "pulled"), "off": to("rest", "rest")},
        )
        .done("motor-reversing", "A window motor", Truth("reversing", "both", None, None, "motor"))
    )


def _heaters() -> list[BenchCircuit]:
    truck = (
        rig(
            the.wire("post", "fuse", 0.1),
            the.contact("fuse", "pin 2"),
            [Resistor("load 2", "load 1", 12.0)],
            ground(1, 0.05),
            source_v=25.2,
        )
        .switched(RELAY_BOUNCE_S)
        .done("heater-truck-high", "A mirror heater on a truck", high("resistive", 2))
    )
    return [truck]


def _faults() -> list[BenchCircuit]:
    lamp12, lamp21 = the.lamp("load 1", "load 2", 21), the.lamp("load 2", "load 1", 21)
    relay = the.coil("load 1", "load 2", 85, 0.2, 15e3)
    from_post = the.contact("fuse", "pin 2") + the.wire("post", "fuse", 0.06)
    to_ground = the.contact("pin 2", "0")
    return [
        rig(joint("post", "pin 1", 0.06), lamp12, to_ground)
        .switched()
        .faulty()
        .done("lamp-low-open-feed", "A lamp in a cargo bay", low("lamp", 1, "open", "feed wire")),
        rig(from_post, lamp21, joint("pin 1", "0", 0.03))
        .switched()
        .faulty()
        .done("lamp-high-open-ground", "A fog lamp", high("lamp", 2, "open", "ground wire")),
        rig(from_post, lamp21, joint("pin 1", "0", 0.03, 2.0))
        .switched()
        .faulty()
        .done(
            "lamp-high-bad-ground",
            "A reversing lamp on a van",
            high("lamp", 2, "high resistance", "ground wire"),
        ),
        rig(joint("post", "pin 1", 0.06, 2.5), lamp12, to_ground)
        .switched()
        .faulty()
        .done("lamp-low-bad-feed", "A lamp on a cattle gate", low("lamp", 1, "high resistance", "feed wire")),
        rig(joint("post", "pin 1", 0.1), relay, the.diode("load 2", "load 1"), to_ground)
        .switched()
        .faulty(Flicker("joint", every_s=(0.4, 4.0), lasts_s=(0.002, 0.03)))
        .done(
            "relay-low-broken-feed",
            "A pump relay that chatters",
            low("coil with clamp", 1, "open", "feed wire"),
        ),
        rig(feed(1), relay, to_ground, [Resistor("pin 2", "0", 150.0, when("joint", "bad"))])
        .switched()
        .faulty()
        .done(
            "relay-low-wet-wire", "A relay near a wash bay", low("coil", 1, "short to ground", "control wire")
        ),
        rig(
            feed(1),
            joint("load 1", "inside", 0.01),
            the.coil("inside", "load 2", 24.0, 0.04, 5e3),
            the.transistor("pin 2", "0", 0.1, 4e6, 45),
        )
        .switched(0.0)
        .faulty()
        .done("solenoid-low-open-load", "A valve on a feed mixer", low("coil", 1, "open", "load")),
        rig(
            from_post,
            the.lamp("load 2", "load 1", 10),
            the.wire("pin 1", "splice", 0.03),
            joint("splice", "0", 0.03),
            the.wire("post", "beside", 0.05),
            the.contact("beside", "beside lamp", "neighbour"),
            the.lamp("beside lamp", "splice", 42),
        )
        .switched()
        .neighbour("on")
        .faulty()
        .done("lamp-shared-open-ground", "A side lamp on a float", high("lamp", 2, "open", "ground point")),
        rig(feed(1), lamp12, to_ground, [Resistor("pin 2", "0", 0.02, when("joint", "bad"))])
        .switched()
        .faulty()
        .done("lamp-low-stuck-on", "A lamp that stays lit", low("lamp", 1, "stuck on", "switch")),
        _loose_reference(from_post, lamp21),
    ]


def _loose_reference(from_post: Parts, load: Parts) -> BenchCircuit:
    """The circuit is healthy; the logger's own clip on battery negative is not."""
    now_and_then = Flicker("reference", (2.0, 6.0), (0.05, 0.5), good="on", bad="off")
    wiggled = Flicker("reference", (0.02, 0.2), (0.01, 0.15), good="on", bad="off", for_s=1.5)
    started = rig(from_post, load, ground(1)).switched()
    return (
        started.control(
            "reference",
            "on",
            {"on": (Set("reference", "on"),), "off": (Set("reference", "off"),), "wiggle": (wiggled,)},
        )
        .control("fault", "on", {"on": (now_and_then,), "off": (Set("reference", "on"),)})
        .done("lamp-high-loose-reference", "A lamp on a hay rake", high("lamp", 2, "lost", "reference lead"))
    )


CATALOG: tuple[BenchCircuit, ...] = (
    *_lamps(),
    *_light_emitters(),
    *_coils(),
    *_motors(),
    *_heaters(),
    *_faults(),
)
"""Every circuit of the bench, in the order shown."""
