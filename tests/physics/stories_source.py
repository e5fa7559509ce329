"""Stories of a source and a ground that move: starting, charging, ripple, load dump, neighbours."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from tests.physics.draws import Draw
from tests.physics.harness import Neighbour, Wire
from tests.physics.loads import Resistor
from tests.physics.recordings import Plan
from tests.physics.skeleton import switched, undecidable
from tests.physics.supply import STARTING_LEVELS, Dip, Supply
from tests.physics.timeline import Spans, operations
from tests.physics.truth import TrueEvent


def charging_sets_in(draw: Draw) -> Plan:
    """The engine starts charging while somebody works the control."""
    supply = draw.supply()
    low = replace(supply, resting_v=draw.uniform(11.8, 12.6) * draw.scale)
    begin, rise = draw.uniform(0.3, 1.5), draw.uniform(0.3, 1.5)
    up = draw.uniform(1.2, 2.2) * draw.scale
    trend = tuple((begin + rise * x, up * (1 - math.exp(-4 * x))) for x in np.linspace(0, 1, 9))
    return switched(draw, "charging sets in", supply=replace(low, trend=((begin, 0.0), *trend[1:])))


def noisy_source(draw: Draw) -> Plan:
    """Ignition and switching noise rides on the source."""
    length = draw.length(1.5, 4.0)
    times = np.arange(0.01, length, draw.spread(0.008, 0.05))
    spikes = tuple(
        (float(t), draw.uniform(-4, 8) * draw.scale, draw.spread(2e-5, 2e-4))
        for t in times + draw.uniform(0, 0.002)
    )
    supply = replace(draw.supply(), spikes=spikes)
    return switched(draw, "noisy source", supply=supply, length_s=length)


def starting_dip(draw: Draw, at: float, length: float, supply: Supply) -> Dip:
    """A start: the standard's profile, or a gentler one as healthy batteries give."""
    if draw.chance(0.5):
        dip_v, plateau, short = draw.pick(STARTING_LEVELS[supply.nominal_v])
    else:
        dip_v = supply.resting_v * draw.uniform(0.45, 0.75)
        plateau, short = supply.resting_v * draw.uniform(0.72, 0.86), draw.uniform(0.01, 0.06)
    ripple = draw.uniform(0.02, 0.08) * supply.resting_v
    return Dip(at, length, dip_v, min(plateau, 0.88 * supply.resting_v), short, ripple, draw.uniform(2, 12))


def starting(draw: Draw) -> Plan:
    """The engine is started while the load is on, off, or worked."""
    supply = draw.supply()
    supply = replace(supply, resting_v=draw.uniform(11.9, 12.9) * draw.scale, ripple_v=0.0)
    length = draw.length(3.5, 6.0)
    how = draw.pick(["worked", "worked", "worked", "steady on", "steady off"])
    duration = draw.uniform(0.4, 1.3)
    at = draw.uniform(0.8, length - duration - 0.8)
    dip = starting_dip(draw, at, duration, supply)
    supply = replace(supply, dips=(dip,))
    spans: Spans = {"steady on": ((-1.0, math.inf),), "steady off": ()}.get(how, ())
    if how == "worked":
        spans = draw.cycling(length, draw.chance(0.2))
    load = draw.load(("lamp", "heater", "LED", "coil", "motor"))
    plan = switched(draw, f"starting, {how}", load=load, spans=spans, length_s=length, supply=supply)
    event = TrueEvent("supply dip", at, duration, ("sag or feed loss",))
    claim = plan.claim
    if how != "worked":
        claim = undecidable(claim.wiring)
    faint = ((at - 0.01, at + duration + 0.01),)
    return replace(plan, events=(event,), claim=claim, faint=faint, load_seen=how == "worked")


def neighbours(draw: Draw) -> Plan:
    """Neighbours on the same splices go on and off at random."""
    length = draw.length(2.5, 5.0)
    plan = switched(
        draw, "neighbours", length_s=length, neighbours=draw.neighbours(int(draw.rng.integers(1, 4)), length)
    )
    wires = replace(
        plan.harness,
        shared_feed=replace(plan.harness.shared_feed, ohm=draw.spread(0.003, 0.15)),
        shared_ground=replace(plan.harness.shared_ground, ohm=draw.spread(0.002, 0.2)),
        strap_ohm=draw.spread(0.0005, 0.05),
    )
    return replace(plan, harness=wires)


def bad_shared_ground(draw: Draw) -> Plan:
    """Trailer lamps on one corroded ground: neighbours lift the ground pin by volts."""
    length = draw.length(2.5, 5.0)
    load = draw.load(("lamp", "lamp", "LED", "heater"))
    others = tuple(
        Neighbour(draw.lamp(), operations(draw.rng, length, (0.2, 0.6), (0.2, 0.6), draw.chance(0.3)), False)
        for _ in range(int(draw.rng.integers(1, 3)))
    )
    plan = switched(draw, "bad shared ground", load=load, length_s=length, neighbours=others)
    total = 1 / (1 / load.ohm + sum(1 / n.load.ohm for n in others))
    share = draw.uniform(0.05, 0.3)
    return replace(plan, harness=replace(plan.harness, shared_ground=Wire(total * share / (1 - share))))


def open_shared_ground(draw: Draw) -> Plan:
    """The shared ground is open: neighbours feed back through the splice, and no side shows."""
    length = draw.length(2.0, 4.0)
    load = draw.load(("lamp", "heater", "coil"))
    others = tuple(
        Neighbour(draw.lamp(), operations(draw.rng, length, (0.2, 0.9), (0.2, 0.9), draw.chance(0.5)), False)
        for _ in range(int(draw.rng.integers(1, 3)))
    )
    plan = switched(draw, "open shared ground", load=load, length_s=length, neighbours=others)
    harness = replace(plan.harness, shared_ground=Wire(0.01, ((-1.0, math.inf),)), pulls=())
    return replace(
        plan,
        harness=harness,
        claim=undecidable(plan.claim.wiring),
        unjudged=((0.0, length),),
        load_seen=False,
    )


def strap_offset(draw: Draw) -> Plan:
    """A starter or winch current lifts the chassis against the reference by up to a volt."""
    length = draw.length(2.5, 5.0)
    heavy = Resistor(draw.uniform(0.03, 0.15) * draw.scale**2)
    spans = operations(draw.rng, length, (0.2, 0.8), (0.3, 1.0))
    other = Neighbour(heavy, spans, shares_feed=False, on_strap=True)
    plan = switched(draw, "strap offset", length_s=length, neighbours=(other,))
    lifted = draw.uniform(0.2, 1.0)
    amps = draw.nominal / heavy.ohm
    supply = replace(plan.harness.supply, inner_ohm=draw.spread(0.004, 0.015))
    at = draw.pick(["0", "chassis"])
    harness = replace(plan.harness, strap_ohm=lifted / amps, supply=supply, reference_at=at)
    return replace(plan, harness=harness)


def strong_ripple(draw: Draw) -> Plan:
    """An alternator with a failed diode: the source swings by volts at 50 to 400 Hz."""
    supply = replace(
        draw.supply(),
        resting_v=draw.uniform(13.2, 14.4) * draw.scale,
        ripple_v=draw.uniform(0.3, 1.2) * draw.scale,
        ripple_hz=draw.spread(50.0, 400.0),
    )
    plan = switched(draw, "strong ripple", supply=supply, length_s=draw.length(1.8, 3.5))
    return replace(plan, drops_seen=(False, False))


def load_dump(draw: Draw) -> Plan:
    """The battery comes off a charging alternator: a clamped pulse of 35 or 58 V, 40 to 400 ms."""
    length = draw.length(2.5, 5.0)
    supply = draw.supply()
    top = {6.0: 18.0, 12.0: 35.0, 24.0: 58.0}[supply.nominal_v] * draw.uniform(0.7, 1.0)
    at, lasts = draw.uniform(0.3, 0.7) * length, draw.uniform(0.04, 0.4)
    peak = top - supply.resting_v
    fall = [(at + 0.008 + lasts * x, peak * (math.exp(-2.3 * x) - 0.1) / 0.9) for x in np.linspace(0, 1, 12)]
    supply = replace(supply, trend=((at, 0.0), *((float(t), v) for t, v in fall)))
    load = draw.load(("lamp", "heater", "coil", "motor"))
    plan = switched(draw, "load dump", load=load, supply=supply, length_s=length)
    return replace(plan, faint=((at - 0.01, at + lasts + 0.05),))


TABLE = (
    ("charging", 2.5, charging_sets_in, "the source rises while the control is worked"),
    ("noisy source", 2.0, noisy_source, "ignition-like spikes on the source"),
    ("strong ripple", 1.5, strong_ripple, "0.6 to 2.4 Vpp at 50 to 400 Hz on the source"),
    ("load dump", 1.0, load_dump, "clamped load dump"),
    ("starting", 6.0, starting, "engine started; load worked, steady on or steady off"),
    ("neighbours", 6.0, neighbours, "other loads on shared feed, ground, strap"),
    ("bad shared ground", 2.0, bad_shared_ground, "corroded splice lifted by neighbours"),
    ("open shared ground", 1.5, open_shared_ground, "open splice fed back by neighbours"),
    ("strap offset", 1.5, strap_offset, "starter current lifts the chassis"),
)
