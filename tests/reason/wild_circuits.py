"""Circuits for the campaign: drawn apart from daq/knowledge.toml, and more widely.

Wires have ohms of their own, not shares of the load's; loads go from 1 to 300 W; every fault and place is as
likely as any other, so what the program thinks rare comes often. Voltages come from ngspice through
spice_circuits.py; a reading has noise, is rounded as a meter shows it, and meters differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from daq.hypotheses import HEALTHY, Fault, Hypothesis
from daq.naming import explanation
from daq.readings import At, Lamp, Reading, Working
from daq.reason_words import Explanation
from tests.reason.spice_circuits import Situation
from tests.reason.spice_parts import Parts

SIDES = ("low", "high", "both ends", "reversing", "unswitched")
SIDE_CHANCES = (0.40, 0.40, 0.05, 0.07, 0.08)
PLACES = {
    "open": (*("fuse", "feed wire", "load", "connector pin", "control wire", "ground wire", "ground point"),),
    "high resistance": (
        *("fuse", "feed wire", "connector pin", "control wire", "switch", "ground wire", "ground point"),
    ),
    "short to ground": ("feed wire", "control wire"),
    "load shorted": ("load",),
    "stuck on": ("switch",),
    "stuck off": ("switch",),
    "lost": ("reference lead", "lead"),
}
HEARD = 0.6  # of loads: not a relay in a box, nor an injector while others tick
LEAKY = 0.05  # of circuits: about as often as any other fault in its place
LEAK_OHM = (20.0, 3000.0)  # from salt water between two terminals to damp in a connector or a chafed cover


@dataclass(frozen=True)
class Wild:
    """One circuit at the vehicle: what it is, its parts, and the meter in hand."""

    hypothesis: Hypothesis
    order: int  # the lead on the feed pin
    parts: Parts
    meter_ohm: float
    digits: int
    heard: bool = False  # what the load does can be seen or heard where one stands
    blown: bool = False
    retry: bool = False

    @property
    def disguised(self) -> bool:
        """Feed and ground are switched, but one of them is stuck on: it is a circuit of one side then."""
        fault = self.hypothesis.fault.fault
        return self.hypothesis.side == "both ends" and fault in ("stuck on", "short to ground")

    @property
    def truth(self) -> Explanation:
        return explanation(self.hypothesis, self.order)


def wild(rng: np.random.Generator, leaky: float = LEAKY) -> Wild:
    """A circuit; a share `leaky` of them have a control wire that leaks, and are else as they would be."""
    damp, ears = rng.spawn(2)
    side = str(rng.choice(SIDES, p=SIDE_CHANCES))
    fault, condition = _fault(rng, side)
    if damp.random() < leaky:
        side, fault, condition = str(damp.choice(["low", "high"])), _leak(damp), None
    system = float(rng.choice([12.0, 12.0, 12.0, 12.0, 24.0]))
    emf = system * float(rng.uniform(0.98, 1.19))
    kind = str(rng.choice(["resistive", "filament", "LED string"], p=[0.55, 0.25, 0.2]))
    watts = math.exp(rng.uniform(math.log(1.0), math.log(300.0)))
    if kind == "LED string":
        watts = min(watts, 20.0)
    load = emf**2 / watts
    wire = _log(rng, 0.004, 0.08)
    names = ("fuse", "feed", "high wire", "pin", "low wire", "ground wire", "ground point", "switch")
    contact = {name: min(wire * _log(rng, 0.3, 3.0), 0.008 * load) for name in names}
    electronic = rng.random() < 0.5
    switch = str(rng.choice(["transistor", "saturated"], p=[0.7, 0.3])) if electronic else "contact"
    drop = rng.uniform(0.07, 0.93)  # of source, over the bad contact while on
    made = Parts(
        emf,
        1.0 if rng.random() < 0.9 else float(rng.uniform(0.9, 1.03)),
        load,
        kind,
        float(rng.uniform(0.45, 0.85)) * emf if kind == "LED string" else 0.0,
        contact,
        (load * drop / (1 - drop), load * 0.5),
        _log(rng, 0.01, 0.3),
        _log(damp, *LEAK_OHM),
        _log(rng, 2e7, 1e12),
        _log(rng, 2.0, 30.0) * emf / 12.0,
        bool(rng.random() < 0.8),
        _log(rng, 0.003, 0.06),
        switch,
        float(rng.uniform(0.7, 1.2)),
        str(rng.choice(["none", "down", "up", "logic"])) if electronic else "none",
        _log(rng, 3e4, 2e6),
        load * _log(rng, 0.3, 3.0),
        max(_log(rng, 1.2, 3.0) * watts / emf, 3.0),
        float(rng.uniform(0.1, 0.9)),
        str(rng.choice(["ground", "source", "floating"], p=[0.7, 0.15, 0.15])),
        bool(rng.random() < 0.4),
        bool(rng.random() < 0.3),
    )
    hypothesis = Hypothesis(side, fault, condition, 0.0)
    return Wild(
        hypothesis,
        int(rng.integers(1, 3)),
        made,
        float(rng.choice([1e7, 1.1e7, 5e6])),
        int(rng.integers(1, 3)),
        bool(ears.random() < HEARD),
    )


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _fault(rng: np.random.Generator, side: str) -> tuple[Fault, str | None]:
    if rng.random() < 0.3:
        conditions = [None, None, None, "asleep", "averaged", "stepped", "shared ground", "shared feed"]
        if side == "unswitched":
            conditions = [None, "asleep", "shared ground"]
        return HEALTHY, conditions[int(rng.integers(len(conditions)))]
    choices = [(fault, place) for fault, places in PLACES.items() for place in places]
    if side == "unswitched":
        choices = [c for c in choices if c[1] not in ("switch", "control wire")]
    fault, place = choices[int(rng.integers(len(choices)))]
    pin = None
    two = side in ("both ends", "reversing") and place in ("switch", "control wire")
    if (two and not (fault == "stuck off" and side == "reversing")) or place == "lead":
        pin = str(rng.choice(["feed", "ground"]))
    shared = place == "ground point" and rng.random() < 0.5
    return Fault(fault, place, pin), "shared ground" if shared else None


def _leak(rng: np.random.Generator) -> Fault:
    end = str(rng.choice(["ground", "power"]))
    return Fault(f"short to {end}", "control wire", leaking=True)


def situation(circuit: Wild, reading: Reading) -> Situation:
    """The reading's state and instrument in the netlist's words."""
    state, what = reading.state, reading.what
    found = Situation(state.plugged, state.control, state.key, state.neighbour_off, circuit.meter_ohm)
    if isinstance(what, At):
        return replace(found, at=what.place)
    if isinstance(what, Lamp):
        return replace(found, light=(what.pole, "feed" if what.lead == circuit.order else "ground"))
    if isinstance(what, Working):
        return found
    if what.jumper is not None:
        return replace(
            found, jumper=(what.jumper[0], "feed" if what.jumper[1] == circuit.order else "ground")
        )
    if what.substitute:
        return replace(found, substitute=True)
    if what.bias != (None, None):
        bias = what.bias if circuit.order == 1 else (what.bias[1], what.bias[0])
        return replace(found, bias=bias, meter_ohm=1.1e6)
    return found


def noisy(circuit: Wild, volts: Sequence[float], rng: np.random.Generator) -> tuple[float, ...]:
    """As the meter shows them: never more than three standard deviations off."""
    off = np.clip(rng.standard_normal(len(volts)), -3, 3)
    return tuple(
        round(v + float(z) * math.hypot(0.015, 0.006 * v), circuit.digits)
        for v, z in zip(volts, off, strict=True)
    )
