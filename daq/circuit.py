"""The circuit around a two-pin load, and what a meter or the logger reads on it.

    emf - post - fuse - rail -[high switch]- hi - P -pin- p -load- n - N - lo -[low switch]- K - G - neg

`post` is battery positive, `fuse` the fuse's load side, `rail` the end of the feed wire, `P` and `N` the
connector's terminals in the harness (feed side and ground side: that is where the leads are), `K` the ground
wire's end, `G` the ground point where neighbours may join, `neg` battery negative. A circuit has the switch
that its side says; the other one is a plain connection. A reversing bridge has two more branches, rail to lo
and hi to K. `tip 1`, `tip 2`, `M` are the two leads and the reference lead: pins and neg, unless one is lost.

All quantities are arrays (explanations, draws), or broadcast to that.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.circuit_network import Network, solve
from daq.circuit_parts import JOINED_S, Element, Filament, Junction, Load

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

NOTHING_S = 1e-13  # what is left across a gap
LOGIC_V = 5.0
BIAS_V = 5.0
BIAS_OHM = 1e4
WHISPER_OHM = 1e6
BIAS_DIODE = (2.5e-9, 1.75 * 0.025865)  # a small signal diode: 0.6 V at 1 mA
PLACE_NODES = {"source": "post", "fuse": "fuse", "ground-point": "G"}


@dataclass(frozen=True, slots=True)
class Instrument:
    """What reads: input resistance of each lead, ohm."""

    input_ohm: float = 1e7


@dataclass(frozen=True, slots=True)
class Light:
    """A test light from a battery post to a pin."""

    pole: str  # "positive" or "negative"
    pin: str  # "feed" or "ground"


@dataclass(frozen=True, slots=True)
class Setup:
    """How things stand while something is read. `pin` names are "feed" and "ground"."""

    plugged: bool = True
    control: str = "off"  # "off", "on", "other"
    key: str | None = None  # "off", "on"; None: as it happens to be
    neighbour_off: bool = False
    bias: tuple[str | None, str | None] = (None, None)  # feed pin, ground pin: None, "up", "down", "whisper"
    light: Light | None = None
    at: str | None = None  # one meter lead on "source", "fuse", "switch", "ground-point"; no lead on the pins


@dataclass(frozen=True, slots=True)
class Circuits:
    """Resistances in ohm, conductances in siemens, volts; (explanations, draws) or broadcasting to it."""

    emf: Array
    moved: Array  # factor on `emf` while the control is on
    fuse: Array
    feed: Array
    high_wire: Array
    pin: Array
    low_wire: Array
    ground_wire: Array
    ground_point: Array
    high_off: Array  # the four switch branches in the three positions of the control
    high_on: Array
    high_other: Array
    low_off: Array
    low_on: Array
    low_other: Array
    cross_high_off: Array  # rail to lo
    cross_high_on: Array
    cross_high_other: Array
    cross_low_off: Array  # hi to K
    cross_low_on: Array
    cross_low_other: Array
    load_s: Array  # series part of the load
    filament_s: Array  # 0 where the load is no filament; else its hot conductance
    led_v: Array  # 0 where the load is no LED string; else its forward voltage at led_a
    led_a: Array
    saturation_v: Array  # 0 where the switch does not saturate; else its drop at saturation_a
    saturation_a: Array
    high_saturated: Mask
    low_saturated: Mask
    high_up: Array  # test currents: hi to rail, hi to neg, hi to 5 V; lo to rail, lo to K, lo to 5 V
    high_down: Array
    high_logic: Array
    low_up: Array
    low_down: Array
    low_logic: Array
    short_feed: Array  # rail to neg
    high_ground: Array  # P to neg
    high_power: Array  # P to post
    low_ground: Array  # N to neg
    low_power: Array  # N to post
    neighbour_feed: Array  # rail to neg
    neighbour_ground: Array  # post to G
    keyed: Mask  # the feed comes through the key
    asleep: Mask  # and the key is off where nobody says how it is
    tip_feed: Array  # ohm between pin and lead
    tip_ground: Array
    reference: Array  # ohm between battery negative and the reference lead
    duty: Array  # share of time on while on; 1 where not pulsed
    switch_low: Mask  # the switch that has a place is on the ground side
    light_led: Mask  # the test light has LEDs
    system_v: Array  # rated voltage of lamps
    fuse_a: Array
    bias_ohm: Array

    def chosen(self, rows: npt.NDArray[np.intp]) -> Circuits:
        """The explanations `rows` alone."""
        return self._each(lambda values: values[rows] if values.shape[0] > 1 else values)

    def drawn(self, rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp]) -> Circuits:
        """For each of `rows` (n,) the draws `columns` (n, d)."""
        return self._each(lambda values: values[rows[:, None] if values.shape[0] > 1 else 0, columns])

    def replaced(self, rows: npt.NDArray[np.intp], others: Circuits) -> Circuits:
        """These circuits with `others` in place of the explanations `rows`."""

        def mixed(name: str) -> npt.NDArray[Any]:
            mine = np.array(np.broadcast_to(getattr(self, name), self.shape))
            mine[rows] = getattr(others, name)
            return mine

        return Circuits(**{f.name: mixed(f.name) for f in fields(self)})

    def _each(self, take: Callable[[npt.NDArray[Any]], npt.NDArray[Any]]) -> Circuits:
        return Circuits(**{f.name: take(getattr(self, f.name)) for f in fields(self)})

    @property
    def shape(self) -> tuple[int, ...]:
        return np.broadcast_shapes(self.emf.shape, self.fuse.shape, self.load_s.shape)


@dataclass(frozen=True, slots=True)
class Seen:
    """What is shown: volts at feed pin and ground pin, volts at the place, the light's share of full."""

    feed: Array
    ground: Array
    place: Array
    light: Array


def readings(circuits: Circuits, setup: Setup, instrument: Instrument) -> Seen:
    """What is read on every circuit in this setup.

    A pulsed control is read as its average, on and off in proportion to time, as slow meters do.
    """
    seen = _solved(circuits, setup, instrument)
    pulsed = np.flatnonzero((np.broadcast_to(circuits.duty, circuits.shape) < 1).any(axis=1))
    if setup.control == "off" or not len(pulsed):
        return seen
    some = circuits.chosen(pulsed)
    rest = _solved(some, replace(setup, control="off"), instrument)
    for field in fields(Seen):
        values = getattr(seen, field.name)
        values[pulsed] = some.duty * values[pulsed] + (1 - some.duty) * getattr(rest, field.name)
    return seen


def fuse_current(circuits: Circuits, setup: Setup) -> Array:
    """Current through the fuse, A, with nothing connected to the pins but the harness."""
    found = _volts(circuits, setup, Instrument(1e12), ("post", "fuse"))
    amperes: Array = (found["post"] - found["fuse"]) / circuits.fuse
    return amperes


def _solved(circuits: Circuits, setup: Setup, instrument: Instrument) -> Seen:
    shape = circuits.shape
    wanted = ["tip 1", "tip 2", "M"]
    if setup.at in PLACE_NODES:
        wanted.append(PLACE_NODES[setup.at])
    if setup.at == "switch":
        wanted += ["hi", "lo"]
    if setup.light is not None:
        wanted += ["post", "P", "N", "bulb"]
    found = _volts(circuits, setup, instrument, tuple(dict.fromkeys(wanted)))
    zero = found["M"]
    nothing = np.zeros(shape)
    place = nothing
    if setup.at == "switch":
        place = np.where(circuits.switch_low, found["lo"], found["hi"]) - zero
    elif setup.at is not None:
        place = found[PLACE_NODES[setup.at]] - zero
    light = _brightness(circuits, setup.light, found) if setup.light is not None else nothing
    return Seen(found["tip 1"] - zero, found["tip 2"] - zero, np.array(place), light)


def _volts(
    circuits: Circuits, setup: Setup, instrument: Instrument, wanted: tuple[str, ...]
) -> dict[str, Array]:
    network = Network()
    c, on = circuits, setup.control
    asleep = _asleep(c, setup)
    emf = c.emf * (c.moved if on != "off" else 1.0)
    known: dict[str, Array | float] = {"neg": 0.0, "emf": emf, "5 V": LOGIC_V}
    network.add("emf", "post", 1.0 / 0.012)
    network.add("post", "fuse", np.where(asleep, NOTHING_S, 1.0 / c.fuse))
    network.add("fuse", "rail", 1.0 / c.feed)
    _switches(network, c, on)
    network.add("hi", "P", 1.0 / c.high_wire)
    network.add("P", "p", 1.0 / c.pin if setup.plugged else NOTHING_S)
    network.add("p", "m", c.load_s)
    network.add("m", "n", NOTHING_S)  # the rest of the load is an element
    network.add("n", "N", JOINED_S if setup.plugged else NOTHING_S)
    network.add("N", "lo", 1.0 / c.low_wire)
    network.add("K", "G", 1.0 / c.ground_wire)
    network.add("G", "neg", 1.0 / c.ground_point)
    for a, b, siemens in (
        ("rail", "neg", c.short_feed),
        ("P", "neg", c.high_ground),
        ("P", "post", c.high_power),
        ("N", "neg", c.low_ground),
        ("N", "post", c.low_power),
    ):
        if np.any(siemens):
            network.add(a, b, siemens)
    if not setup.neighbour_off:
        for a, b, siemens in (("rail", "neg", c.neighbour_feed), ("post", "G", c.neighbour_ground)):
            if np.any(siemens):
                network.add(a, b, siemens)
    _instrument(network, c, setup, instrument)
    injected: dict[str, Array] = {}
    elements = [*_load(c, setup), *_saturated(c, on), *_bias(network, injected, c, setup)]
    elements += _bulb(network, c, setup)
    for node in network.nodes():
        if node not in known:
            network.add(node, "neg", NOTHING_S)
    return solve(network, known, wanted, elements, c.shape, injected)


def _asleep(c: Circuits, setup: Setup) -> Mask:
    if setup.key == "on":
        return np.zeros((1, 1), dtype=np.bool_)
    return c.keyed if setup.key == "off" else c.asleep


def _switches(network: Network, c: Circuits, on: str) -> None:
    high, low = getattr(c, f"high_{on}"), getattr(c, f"low_{on}")
    working = on != "off"
    network.add("rail", "hi", np.where(c.high_saturated & working, NOTHING_S, 1.0 / high))
    network.add("lo", "K", np.where(c.low_saturated & working, NOTHING_S, 1.0 / low))
    for a, b, ohm in (
        ("rail", "lo", getattr(c, f"cross_high_{on}")),
        ("hi", "K", getattr(c, f"cross_low_{on}")),
    ):
        if np.any(np.isfinite(ohm)):
            network.add(a, b, 1.0 / ohm)
    if working:
        return  # a driver tests its wire while it is off
    for a, b, siemens in (
        ("hi", "rail", c.high_up),
        ("hi", "neg", c.high_down),
        ("hi", "5 V", c.high_logic),
        ("lo", "rail", c.low_up),
        ("lo", "K", c.low_down),
        ("lo", "5 V", c.low_logic),
    ):
        if np.any(siemens):
            network.add(a, b, siemens)


def _instrument(network: Network, c: Circuits, setup: Setup, instrument: Instrument) -> None:
    read = 1.0 / instrument.input_ohm
    network.add("M", "neg", 1.0 / c.reference)
    network.add("P", "tip 1", 1.0 / c.tip_feed)
    network.add("N", "tip 2", 1.0 / c.tip_ground)
    on_pins = setup.at is None and setup.light is None
    for tip in ("tip 1", "tip 2"):
        network.add(tip, "M", read if on_pins else NOTHING_S)
    if setup.at in PLACE_NODES:
        network.add(PLACE_NODES[setup.at], "M", read)
    elif setup.at == "switch":
        network.add("lo", "M", np.where(c.switch_low, read, NOTHING_S))
        network.add("hi", "M", np.where(c.switch_low, NOTHING_S, read))


def _load(c: Circuits, setup: Setup) -> list[Element]:
    if not setup.plugged:
        return []  # nothing reaches it
    everywhere = np.ones((1, 1), dtype=np.bool_)
    is_led, is_filament = c.led_v > 0, c.filament_s > 0
    slope = np.where(is_led, c.led_v / 40.0, 1.0)  # forty e-folds from nothing to the rated current
    led = Junction("m", "n", everywhere, c.led_a * np.exp(-40.0) * np.ones_like(slope), slope)
    hot = Filament("m", "n", everywhere, np.where(is_filament, c.filament_s, 1.0), c.system_v)
    return [Load("m", "n", everywhere, led, hot, is_led, is_filament)]


def _saturated(c: Circuits, on: str) -> list[Element]:
    if on == "off":
        return []
    slope = np.where(c.saturation_v > 0, c.saturation_v / 28.0, 1.0)  # n = 1.3 at 0.93 V
    current = c.saturation_a * np.exp(-28.0) * np.ones_like(slope)
    return [
        Junction("rail", "hi", c.high_saturated, current, slope),
        Junction("lo", "K", c.low_saturated, current, slope),
    ]


def _bias(network: Network, injected: dict[str, Array], c: Circuits, setup: Setup) -> list[Element]:
    """Bias comes from the logger, whose zero is the reference lead M: a current source from there."""
    elements: list[Element] = []
    everywhere = np.ones((1, 1), dtype=np.bool_)
    saturation, slope = (np.full((1, 1), value) for value in BIAS_DIODE)
    for tip, kind in zip(("tip 1", "tip 2"), setup.bias, strict=True):
        if kind is None:
            continue
        volts = 0.0 if kind == "down" else BIAS_V
        siemens = 1.0 / (np.full((1, 1), WHISPER_OHM) if kind == "whisper" else c.bias_ohm)
        inner = tip if kind == "whisper" else f"bias {tip}"
        network.add(inner, "M", siemens)
        injected[inner] = volts * siemens
        injected["M"] = injected.get("M", 0.0) - volts * siemens
        if kind != "whisper":
            ends = (inner, tip) if kind == "up" else (tip, inner)
            elements.append(Junction(*ends, everywhere, saturation, slope))
    return elements


LIGHT_W = 3.0
LIGHT_LED_V = 2.0  # a red or yellow LED at 10 mA
LIGHT_LED_A = 0.010


def _bulb(network: Network, c: Circuits, setup: Setup) -> list[Element]:
    """The light between its post and the pin; an LED light is made for either direction."""
    if setup.light is None:
        return []
    post = "post" if setup.light.pole == "positive" else "neg"
    pin = "P" if setup.light.pin == "feed" else "N"
    series = np.where(c.light_led, LIGHT_LED_A / (c.system_v - LIGHT_LED_V), JOINED_S)
    network.add(post, "bulb", series)
    network.add("bulb", pin, NOTHING_S)
    slope = np.full_like(c.system_v, LIGHT_LED_V / 40.0)
    saturation = np.full_like(c.system_v, LIGHT_LED_A * np.exp(-40.0))
    return [
        Junction("bulb", pin, c.light_led, saturation, slope, both_ways=True),
        Filament("bulb", pin, ~c.light_led, LIGHT_W / c.system_v**2, c.system_v),
    ]


def _brightness(c: Circuits, light: Light, volts: Mapping[str, Array]) -> Array:
    """0 dark to 1 full: a filament by its voltage, an LED by the square root of its current (eyes adapt)."""
    post = volts["post"] if light.pole == "positive" else np.zeros_like(volts["post"])
    pin = volts["P"] if light.pin == "feed" else volts["N"]
    filament = np.abs(post - pin) / c.system_v
    led = np.sqrt(np.abs(post - volts["bulb"]) / (c.system_v - LIGHT_LED_V))
    return np.where(c.light_led, led, filament)
