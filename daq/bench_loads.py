"""Pieces for bench circuits: what stands on every bench, loads, and what switches them.

Figures are of ordinary parts: lamp 21 W at 13.5 V, mini relay 85 Ω, copper by its gauge; others are plausible
values, not handbook ones.
"""

from __future__ import annotations

from daq.bench_parts import (
    AnyPart,
    Breakdown,
    Capacitor,
    DryFriction,
    Filament,
    Inductor,
    Junction,
    Part,
    Resistor,
    Source,
    When,
    when,
)

Parts = list[AnyPart]

LEAD_OHM = 1.1e6
LEAD_FARAD = 200e-12
BODY_FARAD = 100e-12  # of the logger and its computer towards the vehicle
BATTERY_OHM = 0.015
PIN_OHM = 0.004
CLIP_OHM = 0.1
BIAS_V = 5.0
WHISPER_OHM = 1e6
BIAS_OHM = 10e3

LIGHT_W = 3.0  # an ordinary test light
LIGHT = "bulb", "bulb tip"  # its two ends
EYE = "eye"  # a node beside the load, see `eye`
JUMPER_OHM = 0.05  # two clips, a metre of wire and its fuse
SUBSTITUTE_W = 5.0
ACROSS = "across the pins"

CONTACT_OHM = 0.01
SPARK_V = 350.0  # a small gap in air breaks down near 330 V (Paschen's minimum, from memory)
ARC_V = 20.0  # once more than about half an ampere flows it burns on at 12 to 20 V (from memory)
SIGNAL_DIODE = Junction(saturation_a=2.5e-9, emission=1.75)
RECTIFIER = Junction(saturation_a=1e-9, emission=1.7)


def stand(volt: float) -> Parts:
    """Battery, plug, and the logger's three leads with their bias."""
    parts: Parts = [
        Source("post", "0", volt, BATTERY_OHM),
        Resistor("logger", "0", 0.05, when("reference", "on")),
        Capacitor("logger", "0", BODY_FARAD, stray=True),
    ]
    for number in (1, 2):
        parts += _lead(number)
        parts.append(Resistor(f"pin {number}", f"load {number}", PIN_OHM, when("plug", "in")))
    return parts + _test_light(volt) + _jumper() + _substitute(volt)


def eye(a: str, b: str) -> Parts:
    """Who looks or listens: the voltage between two nodes of the load, less its spikes; nothing that a meter
    would show flows there."""
    return [Resistor(a, EYE, 1e7), Capacitor(EYE, b, 1e-10, stray=True)]


def light_place(pole: str, pin: int) -> str:
    """Where the test light, or the jumper, is, in the words of its control."""
    return f"{pole} pin {pin}"


def _test_light(volt: float) -> Parts:
    """A bulb of the system's voltage, from a battery post to a pin; away at first."""
    places = {(pole, pin): light_place(pole, pin) for pole in ("positive", "negative") for pin in (1, 2)}
    parts = lamp(*LIGHT, LIGHT_W, 13.5 if volt < 20 else 27.0, when("light", *places.values()))
    for pole, post in (("positive", "post"), ("negative", "0")):
        parts.append(Resistor(post, LIGHT[0], 0.05, when("light", places[pole, 1], places[pole, 2])))
    for pin in (1, 2):
        held = when("light", places["positive", pin], places["negative", pin])
        parts.append(Resistor(LIGHT[1], f"pin {pin}", CLIP_OHM, held))
    return parts


def _jumper() -> Parts:
    """From a battery post to a pin, fuse and clips included; away at first."""
    return [
        Resistor(post, f"pin {pin}", JUMPER_OHM, when("jumper", light_place(pole, pin)))
        for pole, post in (("positive", "post"), ("negative", "0"))
        for pin in (1, 2)
    ]


def _substitute(volt: float) -> Parts:
    """A lamp of the system's voltage across the pins of the harness; away at first."""
    rated_v = 13.5 if volt < 20 else 27.0
    return lamp("pin 1", "pin 2", SUBSTITUTE_W, rated_v, when("5 W lamp", ACROSS))


def _lead(number: int) -> Parts:
    lead, place, bias = f"lead {number}", f"lead {number}", f"bias {number}"
    up, down = f"up {number}", f"down {number}"
    return [
        Resistor(lead, f"pin {number}", CLIP_OHM, when(place, "on pin")),
        Resistor(lead, "post", CLIP_OHM, when(place, "on positive")),
        Resistor(lead, "0", CLIP_OHM, when(place, "on negative")),
        Resistor(lead, "logger", LEAD_OHM),
        Capacitor(lead, "logger", LEAD_FARAD, stray=True),
        Source(lead, "logger", BIAS_V, WHISPER_OHM, when(bias, "whisper")),
        Source(up, "logger", BIAS_V, BIAS_OHM, when(bias, "up")),
        Part(up, lead, SIGNAL_DIODE, when(bias, "up")),
        Resistor(down, "logger", BIAS_OHM, when(bias, "down")),
        Part(lead, down, SIGNAL_DIODE, when(bias, "down")),
    ]


def wire(a: str, b: str, ohm: float, present: When | None = None) -> Parts:
    return [Resistor(a, b, ohm, present)]


def lamp(a: str, b: str, watt: float, volt: float = 13.5, present: When | None = None) -> Parts:
    """The heat capacity makes the inrush fall to twice the current in about 35 ms."""
    return [Part(a, b, Filament(volt, watt, joule_per_k=1.0e-4 * watt), present)]


def led_string(a: str, b: str, ohm: float, in_series: int) -> Parts:
    """`in_series` diodes of 2.0 V at 20 mA, 1.5 V at 1 µA, and their resistor."""
    middle = f"{a} string"
    return [
        Resistor(a, middle, ohm),
        Part(middle, b, Junction(saturation_a=3.2e-19, emission=2.0, in_series=in_series)),
    ]


def coil(a: str, b: str, ohm: float, henry: float, loss_ohm: float) -> Parts:
    """A winding with its iron loss and its own capacitance."""
    middle = f"{a} winding"
    return [
        Resistor(a, middle, ohm),
        Inductor(middle, b, henry),
        Resistor(a, b, loss_ohm),
        Capacitor(a, b, 300e-12, stray=True),
    ]


def motor(a: str, b: str, ohm: float, henry: float, inertia_f: float, drag_ohm: float, dry_a: float) -> Parts:
    """A permanent-magnet motor seen from its armature.

    Back-EMF is k times the speed, so inertia J is a capacitor J/k², drag a resistor, dry friction a current
    (0: none, it coasts down like an exponential): the same equations, exactly.
    """
    brush, shaft = f"{a} brush", f"{a} shaft"
    parts: Parts = [
        Resistor(a, brush, ohm),
        Inductor(brush, shaft, henry),
        Capacitor(shaft, b, inertia_f),
        Resistor(shaft, b, drag_ohm),
        Resistor(a, b, 300.0),  # iron loss
    ]
    if dry_a:
        parts.append(Part(shaft, b, DryFriction(dry_a)))
    return parts


def diode(anode: str, cathode: str) -> Parts:
    return [Part(anode, cathode, RECTIFIER)]


def contact(a: str, b: str, position: str = "switch", gap_v: float = SPARK_V) -> Parts:
    """A mechanical contact; when it opens a coil's current, the gap conducts beyond `gap_v`."""
    return [
        Resistor(a, b, CONTACT_OHM, when(position, "closed")),
        Resistor(a, b, 1e9),
        gap(a, b, when(position, "open"), gap_v),
    ]


def gap(a: str, b: str, present: When, gap_v: float) -> Part:
    """The air between opened contacts."""
    return Part(a, b, Breakdown(gap_v, gap_v, slope_v=gap_v / 100), present)


def transistor(a: str, b: str, on_ohm: float, leak_ohm: float, clamp_v: float | None) -> Parts:
    """A field-effect switch from a (more positive) to b, moved by position "switch".

    `clamp_v` is its avalanche voltage, and then it has a body diode; None where a free-wheeling diode beside
    the load leaves both without work.
    """
    parts: Parts = [Resistor(a, b, on_ohm, when("switch", "closed")), Resistor(a, b, leak_ohm)]
    if clamp_v is not None:
        parts.append(Part(a, b, Breakdown(clamp_v, 0.6, slope_v=0.04)))
    return parts


def darlington(a: str, b: str, leak_ohm: float, clamp_v: float) -> Parts:
    """A bipolar pair, moved by position "switch", that keeps 0.7 to 0.9 V when on."""
    inner = f"{a} emitter"
    return [
        Resistor(a, inner, 0.08, when("switch", "closed")),
        Part(inner, b, Junction(saturation_a=2e-12, emission=1.0)),
        Resistor(a, b, leak_ohm),
        Part(a, b, Breakdown(clamp_v, 0.6, slope_v=0.04)),
    ]
