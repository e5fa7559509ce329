"""The network of circuits in cases of the same form, and what their nodes show.

Without bias, and where the reference lead is good, the instrument is no more than its input resistance from
a pin to battery negative: its leads are no nodes of their own then. The fuse's load side is one only where it
is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from daq.circuit import LOGIC_V, NOTHING_S, Array, Circuits, Mask, Setup
from daq.circuit_case import Case, Seen
from daq.circuit_network import Network, solve
from daq.circuit_parts import JOINED_S, Element, Filament, Junction, Load

T = TypeVar("T", bound=np.generic)

BIAS_V = 5.0
WHISPER_OHM = 1e6
BIAS_DIODE = (2.5e-9, 1.75 * 0.025865)  # a small signal diode: 0.6 V at 1 mA
PLACE_NODES = {"source": "post", "fuse": "fuse", "ground-point": "G"}
OF_SWITCH = {"switch": ("lo", "hi"), "switch-far": ("K", "rail")}  # on the ground side, on the positive side
BATTERY_OHM = 0.012
JUMPER_OHM = 0.05  # two clips, a metre of wire and its fuse
SUBSTITUTE_W = 5.0
LIGHT_W = 3.0
# Of what a load is made for: with less it is dead, with more it works, between it is weak. A lamp glows at a
# quarter of its volts and gives less than half its light at four fifths (their power of 3.4, from memory); a
# relay need not operate below two thirds (8 V of 12, data sheets), which is dead though a lamp would be weak.
WEAK = (0.38, 0.78)
LIGHT_LED_V = 2.0  # a red or yellow LED at 10 mA
LIGHT_LED_A = 0.010
TIPS = ("tip 1", "tip 2")
EVERYWHERE = np.ones((1, 1), dtype=np.bool_)


class Stack:
    """Cases of the same form: (cases, explanations, draws), or what broadcasts to it."""

    def __init__(self, circuits: Circuits, cases: Sequence[Case], grounded: bool = True) -> None:
        """`grounded`: the reference lead holds the instrument's zero at battery negative."""
        self._circuits = circuits
        self._cases = cases
        self._rows = cases[0].rows
        self._everything = np.array_equal(self._rows, np.arange(circuits.shape[0]))
        self._shape = (len(cases), len(self._rows), circuits.shape[1])
        self._zero = "neg" if grounded else "M"
        self._has_tips = not grounded or cases[0].setup.bias != (None, None)
        self._network = Network()
        self._injected: dict[str, Array] = {}
        self._working = self._where(lambda s: s.control != "off")
        self._plugged = self._where(lambda s: s.plugged)

    def of(self, values: npt.NDArray[T]) -> npt.NDArray[T]:
        """A circuits' quantity for the explanations of the cases."""
        if values.shape[0] == 1 or self._everything:
            return values
        found: npt.NDArray[T] = values[self._rows]
        return found

    def _where(self, told: Callable[[Setup], bool]) -> Mask:
        """(cases, explanations, 1), (cases, 1, 1), or (1, 1) where all agree."""
        each = [c.told(told) for c in self._cases]
        if any(isinstance(one, np.ndarray) for one in each):
            return np.stack([np.broadcast_to(one, len(self._rows)) for one in each])[:, :, None]
        if len(set(each)) == 1:
            return np.full((1, 1), each[0])
        return np.array(each)[:, None, None]

    def seen(self, guests: Sequence[int] = ()) -> tuple[list[Seen], list[Seen]]:
        """What each case shows; and what is read at the battery as it is in the cases `guests`."""
        places = {c.setup.at for c in self._cases} - {None}
        lit = self._cases[0].setup.light is not None
        wanted = ["P", "N", self._zero, *(PLACE_NODES[p] for p in places if p in PLACE_NODES)]
        wanted += TIPS if self._has_tips else ()
        wanted += [node for p in places if p in OF_SWITCH for node in OF_SWITCH[p]]
        looked = any(c.setup.work for c in self._cases)
        wanted += ["m"] if looked else []
        wanted += ["post", "bulb"] if lit else ["post"] if guests else []
        volts = self.volts(wanted)
        light = self._brightness(volts) if lit else np.zeros(self._shape)
        work = self._work(volts) if looked else np.zeros(self._shape)
        each = zip(*self._pins(volts), self._place(volts), light, work, strict=True)
        mine = [Seen(*one) for one in each]
        return mine, [self._battery(volts["post"][case]) for case in guests]

    def _pins(self, volts: Mapping[str, Array]) -> list[Array]:
        """Volts at either pin."""
        if self._has_tips:
            return [volts[tip] - volts[self._zero] for tip in TIPS]
        ohm = self._meter_ohm()
        tips = self.of(self._circuits.tip_feed), self.of(self._circuits.tip_ground)
        return [volts[pin] * (ohm / (ohm + tip)) for pin, tip in zip(("P", "N"), tips, strict=True)]

    def _battery(self, post: Array) -> Seen:
        """One lead on battery positive, and none on the pins."""
        feed, ground, light, work = np.zeros((4, *self._shape[1:]))
        return Seen(feed, ground, post.copy(), light, work)

    def _place(self, volts: Mapping[str, Array]) -> Array:
        place = np.zeros(self._shape)
        for at in sorted({c.setup.at for c in self._cases if c.setup.at is not None}):
            if at in OF_SWITCH:
                low, high = (volts[node] for node in OF_SWITCH[at])
                shown = np.where(self.of(self._circuits.switch_low), low, high)
            else:
                shown = volts[PLACE_NODES[at]]
            place = np.where(self._is_at(at), shown - volts[self._zero], place)
        return place

    def _is_at(self, place: str) -> Mask:
        return self._where(lambda s: s.at == place)

    def volts(self, wanted: Sequence[str]) -> dict[str, Array]:
        """Every node reaches a known one, across gaps of NOTHING_S at least."""
        c, network = self._circuits, self._network
        emf = self.of(c.emf) * np.where(self._working, self.of(c.moved), 1.0)
        known: dict[str, Array | float] = {"neg": 0.0, "emf": emf, "5 V": LOGIC_V}
        network.add("emf", "post", 1.0 / BATTERY_OHM)
        fuse, feed = self.of(c.fuse), self.of(c.feed)
        if "fuse" in wanted:
            network.add("post", "fuse", np.where(self._asleep(), NOTHING_S, 1.0 / fuse))
            network.add("fuse", "rail", 1.0 / feed)
        else:
            network.add("post", "rail", np.where(self._asleep(), NOTHING_S, 1.0 / (fuse + feed)))
        self._switches()
        network.add("hi", "P", 1.0 / self.of(c.high_wire))
        network.add("P", "m", np.where(self._plugged, self._load_branch(), NOTHING_S))
        network.add("m", "N", NOTHING_S)  # the rest of the load is an element
        network.add("N", "lo", 1.0 / self.of(c.low_wire))
        network.add("K", "G", 1.0 / self.of(c.ground_wire))
        network.add("G", "neg", 1.0 / self.of(c.ground_point))
        self._add_where_any(
            ("rail", "neg", c.short_feed),
            ("P", "neg", c.high_ground),
            ("P", "post", c.high_power),
            ("N", "neg", c.low_ground),
            ("N", "post", c.low_power),
        )
        beside = self._where(lambda s: not s.neighbour_off)
        self._add_where_any(("rail", "neg", c.neighbour_feed), ("post", "G", c.neighbour_ground), only=beside)
        self._instrument()
        self._jumper()
        elements = [*self._load(), *self._saturated(), *self._bias(), *self._bulb(), *self._substitute()]
        return solve(network, known, wanted, elements, self._shape, self._injected)

    def _load_branch(self) -> Array:
        """Conductance of the connector's pin and the load's series part, with the ground pin."""
        pin, load_s = self.of(self._circuits.pin), self.of(self._circuits.load_s)
        found: Array = 1.0 / (pin + 1.0 / load_s + 1.0 / JOINED_S)
        return found

    def _add_where_any(self, *branches: tuple[str, str, Array], only: Mask = EVERYWHERE) -> None:
        for a, b, siemens in branches:
            if np.any(siemens) and np.any(only):
                here = self.of(siemens)
                self._network.add(a, b, here if np.all(only) else np.where(only, here, 0.0))

    def _asleep(self) -> Mask:
        """The key's word, where there is one; else as it happens to be."""
        c = self._circuits
        off, open_ = self._where(lambda s: s.key == "off"), self._where(lambda s: s.key is None)
        found: Mask = (off & self.of(c.keyed)) | (open_ & self.of(c.asleep))
        return found

    def _by_control(self, branch: str) -> Array:
        """A switch branch's resistance in the position that each case has."""
        found: Array = self.of(getattr(self._circuits, f"{branch}_off"))
        for control in ("on", "other"):
            here = self._is_in(control)
            if here.any():
                found = np.where(here, self.of(getattr(self._circuits, f"{branch}_{control}")), found)
        return found

    def _is_in(self, control: str) -> Mask:
        return self._where(lambda s: s.control == control)

    def _switches(self) -> None:
        c, network, working = self._circuits, self._network, self._working
        high, low = self._by_control("high"), self._by_control("low")
        network.add("rail", "hi", np.where(self.of(c.high_saturated) & working, NOTHING_S, 1.0 / high))
        network.add("lo", "K", np.where(self.of(c.low_saturated) & working, NOTHING_S, 1.0 / low))
        for a, b, branch in (("rail", "lo", "cross_high"), ("hi", "K", "cross_low")):
            network.add(a, b, 1.0 / self._by_control(branch))
        self._add_where_any(  # a driver tests its wire while it is off
            ("hi", "rail", c.high_up),
            ("hi", "neg", c.high_down),
            ("hi", "5 V", c.high_logic),
            ("lo", "rail", c.low_up),
            ("lo", "K", c.low_down),
            ("lo", "5 V", c.low_logic),
            only=~working,
        )

    def _meter_ohm(self) -> Array:
        """(cases, 1, 1), or (1, 1) where it is the same in all."""
        ohm = np.array([k.instrument.input_ohm for k in self._cases])[:, None, None]
        alike: Array = ohm[0] if np.all(ohm == ohm[0]) else ohm
        return alike

    def _instrument(self) -> None:
        c, network, zero = self._circuits, self._network, self._zero
        if zero != "neg":
            network.add(zero, "neg", 1.0 / self.of(c.reference))
        ohm = self._meter_ohm()
        on_pins = self._where(lambda s: s.at is None and s.light is None)
        for pin, node, tip in (("P", TIPS[0], c.tip_feed), ("N", TIPS[1], c.tip_ground)):
            if self._has_tips:
                network.add(pin, node, 1.0 / self.of(tip))
                network.add(node, zero, np.where(on_pins, 1.0 / ohm, NOTHING_S))
            elif on_pins.any():
                network.add(pin, zero, np.where(on_pins, 1.0 / (self.of(tip) + ohm), 0.0))
        for at in sorted({k.setup.at for k in self._cases if k.setup.at is not None}):
            here = self._is_at(at)
            if at in OF_SWITCH:
                low, high = OF_SWITCH[at]
                is_low = self.of(c.switch_low)
                network.add(low, zero, np.where(here & is_low, 1.0 / ohm, 0.0))
                network.add(high, zero, np.where(here & ~is_low, 1.0 / ohm, 0.0))
            else:
                network.add(PLACE_NODES[at], zero, np.where(here, 1.0 / ohm, 0.0))

    def _load(self) -> list[Element]:
        """Nothing reaches it where it is unplugged; there where it is plugged in anywhere, so that circuits
        are alike."""
        c, here = self._circuits, np.full((1, 1), self._plugged.any())
        led_v, filament_s = self.of(c.led_v), self.of(c.filament_s)
        is_led, is_filament = led_v > 0, filament_s > 0
        slope = np.where(is_led, led_v / 40.0, 1.0)  # forty e-folds from nothing to the rated current
        led = Junction("m", "N", here, self.of(c.led_a) * np.exp(-40.0), slope)
        hot = Filament("m", "N", here, np.where(is_filament, filament_s, 1.0), self.of(c.system_v))
        return [Load("m", "N", here, led, hot, is_led, is_filament)]

    def _saturated(self) -> list[Element]:
        c, working = self._circuits, self._working
        volts = self.of(c.saturation_v)
        slope = np.where(volts > 0, volts / 28.0, 1.0)  # n = 1.3 at 0.93 V
        current = self.of(c.saturation_a) * np.exp(-28.0)
        return [
            Junction("rail", "hi", self.of(c.high_saturated) & working, current, slope),
            Junction("lo", "K", self.of(c.low_saturated) & working, current, slope),
        ]

    def _bias(self) -> list[Element]:
        """Bias comes from the logger, whose zero is the reference lead M: a current source from there."""
        elements: list[Element] = []
        for n, tip in enumerate(TIPS):
            for kind in ("up", "down", "whisper"):
                here = self._where(lambda s: s.bias[n] == kind)  # noqa: B023
                if not here.any():
                    continue
                inner = tip if kind == "whisper" else f"bias {kind} {tip}"
                ohm = WHISPER_OHM if kind == "whisper" else self.of(self._circuits.bias_ohm)
                siemens = np.where(here, 1.0 / ohm, NOTHING_S)
                self._network.add(inner, self._zero, siemens)
                if kind != "down":
                    self._inject(inner, BIAS_V * siemens)
                    self._inject(self._zero, -BIAS_V * siemens)
                if kind != "whisper":
                    ends = (inner, tip) if kind == "up" else (tip, inner)
                    saturation, slope = (np.full((1, 1), value) for value in BIAS_DIODE)
                    elements.append(Junction(*ends, here, saturation, slope))
        return elements

    def _inject(self, node: str, amperes: Array) -> None:
        self._injected[node] = self._injected[node] + amperes if node in self._injected else amperes

    def _bulb(self) -> list[Element]:
        """The light between its post and the pin; an LED light is made for either direction."""
        if self._cases[0].setup.light is None:
            return []
        is_led, system_v = self.of(self._circuits.light_led), self.of(self._circuits.system_v)
        series = np.where(is_led, LIGHT_LED_A / (system_v - LIGHT_LED_V), JOINED_S)
        positive = self._lit_from("positive")
        self._network.add("post", "bulb", np.where(positive, series, 0.0))
        self._network.add("neg", "bulb", np.where(positive, 0.0, series))
        saturation = np.full_like(system_v, LIGHT_LED_A * np.exp(-40.0))
        hot_s, slope = LIGHT_W / system_v**2, np.full_like(system_v, LIGHT_LED_V / 40.0)
        bulbs: list[Element] = []
        for pin, here in (("P", self._lit_at("feed")), ("N", ~self._lit_at("feed"))):
            if here.any():
                self._network.add("bulb", pin, np.where(here, NOTHING_S, 0.0))
                led = Junction("bulb", pin, here, saturation, slope, both_ways=True)
                filament = Filament("bulb", pin, here, hot_s, system_v)
                bulbs.append(Load("bulb", pin, here, led, filament, is_led, ~is_led))
        return bulbs

    def _jumper(self) -> None:
        setups = [s for k in self._cases for s in (k.setup, k.other) if s is not None]
        for jumper in dict.fromkeys(s.jumper for s in setups if s.jumper is not None):
            here = self._where(lambda s: s.jumper == jumper)  # noqa: B023
            post = "post" if jumper.pole == "positive" else "neg"
            pin = "P" if jumper.pin == "feed" else "N"
            self._network.add(post, pin, np.where(here, 1.0 / JUMPER_OHM, 0.0))

    def _substitute(self) -> list[Element]:
        """A lamp rated for the system between the two pins, the load unplugged."""
        here = self._where(lambda s: s.substitute)
        if not here.any():
            return []
        self._network.add("P", "N", np.where(here, NOTHING_S, 0.0))
        system_v = self.of(self._circuits.system_v)
        return [Filament("P", "N", here, SUBSTITUTE_W / system_v**2, system_v)]

    def _lit_from(self, pole: str) -> Mask:
        return self._where(lambda s: s.light is not None and s.light.pole == pole)

    def _lit_at(self, pin: str) -> Mask:
        return self._where(lambda s: s.light is not None and s.light.pin == pin)

    def _brightness(self, volts: Mapping[str, Array]) -> Array:
        """0 dark to 1 full: a filament by its voltage, an LED by the root of its current (eyes adapt)."""
        system_v = self.of(self._circuits.system_v)
        post = np.where(self._lit_from("positive"), volts["post"], 0.0)
        pin = np.where(self._lit_at("feed"), volts["P"], volts["N"])
        filament = np.abs(post - pin) / system_v
        led = np.sqrt(np.abs(post - volts["bulb"]) / (system_v - LIGHT_LED_V))
        return np.where(self.of(self._circuits.light_led), led, filament)

    def _work(self, volts: Mapping[str, Array]) -> Array:
        """0 nothing to 1 all that it is made for: by its own voltage, an LED string by the root of its
        current (eyes adapt). Alone, it gets all that it should; what it makes of it is its own."""
        c = self._circuits
        amperes = (volts["P"] - volts["m"]) * self._load_branch()
        of_load = volts["P"] - volts["N"] - amperes * self.of(c.pin)
        is_led = self.of(c.led_v) > 0
        work = np.where(
            is_led,
            np.sqrt(np.maximum(amperes, 0.0) / self.of(c.led_a)),
            np.abs(of_load) / self.of(c.system_v),
        )
        work = np.where(self.of(c.weak_on_purpose) & (work > WEAK[0]), np.maximum(work, WEAK[1]), work)
        alone = self._where(lambda s: s.alone)
        gets = np.where(alone, 1.0, work)
        return np.where(self._plugged | alone, gets * self.of(c.load_does), 0.0)
