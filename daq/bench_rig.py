"""Setting a circuit up on the bench: its hidden truth, its controls, and the pieces all circuits share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daq import bench_loads as the
from daq.bench_drives import Drive, Pulse, Set
from daq.bench_loads import Parts
from daq.bench_network import Network
from daq.bench_parts import Resistor, when

Drives = tuple[Drive, ...]
Choices = Mapping[str, Drives]

HAND_BOUNCE_S = 0.005
RELAY_BOUNCE_S = 0.002
PLUG_BOUNCE_S = 0.001
CARRY_S = 0.4
"""How long a hand carries a lead from one place to the next: meanwhile it hangs in the air."""
OFF_PIN = "off pin"
LEAD_PLACES = ("on pin", OFF_PIN, "on positive", "on negative")
AWAY = "away"
FUSE, SWITCH, FAR, GROUND_POINT = "at the fuse", "at the switch", "behind the switch", "at the ground point"


@dataclass(frozen=True, slots=True)
class Truth:
    """What is really there, in the words of the findings.

    Attributes:
        control_lead: 1, 2, or "both" (reversing, both ends).
        feed_lead, ground_lead: the pins towards positive and towards ground; None when they change.
        pwm: (Hz, share of the time in which the load is on) while the control is on, or None.
    """

    side: str
    control_lead: int | str
    feed_lead: int | None
    ground_lead: int | None
    load_kind: str
    fault: str = "none"
    place: str | None = None
    pwm: tuple[float, float] | None = None


def low(kind: str, feed: int, fault: str = "none", place: str | None = None) -> Truth:
    """Switched on the ground side, `feed` being the pin that stays at source."""
    return Truth("low", 3 - feed, feed, 3 - feed, kind, fault, place)


def high(kind: str, control: int, fault: str = "none", place: str | None = None) -> Truth:
    """Switched on the positive side, `control` being the switched pin."""
    return Truth("high", control, control, 3 - control, kind, fault, place)


@dataclass(frozen=True, slots=True)
class BenchCircuit:
    """One circuit. Lead 1 sits on pin 1 of the load's connector, lead 2 on pin 2, on the harness half.

    Attributes:
        name: as on the command line: the load and its place. Neither name nor title gives the answer away.
        title: as on the screen.
        parts: everything, stand and leads included.
        controls: what a hand can move ("control", "plug", ...), and what each choice does.
        start: the choice in force when the bench is set up, per control.
        eye_v: what the eye sees (bench_loads.eye) where the load gets all that it is made for.
    """

    name: str
    title: str
    truth: Truth
    source_v: float
    parts: Parts
    controls: Mapping[str, Choices]
    start: Mapping[str, str]
    eye_v: float

    def network(self) -> Network:
        """The reduced circuit, probed as the logger sees it: each lead against the reference lead."""
        return Network(self.parts, [("lead 1", "logger"), ("lead 2", "logger")])


@dataclass(slots=True)
class Rig:
    """A circuit being put together; every method returns the rig."""

    source_v: float
    parts: Parts = field(default_factory=list)
    controls: dict[str, Choices] = field(default_factory=dict)
    start: dict[str, str] = field(default_factory=dict)
    sight: tuple[str, str] = ("load 1", "load 2")  # what the eye looks at
    eye_v: float = 0.0  # see BenchCircuit; 0: the system's voltage

    def control(self, what: str, start: str, choices: Mapping[str, Drives]) -> Rig:
        self.controls[what] = choices
        self.start[what] = start
        return self

    def switched(self, bounce_s: float = HAND_BOUNCE_S) -> Rig:
        """An on/off control that moves position "switch"; opening bounces a quarter as long."""
        return self.control(
            "control",
            "off",
            {
                "on": (Set("switch", "closed", "open", bounce_s),),
                "off": (Set("switch", "open", "open", bounce_s / 4),),
            },
        )

    def pulsed(self, period_us: int, high_us: int) -> Rig:
        """A control that makes position "switch" close for `high_us` of every `period_us`."""
        return self.control(
            "control",
            "off",
            {"on": (Pulse("switch", period_us, high_us),), "off": (Set("switch", "open"),)},
        )

    def faulty(self, drive: Drive | None = None) -> Rig:
        """A fault that can be mended and made again: position "joint" is bad or good."""
        return self.control(
            "fault", "on", {"on": (drive or Set("joint", "bad"),), "off": (Set("joint", "good"),)}
        )

    def neighbour(self, start: str = "off") -> Rig:
        """Another load on a shared wire, with a switch of its own."""
        return self.control(
            "neighbour",
            start,
            {
                "on": (Set("neighbour", "closed", "open", RELAY_BOUNCE_S),),
                "off": (Set("neighbour", "open"),),
            },
        )

    def along(self, fuse: str, switch: str, far: str, ground_point: str) -> Rig:
        """Places along the wires where a lead can be held: the fuse's load side, the switch terminal towards
        the load and its other one, the ground point itself; each is a node."""
        nodes = {FUSE: fuse, SWITCH: switch, FAR: far, GROUND_POINT: ground_point}
        for lead in ("lead 1", "lead 2"):
            self.parts += [
                Resistor(lead, node, the.CLIP_OHM, when(lead, place)) for place, node in nodes.items()
            ]
            self.controls[lead] = {**self.controls[lead], **{place: _carried(lead, place) for place in nodes}}
        return self

    def key(self, start: str) -> Rig:
        """A key switch: off, on, and crank, which is on with the starter turning."""
        self.parts.append(Resistor("post", "0", 0.045, when("key", "crank")))
        return self.control("key", start, {to: (Set("key", to),) for to in ("off", "on", "crank")})

    def looked_at(self, a: str, b: str, eye_v: float = 0.0) -> Rig:
        """Where the load does its work, when that is not between its two pins."""
        self.sight, self.eye_v = (a, b), eye_v
        return self

    def done(self, name: str, title: str, truth: Truth) -> BenchCircuit:
        parts = [*self.parts, *the.eye(*self.sight)]
        eye_v = self.eye_v or (12.0 if self.source_v < 20 else 24.0)
        return BenchCircuit(name, title, truth, self.source_v, parts, self.controls, self.start, eye_v)


def rig(*pieces: Parts, source_v: float = 12.6) -> Rig:
    """A stand with these pieces on it, and the controls every bench has."""
    started = Rig(source_v, the.stand(source_v) + [part for piece in pieces for part in piece])
    started.control(
        "plug", "in", {"in": (Set("plug", "in", "out", PLUG_BOUNCE_S),), "out": (Set("plug", "out", "out"),)}
    )
    for lead in ("lead 1", "lead 2"):
        started.control(lead, "on pin", {place: _carried(lead, place) for place in LEAD_PLACES})
    places = [the.light_place(pole, pin) for pole in ("positive", "negative") for pin in (1, 2)]
    for held in ("light", "jumper"):
        started.control(held, AWAY, {to: (Set(held, to),) for to in (AWAY, *places)})
    started.control("5 W lamp", AWAY, {to: (Set("5 W lamp", to),) for to in (AWAY, the.ACROSS)})
    return started.control(
        "reference", "on", {"on": (Set("reference", "on"),), "wiggle": (), "off": (Set("reference", "off"),)}
    )


def _carried(lead: str, place: str) -> Drives:
    return (Set(lead, place, OFF_PIN, travel_s=0.0 if place == OFF_PIN else CARRY_S),)


def joint(a: str, b: str, ohm: float, bad_ohm: float | None = None) -> Parts:
    """A wire that is `ohm` while good, and open or `bad_ohm` while bad."""
    parts: Parts = [Resistor(a, b, ohm, when("joint", "good"))]
    if bad_ohm is not None:
        parts.append(Resistor(a, b, bad_ohm, when("joint", "bad")))
    return parts


def feed(pin: int, ohm: float = 0.06) -> Parts:
    """A wire from battery positive to a pin of the connector (about 3 m of 1 mm² and its fuse)."""
    return the.wire("post", f"pin {pin}", ohm)


def ground(pin: int, ohm: float = 0.02) -> Parts:
    """A wire from a pin to battery negative."""
    return the.wire(f"pin {pin}", "0", ohm)
