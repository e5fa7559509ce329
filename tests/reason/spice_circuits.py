"""The same explanations as ngspice netlists, written from their meaning and not from daq/circuit.py.

A circuit is a path from battery positive to battery negative, told as a list of pieces; faults, neighbours,
drivers and instruments are put on it by name. Only the values of the unknowns come from the program's draws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from daq.hypotheses import Fault, Hypothesis
from tests.reason.spice_parts import Parts

VT = 0.025865
GAP = 1e13


@dataclass(frozen=True)
class Situation:
    """How things stand and what reads, in this file's own words."""

    plugged: bool = True
    control: str = "off"
    key: str | None = None
    neighbour_off: bool = False
    meter_ohm: float = 1e7
    bias: tuple[str | None, str | None] = (None, None)
    light: tuple[str, str] | None = None  # ("positive" or "negative", "feed" or "ground")
    at: str | None = None
    jumper: tuple[str, str] | None = None  # ends as of `light`
    substitute: bool = False


@dataclass
class Deck:
    """Lines of one netlist whose nodes and elements all carry a prefix; "0" is battery negative."""

    prefix: str
    lines: list[str] = field(default_factory=list)

    def node(self, name: str) -> str:
        return "0" if name == "0" else f"{self.prefix}{name}"

    def _name(self, letter: str) -> str:
        return f"{letter}{self.prefix}{len(self.lines)}"

    def r(self, a: str, b: str, ohm: float) -> None:
        self.lines.append(f"{self._name('r')} {self.node(a)} {self.node(b)} {ohm:.12g}")

    def v(self, a: str, b: str, volts: float) -> None:
        self.lines.append(f"{self._name('v')} {self.node(a)} {self.node(b)} {volts:.12g}")

    def diode(self, a: str, b: str, saturation: float, slope: float) -> None:
        name = self._name("d")
        self.lines.append(f"{name} {self.node(a)} {self.node(b)} m{name}")
        self.lines.append(f".model m{name} d(is={saturation:.9g} n={slope / VT:.9g})")

    def bulb(self, a: str, b: str, hot_ohm: float, rated: float) -> None:
        """i = v / hot (v / rated)^-0.45, ten times as conductive cold."""
        knee = (0.1 ** (1 / 0.45) * rated) ** 2
        v = f"v({self.node(a)},{self.node(b)})"
        law = f"{v}/{hot_ohm:.12g}*(({v}*{v}+{knee:.12g})/{rated**2 + knee:.12g})^-0.225"
        self.lines.append(f"{self._name('b')} {self.node(a)} {self.node(b)} i={law}")


Piece = tuple[str, str, float]  # from, to, ohm


class Circuit:
    """One explanation with one draw in one situation, to be written as a netlist."""

    def __init__(self, h: Hypothesis, p: Parts, s: Situation, blown: bool, retry: bool) -> None:
        self.h, self.p, self.s, self.blown, self.retry = h, p, s, blown, retry
        self.faults = [(h.fault, p.bad[0])] + ([(h.second, p.bad[1])] if h.second else [])

    def write(self, prefix: str) -> Deck:
        deck = Deck(prefix)
        p, s = self.p, self.s
        deck.v("emf", "0", p.emf * (p.moved if s.control != "off" else 1.0))
        deck.r("emf", "plus", 0.012)
        for a, b, ohm in self._path():
            deck.r(a, b, ohm)
        self._switching(deck)
        self._load(deck)
        self._shorts(deck)
        self._neighbour(deck)
        self._reading(deck)
        return deck

    def wire(self, contact: str, *places: str, pin: str | None = None) -> float:
        """Ohms of a piece: its contact, and what the faults named do to it."""
        ohm = self.p.contact[contact]
        for fault, bad in self.faults:
            if fault.place in places and (pin is None or fault.pin is None or fault.pin == pin):
                if fault.fault == "open":
                    ohm = self.p.open
                elif fault.fault == "high resistance":
                    ohm += bad
        return ohm

    def _path(self) -> list[Piece]:
        side, s, p = self.h.side, self.s, self.p
        fuse = p.open if self.blown else self.wire("fuse", "fuse")
        sleeping = self.h.condition == "asleep"
        if (s.key is None and sleeping) or (s.key == "off" and (sleeping or p.through_key)):
            fuse = GAP
        has_high = side in ("high", "both ends", "reversing")
        has_low = side in ("low", "both ends", "reversing")
        high = self.wire("high wire", *(["control wire"] if has_high else []), pin="feed")
        low = self.wire("low wire", *(["control wire"] if has_low else ["ground wire"]), pin="ground")
        point = self.wire("ground point", "ground point")
        if self.h.condition == "shared ground":
            point = p.shared_contact
            for fault, bad in self.faults:
                if fault.place == "ground point":
                    point = p.open if fault.fault == "open" else point + bad
        ground = self.wire("ground wire", *(["ground wire"] if has_low else []))
        pin = self.wire("pin", "connector pin") if s.plugged else GAP
        return [
            ("plus", "fused", fuse),
            ("fused", "fed", self.wire("feed", "feed wire")),
            ("out1", "pinF", high),
            ("pinF", "loadF", pin),
            ("loadG", "pinG", 1e-3 if s.plugged else GAP),
            ("pinG", "out2", low),
            ("end", "splice", ground),
            ("splice", "0", point),
        ]

    def _switching(self, deck: Deck) -> None:
        side = self.h.side
        if side == "reversing":
            self._bridge(deck)
            return
        if side in ("high", "both ends"):
            self._switch(deck, "fed", "out1", "high", "feed")
        else:
            deck.r("fed", "out1", 1e-3)
        if side in ("low", "both ends"):
            self._switch(deck, "out2", "end", "low", "ground")
        else:
            deck.r("out2", "end", 1e-3)

    def _unfused(self, pin: str) -> bool:
        """A short from battery positive to this control wire, which no fuse ends: what switches it does."""
        fault = self.h.fault
        return fault.fault == "short to power" and not fault.leaking and fault.pin in (None, pin)

    def _mine(self, fault: Fault, pin: str) -> bool:
        return fault.place == "switch" and fault.pin in (None, pin)

    def _switch(self, deck: Deck, a: str, b: str, which: str, pin: str) -> None:
        p, working = self.p, self.s.control != "off"
        closed, saturates = p.contact["switch"], p.switch == "saturated"
        first = self.h.side != "both ends" or which == "high"
        if self.h.condition == "stepped" and first and self.s.control == "on":
            closed += p.step
        state, leaks = working, False
        for fault, bad in self.faults:
            if not self._mine(fault, pin):
                continue
            if fault.leaking:
                leaks = not working  # what it leaks beside itself while closed is nothing to it
                continue
            saturates = False
            if fault.fault == "high resistance":
                closed += bad
            elif fault.fault == "stuck on":
                state = True
            elif fault.fault == "stuck off":
                state = False
        if self.retry and working and (which == "high" or self.h.side == "low"):
            closed = max(closed, 40 * p.load)
        if self.retry:
            saturates = False
        if which == "low" and self._unfused(pin):
            saturates, closed = False, max(closed, 40 * p.load)
        if state and working and saturates:
            deck.r(a, b, GAP)
            deck.diode(a, b, p.emf / p.load * math.exp(-28), p.saturation / 28)
        else:
            deck.r(a, b, closed if state else p.open)
        if leaks:
            deck.r(a, b, p.leak)
        if not working and p.switch != "contact" and p.test != "none":
            self._test_current(deck, which)

    def _test_current(self, deck: Deck, which: str) -> None:
        out = "out1" if which == "high" else "out2"
        if self.p.test == "logic":
            deck.v(f"logic{which}", "0", 5.0)
            deck.r(f"logic{which}", out, self.p.test_ohm)
        elif self.p.test == "up":
            deck.r("fed", out, self.p.test_ohm)
        else:
            deck.r(out, "0" if which == "high" else "end", self.p.test_ohm)

    def _bridge(self, deck: Deck) -> None:
        """Two half bridges; out1 is high when on, out2 when in the other direction."""
        p, closed = self.p, self.p.contact["switch"]
        rest = {"ground": (False, True), "source": (True, False), "floating": (False, False)}[p.rest]
        wanted = {
            "off": (rest, rest),
            "on": ((True, False), (False, True)),
            "other": ((False, True), (True, False)),
        }
        halves = list(wanted[self.s.control])
        extra = {"out1": 0.0, "out2": 0.0}
        for fault, bad in self.faults:
            if fault.place != "switch":
                continue
            n = 0 if fault.pin == "feed" else 1
            if fault.fault == "stuck off":
                dead = {None: ("on", "other"), "feed": ("on",), "ground": ("other",)}[fault.pin]
                halves = [rest, rest] if self.s.control in dead else halves
            elif fault.fault == "stuck on":
                halves[n] = (True, False)
            elif fault.fault == "high resistance":
                extra[f"out{n + 1}"] = bad
        for n, (up, down) in enumerate(halves):
            out = f"out{n + 1}"
            grows = extra[out] if self.s.control != "off" else 0.0
            ohm = closed + grows
            if self.h.condition == "stepped" and self.s.control in ("on", "other") and up:
                ohm += p.step
            if self.retry and self.s.control != "off" and up:
                ohm = max(ohm, 40 * p.load)
            deck.r("fed", out, ohm if up else p.open)
            down_ohm = closed + grows
            if self._unfused("feed" if n == 0 else "ground"):
                down_ohm = max(down_ohm, 40 * p.load)
            deck.r(out, "end", down_ohm if down else p.open)

    def _load(self, deck: Deck) -> None:
        p = self.p
        if not self.s.plugged:
            deck.r("loadF", "loadG", p.load)  # nothing reaches it, and ngspice need not find out
            return
        if self.h.fault.fault == "load shorted":
            deck.r("loadF", "mid", p.short)
            deck.r("mid", "loadG", 1e-3)
            return
        if (self.h.fault.fault, self.h.fault.place) == ("open", "load"):
            deck.r("loadF", "mid", p.open)
        elif p.kind == "resistive":
            deck.r("loadF", "mid", p.load)
        elif p.kind == "filament":
            deck.r("loadF", "mid", p.load * 1e-3)
        else:
            deck.r("loadF", "mid", max(p.emf - p.led_v, 0.1) * p.load / p.emf)
        if p.kind == "filament":
            deck.bulb("mid", "loadG", p.load, p.rated)
        elif p.kind == "LED string":
            deck.diode("mid", "loadG", p.emf / p.load * math.exp(-40), p.led_v / 40)
        else:
            deck.r("mid", "loadG", 1e-3)

    def _shorts(self, deck: Deck) -> None:
        fault = self.h.fault
        if not fault.fault.startswith("short to") or fault.place == "switch":
            return
        to = "0" if fault.fault == "short to ground" else "plus"
        ohm = self.p.leak if fault.leaking else self.p.short
        if fault.place == "feed wire":
            deck.r("fed", to, ohm)
        else:
            feed_side = self.h.side == "high" or fault.pin == "feed"
            deck.r("pinF" if feed_side else "pinG", to, ohm)

    def _neighbour(self, deck: Deck) -> None:
        if self.s.neighbour_off or not self.p.lit:
            return
        if self.h.condition == "shared feed":
            deck.r("fed", "0", self.p.neighbour)
        elif self.h.condition == "shared ground":
            deck.r("plus", "splice", self.p.neighbour)

    def _reading(self, deck: Deck) -> None:
        s = self.s
        lost: dict[tuple[str | None, str | None], str] = {
            ("lead", "feed"): "tip1",
            ("lead", "ground"): "tip2",
            ("reference lead", None): "ref",
        }
        off = {lost.get((f.place, f.pin)) for f, _ in self.faults if f.fault == "lost"} - {None}
        deck.r("pinF", "tip1", GAP if "tip1" in off else 0.1)
        deck.r("pinG", "tip2", GAP if "tip2" in off else 0.1)
        deck.r("ref", "0", GAP if "ref" in off else 0.01)
        plain = s.light is None and s.at is None
        for tip in ("tip1", "tip2"):
            deck.r(tip, "ref", s.meter_ohm if plain else GAP)
        at = self.place()
        if at is not None:
            deck.r(at, "ref", s.meter_ohm)
        for tip, kind in zip(("tip1", "tip2"), s.bias, strict=True):
            if kind == "whisper":
                deck.v(f"w{tip}", "ref", 5.0)
                deck.r(f"w{tip}", tip, 1e6)
            elif kind is not None:
                deck.v(f"b{tip}", "ref", 5.0 if kind == "up" else 0.0)
                deck.r(f"b{tip}", f"a{tip}", 1e4)
                ends = (f"a{tip}", tip) if kind == "up" else (tip, f"a{tip}")
                deck.diode(*ends, 2.5e-9, 1.75 * VT)
        if s.light is not None:
            self._light(deck, *s.light)
        if s.jumper is not None:
            post = "plus" if s.jumper[0] == "positive" else "0"
            deck.r(post, "pinF" if s.jumper[1] == "feed" else "pinG", 0.05)
        if s.substitute:
            deck.bulb("pinF", "pinG", self.p.rated**2 / 5.0, self.p.rated)

    def _light(self, deck: Deck, pole: str, pin: str) -> None:
        post, to = "plus" if pole == "positive" else "0", "pinF" if pin == "feed" else "pinG"
        if self.p.led_light:
            deck.r(post, "glass", (self.p.rated - 2.0) / 0.010)
            deck.diode("glass", to, 0.010 * math.exp(-40), 2.0 / 40)
            deck.diode(to, "glass", 0.010 * math.exp(-40), 2.0 / 40)
        else:
            deck.r(post, "glass", 1e-3)
            deck.bulb("glass", to, self.p.rated**2 / 3.0, self.p.rated)

    def place(self) -> str | None:
        """The node that `at` names."""
        return {
            None: None,
            "source": "plus",
            "fuse": "fused",
            "switch": "out2" if self.h.side == "low" else "out1",
            "switch-far": "end" if self.h.side == "low" else "fed",
            "ground-point": "splice",
        }[self.s.at]
