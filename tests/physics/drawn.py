"""Circuits drawn by hand, one of each kind that a verdict must be right for: the same every time.

The generator in `circuits` draws thousands; these are for tests that can afford only one of each (the real
firmware in the simulator). Parts are ordinary ones: lamps of 21 and 5 W, relays of 85 ohm and 0.2 H
(mini-relay datasheet), an injector of 14 ohm, a blower of 0.6 ohm.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from tests.physics.frontend import ALWAYS, Converter
from tests.physics.harness import Harness, Neighbour, Place, Wire
from tests.physics.loads import Coil, Lamp, Leds, Load, Motor
from tests.physics.recordings import Claim, Command, Plan
from tests.physics.skeleton import claim_for, commands_of, gap_event
from tests.physics.supply import Dip, Supply
from tests.physics.switches import Contact, Pulse, Switch, Transistor
from tests.physics.timeline import Moves, Spans, bouncing, without
from tests.physics.truth import TrueEvent, TruePwm

LENGTH_S = 4.2
WORKED: Spans = ((0.5003, 1.1117), (1.7009, 2.3121), (2.9043, 3.5156))  # off the sampling grid
SWAPPED = ("ping", "pinf")  # lead 1 on the ground pin

LAMP = Lamp(13.5, 21.0)
RELAY = Coil(85.0, 0.2, "diode")
BARE_RELAY = Coil(85.0, 0.2, "none")
SOLENOID = Coil(6.0, 0.012, "none")
INJECTOR = Coil(14.0, 0.012, "none")
LEDS = Leds(3, 2.0, 0.02, 330.0)
BLOWER = Motor(0.6, 3e-4, 11.0, 2.5, 0.15)
CONTACT = Contact(0.01, bounce_s=3e-3)
DRIVER = Transistor(0.05)


def _moves(switch: Switch, spans: Spans) -> Moves:
    return bouncing(spans, np.random.default_rng(1), getattr(switch, "bounce_s", 0.0))


def _plan(
    name: str, load: Load, claim: Claim, commands: tuple[Command, ...], supply: Supply | None, **harness: Any
) -> Plan:
    circuit = Harness(supply or Supply(12.0, 12.6), load, **harness)
    return Plan(name, name, circuit, Converter(), LENGTH_S, claim, "off", commands)


def _one_side(
    name: str,
    side: str,
    load: Load,
    switch: Switch,
    *,
    spans: Spans = WORKED,
    pulse: Pulse | None = None,
    supply: Supply | None = None,
    events: tuple[TrueEvent, ...] = (),
    **wiring: Any,
) -> Plan:
    """The load worked by one switch; `wiring` goes to the harness as it is."""
    moves = _moves(switch, spans)
    place = {"high": "high_f", "low": "low_g"}[side]
    wiring[place] = Place(switch, moves.spans, pulse)
    plan = _plan(name, load, claim_for(side), commands_of(moves, LENGTH_S), supply, **wiring)
    pwm = None if pulse is None else _pwm(load, pulse, spans)
    steady = not (pulse or plan.harness.neighbours or plan.harness.supply.dips or isinstance(load, Motor))
    seen = (steady and side == "low", steady)  # a high side's resting source is not seen
    return replace(plan, events=events, pwm=pwm, drops_seen=seen)


def _pwm(load: Load, pulse: Pulse, spans: Spans) -> TruePwm:
    # Duties of coils and motors are asked to 5 points: their own voltage goes on between pulses.
    tolerance = 0.05 if isinstance(load, Coil | Motor) else 0.02
    return TruePwm(pulse.hertz, pulse.conducting(load.ohm), tolerance, spans)


def _feed_dropout() -> Plan:
    gap = (1.9504, 1.9587)
    events = (gap_event("feed dropout", [gap], "low"),)
    return _one_side(
        "lamp, ground side, feed dropout", "low", LAMP, CONTACT, events=events, feed=Wire(0.03, (gap,))
    )


def _ground_dropout() -> Plan:
    gap = (3.1502, 3.1548)
    events = (gap_event("ground dropout", [gap], "high"),)
    return _one_side(
        "relay, positive side, ground dropout",
        "high",
        RELAY,
        CONTACT,
        events=events,
        ground=Wire(0.01, (gap,)),
    )


def _leaking_driver() -> Plan:
    """It lets 50 microamperes of open-load test current and a megohm's leak through to an LED string."""
    driver = replace(DRIVER, test_a=5e-5, leak_ohm=1e6)
    return _one_side("LED string, positive side, leaking driver", "high", LEDS, driver, leads_on=SWAPPED)


def _shared_ground() -> Plan:
    """A neighbour's lamps lift the common ground by 0.6 V and more, out of step with the load."""
    other = Neighbour(Lamp(13.5, 42.0), ((0.2, 0.8), (1.4, 2.0), (2.6, 3.9)), shares_feed=False)
    load = Lamp(13.5, 10.0)
    name = "lamp, positive side, shared ground"
    return _one_side(name, "high", load, CONTACT, shared_ground=Wire(0.2), neighbours=(other,))


def _cranking() -> Plan:
    """The lamp is on while the engine is cranked: ISO 16750-2 level I for 12 V, as in `supply`."""
    dip = Dip(1.9, 0.9, 8.0, 9.5, 0.015, 0.5, 6.0)
    return _one_side(
        "lamp, ground side, engine cranked",
        "low",
        LAMP,
        CONTACT,
        spans=((0.5003, 1.1117), (1.4009, 3.3121)),
        supply=Supply(12.0, 12.6, dips=(dip,)),
        events=(TrueEvent("supply dip", dip.t_s, dip.duration_s),),
    )


def _both_ends() -> Plan:
    """A module feeds and grounds its relay, and holds both pins by resistors while it is off."""
    moves = _moves(DRIVER, WORKED)
    place = Place(DRIVER, moves.spans)
    claim = Claim("both ends", "both ends", ("both ends",), "both", True)
    pulls = (("feedend", "pinf", 2e4), ("ping", "gndend", 2e4))
    commands = commands_of(moves, LENGTH_S)
    return _plan("relay, both ends", RELAY, claim, commands, None, high_f=place, low_g=place, pulls=pulls)


def _reversing() -> Plan:
    """A bridge of two change-over contacts that rest on ground; forward, reverse, forward."""
    dead_s, switch = 1e-3, Contact(0.01)
    ways = {"forward": (WORKED[0], WORKED[2]), "reverse": (WORKED[1],)}
    resting = {way: without(ALWAYS, [(a - dead_s, b + dead_s) for a, b in s]) for way, s in ways.items()}
    commands = [
        replace(c, settled_s=c.t_s + dead_s)
        for way, spans in ways.items()
        for c in commands_of(_moves(switch, spans), LENGTH_S, way)
    ]
    return _plan(
        "motor, reversing",
        Motor(1.5, 1e-3, 10.0, 1.5, 0.1),
        Claim("reversing", "reversing", ("reversing",), "both", True),
        tuple(sorted(commands, key=lambda c: c.t_s)),
        None,
        high_f=Place(switch, ways["forward"]),
        low_f=Place(switch, resting["forward"]),
        high_g=Place(switch, ways["reverse"]),
        low_g=Place(switch, resting["reverse"]),
    )


CIRCUITS: tuple[Plan, ...] = (
    _one_side("lamp, ground side", "low", LAMP, CONTACT),
    _one_side(
        "lamp of 24 V, positive side",
        "high",
        Lamp(28.0, 21.0),
        CONTACT,
        supply=Supply(24.0, 27.6),
        leads_on=SWAPPED,
    ),
    _one_side("relay with diode, ground side", "low", RELAY, DRIVER),
    _one_side("relay without clamp, ground side", "low", BARE_RELAY, CONTACT, leads_on=SWAPPED),
    _one_side("solenoid, positive side", "high", SOLENOID, DRIVER),
    _one_side("injector, ground side, pulsed", "low", INJECTOR, DRIVER, pulse=Pulse(25.0, 0.12)),
    _one_side("LED string, ground side", "low", LEDS, DRIVER),
    _leaking_driver(),
    _one_side("motor, positive side", "high", BLOWER, CONTACT),
    _one_side("motor, ground side, pulsed", "low", BLOWER, DRIVER, pulse=Pulse(100.0, 0.7), leads_on=SWAPPED),
    _one_side("lamp, positive side, pulsed", "high", Lamp(13.5, 5.0), DRIVER, pulse=Pulse(120.0, 0.35)),
    _both_ends(),
    _reversing(),
    _shared_ground(),
    _feed_dropout(),
    _ground_dropout(),
    _cranking(),
)
"""`Plan.category` is the circuit's name."""
