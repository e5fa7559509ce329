"""Stories of one load switched on one side, as it should be: contacts, transistors, people, relays."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from tests.physics.draws import Draw
from tests.physics.harness import Branch, Place, Wire
from tests.physics.recordings import Plan
from tests.physics.skeleton import moved, off_segments, switched, undecidable, with_main
from tests.physics.switches import Contact
from tests.physics.timeline import Spans, operations


def contact_switched(draw: Draw) -> Plan:
    return switched(draw, "contact", switch=draw.contact())


def transistor_switched(draw: Draw) -> Plan:
    load = draw.load()
    return switched(draw, "transistor", load=load, switch=draw.transistor(load))


def slow_slopes(draw: Draw) -> Plan:
    load = draw.load(("lamp", "heater", "LED", "motor", "two"))
    switch = draw.transistor(load, slow=True)
    if draw.chance(0.3):
        switch = replace(switch, travel_s=draw.spread(0.04, 0.3))
    plan = switched(draw, "slow slopes", load=load, switch=switch)
    return replace(plan, drops_seen=(False, False)) if switch.travel_s > 0.02 else plan


def flasher(draw: Draw) -> Plan:
    """Turn signals: 60 to 120 a minute (as commonly required); every flash is an operation."""
    load = draw.load(("lamp", "lamp", "LED"))
    period = 60.0 / draw.uniform(60, 120)
    length = draw.length(2.5, 6.0)
    share = draw.uniform(0.4, 0.6)
    starts = np.arange(draw.uniform(0.1, 0.4), length - 0.1, period)
    spans = tuple((float(a), float(a) + share * period) for a in starts)
    return switched(draw, "flasher", load=load, spans=spans, length_s=length)


def taps(draw: Draw) -> Plan:
    """Short operations: a lock, a starter solenoid, a thumb on a horn."""
    length = draw.length(2.0, 4.0)
    spans: list[tuple[float, float]] = []
    at = draw.uniform(0.1, 0.5)
    while at < length - 0.3:
        end = at + draw.spread(0.03, 0.2)
        spans.append((at, end))
        at = end + draw.spread(0.06, 0.8)
    converter = replace(draw.converter(fast_only=True), rate_hz=draw.pick([2000.0, 4000.0, 4000.0, 8000.0]))
    load = draw.load(("lamp", "heater", "coil", "motor", "LED"))
    return switched(draw, "taps", load=load, spans=tuple(spans), length_s=length, converter=converter)


def never_switched(draw: Draw) -> Plan:
    """Always on, or always off: nothing to conclude from."""
    on = draw.chance(0.5)
    spans: Spans = ((-1.0, math.inf),) if on else ()
    plan = switched(draw, "always on" if on else "always off", spans=spans, length_s=draw.length(1.2, 3.0))
    return replace(plan, claim=undecidable(plan.claim.wiring), load_seen=False, drops_seen=(False, False))


def one_change(draw: Draw) -> Plan:
    """The control moved once: not enough for a definite answer, and not wrong if left open."""
    length = draw.length(1.5, 3.0)
    at = draw.uniform(0.4, length - 0.4)
    spans: Spans = ((at, math.inf),) if draw.chance(0.5) else ((-1.0, at),)
    plan = switched(draw, "one change", spans=spans, length_s=length)
    claim = replace(plan.claim, decidable=False, acceptable=(*plan.claim.acceptable, "undetermined"))
    return replace(plan, claim=claim)


def stepped(draw: Draw) -> Plan:
    """Two speeds or two brightnesses: the same wire carries full current or some through a resistor."""
    load = draw.load(("lamp", "heater", "motor"))
    length = draw.length(2.5, 5.0)
    spans = draw.cycling(length)
    switch = draw.contact()
    plan = switched(draw, "stepped", load=load, switch=switch, spans=spans, length_s=length)
    turns = [a + 0.45 * (min(b, length) - a) for a, b in spans]
    overlap = draw.uniform(0.01, 0.05) if draw.chance(0.6) else 0.0
    dim = tuple((a, t + overlap) for (a, _), t in zip(spans, turns, strict=True))
    full = tuple((t, b) for (_, b), t in zip(spans, turns, strict=True))
    share = draw.uniform(0.15, 0.4)
    ends = ("feedend", "pinf") if plan.claim.side == "high" else ("ping", "gndend")
    resistor = Branch(Place(Contact(0.01), dim), *ends, load.ohm * share / (1 - share))
    harness = replace(with_main(plan, Place(switch, moved(draw, switch, full).spans)), branches=(resistor,))
    unjudged = tuple((t - 0.003, t + 0.02) for t in turns)
    return replace(plan, harness=harness, unjudged=unjudged, drops_seen=(False, False))


def test_pulses(draw: Draw) -> Plan:
    """A control unit checks its lamp with pulses too short to see."""
    plan = switched(draw, "test pulses", load=draw.load(("lamp", "lamp", "LED", "two")))
    place = plan.harness.high_f or plan.harness.low_g
    assert place is not None
    stretches = off_segments(plan, 0.1)
    width = draw.spread(2e-4, 1.5e-3)
    every = draw.uniform(0.08, 1.0)
    starts = [float(t) for a, b in stretches for t in np.arange(a + 0.04, b - 0.03, every)]
    pulses = tuple((t, t + width) for t in starts)
    place = replace(place, spans=tuple(sorted((*place.spans, *pulses))))
    unjudged = tuple((a - 0.002, b + 0.004) for a, b in pulses)
    return replace(plan, harness=with_main(plan, place), unjudged=unjudged)


def braked(draw: Draw) -> Plan:
    """A motor that is shorted when switched off, as a wiper's park contact or a window relay does."""
    length = draw.length(3.0, 6.0)
    load, switch = draw.motor(), Contact(draw.spread(0.003, 0.03), draw.spread(3e-4, 4e-3))
    plan = switched(
        draw, "braked motor", load=load, switch=switch, spans=draw.cycling(length), length_s=length
    )
    dead = draw.uniform(5e-4, 5e-3)
    place = plan.harness.high_f or plan.harness.low_g
    assert place is not None
    rests: list[tuple[float, float]] = []
    at = -1.0
    for a, b in place.spans:
        if a - dead > at:
            rests.append((at, a - dead))
        at = b + dead
    rests.append((at, math.inf))
    brake = Place(switch, tuple((a, b) for a, b in rests if a < length))
    if plan.claim.side == "high":
        return replace(plan, harness=replace(plan.harness, low_f=brake))
    return replace(plan, harness=replace(plan.harness, high_g=brake))


def feed_wakes(draw: Draw) -> Plan:
    """The key goes on: a ground-side switched load goes from 0/0 to source/source, then is worked."""
    length = draw.length(3.0, 6.0)
    wakes = draw.uniform(0.3, 1.0)
    load = draw.load(("lamp", "heater", "LED", "coil", "motor"))
    worked = operations(draw.rng, length - wakes, (0.2, 0.5), (0.2, 0.5))
    spans = tuple((a + wakes + 0.1, b + wakes + 0.1) for a, b in worked)
    plan = switched(draw, "feed wakes", "low", load, spans=spans, length_s=length)
    gaps = [(-1.0, wakes)]
    stretches = off_segments(plan, 0.25)
    if draw.chance(0.4) and len(stretches) > 1:  # and sleeps once more
        a, b = stretches[-1]
        gaps.append((a + 0.3 * (b - a), a + 0.7 * (b - a)))
    feed = replace(plan.harness.feed, gaps=tuple(gaps))
    return replace(
        plan, harness=replace(plan.harness, feed=feed, pulls=()), drops_seen=(False, plan.drops_seen[1])
    )


def no_trace(draw: Draw) -> Plan:
    """The fuse is out and both pins hang on nothing but the load: 0/0 whatever is done."""
    plan = switched(draw, "fuse out", length_s=draw.length(1.5, 3.0))
    feed = Wire(0.03, ((-1.0, math.inf),))
    return replace(
        plan,
        harness=replace(plan.harness, feed=feed, pulls=()),
        claim=undecidable(plan.claim.wiring),
        unjudged=((0.0, plan.length_s),),
        load_seen=False,
        drops_seen=(False, False),
    )


TABLE = (
    ("contact", 9.0, contact_switched, "one side, mechanical or relay contact with bounce"),
    ("transistor", 9.0, transistor_switched, "one side, transistor with drop, leakage, test current"),
    ("slow slopes", 3.0, slow_slopes, "transistor that takes milliseconds"),
    ("flasher", 2.0, flasher, "60 to 120 flashes a minute"),
    ("taps", 2.0, taps, "30 to 200 ms operations"),
    ("never switched", 4.0, never_switched, "always on or always off"),
    ("one change", 3.0, one_change, "switched once"),
    ("stepped", 2.0, stepped, "dim then bright, slow then fast, through a resistor"),
    ("test pulses", 1.5, test_pulses, "lamp check pulses of 0.2 to 1.5 ms while off"),
    ("braked motor", 2.0, braked, "motor shorted when off"),
    ("feed wakes", 2.0, feed_wakes, "key on (and off again) beside the control"),
    ("fuse out", 1.0, no_trace, "0/0 throughout"),
)
