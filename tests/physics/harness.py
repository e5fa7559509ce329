"""A load in a vehicle: source, shared and own wires, switches in up to four places, neighbours, faults.

         post
          | shared feed (splice where neighbours branch off)
          | fuse, own feed wire
high_f --- feed --- high_g          high_f alone: positive side; low_g alone: ground side;
  |                   |             both: both ends; all four: a reversing bridge
 pinf ---- load ---- ping           a place without a switch is a plain wire where the
  |                   |             circuit needs one
low_f --- ground --- low_g
          | own ground wire
          | shared ground (splice)
          | strap
     battery negative (node 0)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from tests.physics.frontend import ALWAYS, Clips, FrontEnd
from tests.physics.loads import Load
from tests.physics.netlist import Netlist
from tests.physics.supply import Supply
from tests.physics.switches import Contact, Pulse, Switch
from tests.physics.timeline import Spans, ln_conductance, without

WIRE_F = 3e-10  # a few metres of wire against the chassis


@dataclass(frozen=True)
class Place:
    """A switch and when it conducts (bounce included)."""

    switch: Switch
    spans: Spans
    pulse: Pulse | None = None


@dataclass(frozen=True)
class Neighbour:
    """Another load of the vehicle, switched on its positive side, on the same splices."""

    load: Load
    spans: Spans
    shares_feed: bool = True
    shares_ground: bool = True
    on_strap: bool = False


@dataclass(frozen=True)
class Wire:
    """One stretch of wire: its resistance, and how it fails.

    Attributes:
        ohm: healthy resistance.
        gaps: when it is interrupted.
        gap_ohm: what is left of it then (None: nothing).
    """

    ohm: float
    gaps: tuple[tuple[float, float], ...] = ()
    gap_ohm: float | None = None
    travel_s: float = 2e-5

    def attach(self, net: Netlist, a: str, b: str) -> None:
        if not self.gaps:
            net.resistor(a, b, self.ohm)
            return
        spans = without(ALWAYS, self.gaps)
        net.conductance(a, b, ln_conductance(spans, self.ohm, self.travel_s, self.gap_ohm))


@dataclass(frozen=True)
class Branch:
    """A further switch between any two nodes, through a resistor: a dim step, a hold stage, a short."""

    place: Place
    plus: str
    minus: str
    ohm: float = 0.001


@dataclass(frozen=True)
class Harness:
    """The whole circuit as data; `netlist` writes it down."""

    supply: Supply
    load: Load
    high_f: Place | None = None
    low_g: Place | None = None
    high_g: Place | None = None
    low_f: Place | None = None
    shared_feed: Wire = Wire(0.005)
    feed: Wire = Wire(0.03)
    load_joint: Wire | None = None
    ground: Wire = Wire(0.01)
    shared_ground: Wire = Wire(0.003)
    strap_ohm: float = 0.001
    neighbours: tuple[Neighbour, ...] = ()
    pulls: tuple[tuple[str, str, float], ...] = ()  # (node, node, ohm): bias resistors of a module
    branches: tuple[Branch, ...] = ()
    clips: Clips = field(default_factory=Clips)
    front: FrontEnd = field(default_factory=FrontEnd)
    leads_on: tuple[str, str] = ("pinf", "ping")  # lead 1, lead 2; "nothing" leaves it free
    reference_at: str = "0"

    @property
    def is_bridge(self) -> bool:
        return self.high_g is not None and self.low_f is not None

    @property
    def fastest_hz(self) -> float:
        """The fastest regular thing in the circuit, so that ngspice is not allowed to step over it."""
        loads = [self.load.fastest_hz, *(n.load.fastest_hz for n in self.neighbours)]
        return max(self.supply.fastest_hz, *loads)

    def netlist(self) -> str:
        net = Netlist()
        self.supply.attach(net, "post")
        self._wires(net)
        self._switches(net)
        self._load(net)
        for node in ("feedend", "pinf", "ping", "gndend"):
            net.capacitor(node, "0", WIRE_F)
        for number, neighbour in enumerate(self.neighbours):
            self._neighbour(net, neighbour, f"nb{number}")
        for a, b, ohm in self.pulls:
            net.resistor(a, b, ohm)
        one, two = (n if n != "nothing" else f"free{i}" for i, n in enumerate(self.leads_on))
        self.front.attach(net, one, two, self.clips, self.reference_at)
        for node in {one, two} - {"pinf", "ping", "post", "0", "feedend"}:
            net.resistor(node, "0", 1e12)
        return net.text()

    def _wires(self, net: Netlist) -> None:
        self.shared_feed.attach(net, "post", "splicef")
        self.feed.attach(net, "splicef", "feedend")
        self.ground.attach(net, "gndend", "spliceg")
        self.shared_ground.attach(net, "spliceg", "chassis")
        net.resistor("chassis", "0", self.strap_ohm)

    def _switches(self, net: Netlist) -> None:
        places: Sequence[tuple[Place | None, str, str]] = (
            (self.high_f, "feedend", "pinf"),
            (self.low_g, "ping", "gndend"),
            (self.high_g, "feedend", "ping"),
            (self.low_f, "pinf", "gndend"),
        )
        for place, plus, minus in places:
            if place is not None:
                place.switch.attach(net, plus, minus, place.spans, place.pulse)
        for branch in self.branches:
            through = net.fresh("branch")
            net.resistor(branch.plus, through, branch.ohm)
            place = branch.place
            place.switch.attach(net, through, branch.minus, place.spans, place.pulse)
        if self.high_f is None and not self.is_bridge:
            net.resistor("feedend", "pinf", 0.002)
        if self.low_g is None and not self.is_bridge:
            net.resistor("ping", "gndend", 0.002)

    def _load(self, net: Netlist) -> None:
        plus = "pinf"
        if self.load_joint is not None:
            plus = "inside"
            self.load_joint.attach(net, "pinf", "inside")
        self.load.attach(net, plus, "ping")
        net.resistor("pinf", "ping", 1e9)

    def _neighbour(self, net: Netlist, neighbour: Neighbour, name: str) -> None:
        top = "splicef" if neighbour.shares_feed else "post"
        bottom = {True: "spliceg", False: "0"}[neighbour.shares_ground]
        bottom = "chassis" if neighbour.on_strap else bottom
        Contact(0.01, arc_v=60.0).attach(net, top, name, neighbour.spans)
        neighbour.load.attach(net, name, bottom)
