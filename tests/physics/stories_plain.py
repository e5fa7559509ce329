"""Stories of circuits that work: switched one side, pulsed, both ends, reversing, on a moving source."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from tests.physics.draws import Draw
from tests.physics.harness import Harness, Place
from tests.physics.loads import Load, Resistor
from tests.physics.recordings import Claim, Command, Plan
from tests.physics.skeleton import commands_of, moved, switched, undecidable
from tests.physics.supply import STARTING_LEVELS, Dip, Supply
from tests.physics.switches import Contact, Pulse, Transistor
from tests.physics.timeline import Spans, operations
from tests.physics.truth import TrueEvent, TruePwm


def contact_switched(draw: Draw) -> Plan:
    return switched(draw, "contact", switch=draw.contact())


def transistor_switched(draw: Draw) -> Plan:
    load = draw.load()
    return switched(draw, "transistor", load=load, switch=draw.transistor(load))


def slow_slopes(draw: Draw) -> Plan:
    load = draw.load(("lamp", "heater", "LED", "motor"))
    return switched(draw, "slow slopes", load=load, switch=draw.transistor(load, slow=True))


def flasher(draw: Draw) -> Plan:
    """Turn signals: 60 to 120 a minute (as commonly required); every flash is an operation."""
    load = draw.load(("lamp", "lamp", "LED"))
    period = 60.0 / draw.uniform(60, 120)
    length = draw.length(2.5, 6.0)
    share = draw.uniform(0.4, 0.6)
    starts = np.arange(draw.uniform(0.1, 0.4), length - 0.1, period)
    spans = tuple((float(a), float(a) + share * period) for a in starts)
    return switched(draw, "flasher", load=load, spans=spans, length_s=length)


def pulsed(draw: Draw) -> Plan:
    """PWM from a driver: the whole recording or a stretch of it."""
    load = draw.load(("lamp", "heater", "LED", "coil", "motor"), switched_fast=True)
    hertz = draw.spread(10.0, 1000.0)
    driver = draw.transistor(load)
    driver = replace(driver, travel_s=min(driver.travel_s, 0.02 / hertz))
    pulse = Pulse(hertz, draw.uniform(0.08, 0.92), min(draw.spread(1e-6, 2e-4), 0.02 / hertz))
    length = draw.length(1.5, 3.0)
    whole = draw.chance(0.3)
    spans: Spans = ((-1.0, math.inf),) if whole else draw.cycling(length, draw.chance(0.2))
    plan = switched(
        draw,
        "pulsed",
        load=load,
        switch=driver,
        spans=spans,
        length_s=length,
        converter=draw.converter(fast_only=True),
        pulse=pulse,
    )
    stretches = tuple((max(a, 0.0), min(b, length)) for a, b in spans)
    commands = plan.commands
    if any((b - a) * hertz < 6 for a, b in stretches) or 2 * hertz > plan.converter.rate_hz * 0.5:
        commands = ()
    rate = plan.converter.rate_hz
    narrow = min(pulse.closed, 1 - pulse.closed) / hertz
    resolvable = (
        hertz < rate / 4 and narrow > max(1.5 / rate, 3e-4) and max(b - a for a, b in stretches) * hertz > 8
    )
    tolerance = 0.05 if load.kind == "motor" or load.kind.startswith("coil") or narrow < 4 / rate else 0.02
    pwm = TruePwm(hertz, pulse.conducting(min(load.ohm, 200.0)), tolerance, stretches, resolvable)
    claim = plan.claim
    if narrow < 2.5 / rate or hertz > rate / 8:
        claim = replace(claim, decidable=False, acceptable=(*claim.acceptable, "undetermined"))
    return replace(
        plan, pwm=pwm, commands=commands, claim=claim, unjudged=() if commands else ((0.0, length),)
    )


def both_ends(draw: Draw) -> Plan:
    """Feed and ground both switched: a relay's key feed and its driver, a two-sided injector driver."""
    how = draw.pick(["in turn", "in turn", "biased", "biased", "together"])
    load = draw.load(("lamp", "coil", "coil", "heater", "motor"))
    length = draw.length(3.0, 6.0)
    high, low = draw.switch(load), draw.transistor(load)
    if how != "in turn" and isinstance(high, Contact):
        high = draw.transistor(load)
    spans = draw.cycling(length)
    high_spans = low_spans = spans
    if how == "in turn":
        high_spans, low_spans = _taking_turns(draw, spans)
    pulls: tuple[tuple[str, str, float], ...] = ()
    if how == "biased":
        up = draw.spread(8e3, 5e4)
        pulls = (("feedend", "pinf", up), ("ping", "gndend", up * draw.uniform(0.6, 1.6)))
        low = replace(low, test_a=0.0)
    moves = moved(draw, high, high_spans)
    moves_low = moved(draw, low, low_spans)
    settled = max((s - t for t, _, s in (*moves.commands, *moves_low.commands)), default=0.0)
    commands = tuple(
        Command(t, state, t + settled)
        for a, b in spans
        for t, state in ((a, "on"), (b, "off"))
        if 0 < t < length - 0.02
    )
    base = switched(draw, "both ends", "low", load, low, spans, length)
    harness = replace(
        base.harness, high_f=Place(high, moves.spans), low_g=Place(low, moves_low.spans), pulls=pulls
    )
    if how == "together":
        claim = Claim(
            "both ends", "undetermined", ("undetermined", "both ends"), None, False, "high", ("f", "both")
        )
    else:
        claim = Claim("both ends", "both ends", ("both ends", "undetermined"), "both", how == "biased")
    return replace(
        base,
        harness=harness,
        claim=claim,
        commands=commands,
        drops_seen=(False, how != "motor"),
        category=f"both ends, {how}",
        description=f"both ends switched {how}, {load.kind}",
    )


def _taking_turns(draw: Draw, spans: Spans) -> tuple[Spans, Spans]:
    """The load runs where both conduct; before and after each run one or the other leads or lags."""
    high, low = [], []
    for a, b in spans:
        early, late = draw.uniform(0.05, 0.12), draw.uniform(0.05, 0.12)
        first_high, last_high = draw.chance(0.5), draw.chance(0.5)
        high.append((a - early if first_high else a, b + late if last_high else b))
        low.append((a if first_high else a - early, b if last_high else b + late))
    return tuple(high), tuple(low)


def reversing(draw: Draw) -> Plan:
    """A bridge of transistors or two change-over relays; both directions seen, or one only."""
    load: Load = draw.motor() if draw.chance(0.85) else Resistor(draw.spread(2, 30) * draw.scale)
    rest = draw.pick(["ground", "ground", "ground", "feed", "floating"])
    one_way = draw.chance(0.2)
    length = draw.length(3.0, 6.0)
    spans = draw.cycling(length)
    ways = ["forward" if i % 2 == 0 or one_way else "reverse" for i in range(len(spans))]
    if one_way and draw.chance(0.5):
        ways = ["reverse"] * len(ways)
    relays = draw.chance(0.5) and rest != "floating"
    switch = (
        Contact(draw.spread(0.003, 0.03), draw.spread(3e-4, 4e-3))
        if relays
        else replace(draw.transistor(load, saturating=False), test_a=0.0, leak_ohm=None, body_diode=True)
    )
    forward = tuple(s for s, way in zip(spans, ways, strict=True) if way == "forward")
    backward = tuple(s for s, way in zip(spans, ways, strict=True) if way == "reverse")
    harness, commands = _bridge(draw, load, switch, rest, forward, backward, length)
    both = bool(forward) and bool(backward) and len([c for c in commands if c.state != "off"]) >= 2
    looks = {"ground": "high", "feed": "low", "floating": None}[rest]
    if both:
        claim = Claim("reversing", "reversing", ("reversing",), "both", True, other_controls=(None,))
    else:
        pin = ("f" if forward else "g") if rest == "ground" else ("g" if forward else "f")
        claim = Claim(
            "reversing",
            "undetermined",
            ("undetermined", "reversing", *((looks,) if looks else ("both ends",))),
            None,
            False,
            looks,
            (pin, "both"),
        )
    return Plan(
        f"reversing, {'both ways' if both else 'one way'}",
        f"bridge resting at {rest}, {load.kind}",
        harness,
        draw.converter(),
        length,
        claim,
        "off",
        commands,
        drops_seen=(False, False),
        settings={"rest": rest, "load": repr(load), "switch": repr(switch)},
    )


def _bridge(
    draw: Draw,
    load: Load,
    switch: Contact | Transistor,
    rest: str,
    forward: Spans,
    backward: Spans,
    length: float,
) -> tuple[Harness, tuple[Command, ...]]:
    """Four places; relays break before they make, transistors keep a dead time."""
    ahead, back = moved(draw, switch, forward), moved(draw, switch, backward)
    dead = draw.uniform(5e-4, 2e-3)
    resting_f, resting_g = _between(forward, dead, length), _between(backward, dead, length)
    high_f, low_f = ahead.spans, resting_f
    high_g, low_g = back.spans, resting_g
    if rest == "feed":  # at rest both pins at the feed; running pulls one of them down
        high_f, low_f = _between(backward, dead, length), back.spans
        high_g, low_g = _between(forward, dead, length), ahead.spans
    elif rest == "floating":
        high_f, low_g, high_g, low_f = ahead.spans, ahead.spans, back.spans, back.spans
    pulls = (("pinf", "gndend", 2e4), ("feedend", "pinf", 2.2e4)) if rest == "floating" else ()
    harness = Harness(
        draw.supply(),
        load,
        high_f=Place(switch, high_f),
        low_g=Place(switch, low_g),
        high_g=Place(switch, high_g),
        low_f=Place(switch, low_f),
        feed=draw.wire(load),
        ground=draw.wire(load, 0.0002, 0.008),
        pulls=pulls,
        clips=draw.clips(),
        leads_on=draw.leads(),
    )
    commands = sorted(
        (*commands_of(ahead, length, "forward"), *commands_of(back, length, "reverse")), key=lambda c: c.t_s
    )
    return harness, tuple(replace(c, settled_s=c.settled_s + dead) for c in commands)


def _between(spans: Spans, dead_s: float, length_s: float) -> Spans:
    """The rest of the time, with a dead time around every run."""
    out, at = [], -1.0
    for a, b in spans:
        if a - dead_s > at:
            out.append((at, a - dead_s))
        at = b + dead_s
    if at < length_s:
        out.append((at, math.inf))
    return tuple(out)


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


def feed_wakes(draw: Draw) -> Plan:
    """The key goes on: a ground-side switched load goes from 0/0 to source/source, then is worked."""
    length = draw.length(3.0, 6.0)
    wakes = draw.uniform(0.3, 1.0)
    load = draw.load(("lamp", "heater", "LED", "coil", "motor"))
    spans = tuple(
        (a + wakes + 0.1, b + wakes + 0.1)
        for a, b in operations(draw.rng, length - wakes, (0.2, 0.5), (0.2, 0.5))
    )
    plan = switched(draw, "feed wakes", "low", load, spans=spans, length_s=length)
    feed = replace(plan.harness.feed, gaps=((-1.0, wakes),))
    return replace(plan, harness=replace(plan.harness, feed=feed), drops_seen=(False, plan.drops_seen[1]))


def stepped(draw: Draw) -> Plan:
    """Two speeds or two brightnesses: the same wire carries full current or some through a resistor."""
    load = draw.load(("lamp", "heater", "motor"))
    length = draw.length(2.5, 5.0)
    spans = draw.cycling(length)
    switch = draw.contact()
    plan = switched(draw, "stepped", load=load, switch=switch, spans=spans, length_s=length)
    steps = tuple((a, a + 0.45 * (min(b, length) - a)) for a, b in spans)
    share = draw.uniform(0.15, 0.4)
    ohm = load.ohm * share / (1 - share)
    side = plan.claim.side
    harness = replace(
        plan.harness, stepping=(("feedend", "pinf") if side == "high" else ("ping", "gndend"), steps, ohm)
    )
    through = [(max(a, s_end), b) for (a, b), (_, s_end) in zip(spans, steps, strict=True)]
    full = Place(switch, moved(draw, switch, tuple(through)).spans)
    harness = replace(harness, high_f=full) if side == "high" else replace(harness, low_g=full)
    unjudged = tuple((s_end - 0.003, s_end + 0.02) for _, s_end in steps)
    return replace(plan, harness=harness, unjudged=unjudged, drops_seen=(False, False))


TABLE = (
    ("contact", 10.0, contact_switched, "one side, mechanical or relay contact with bounce"),
    ("transistor", 10.0, transistor_switched, "one side, transistor with drop, leakage, test current"),
    ("slow slopes", 3.0, slow_slopes, "transistor that takes milliseconds"),
    ("flasher", 2.0, flasher, "60 to 120 flashes a minute"),
    ("pulsed", 12.0, pulsed, "PWM, 10 Hz to 1 kHz, whole recording or a stretch"),
    ("both ends", 6.0, both_ends, "feed and ground both switched: in turn, together, with bias"),
    ("reversing", 6.0, reversing, "bridge, resting at ground, feed or floating; both ways or one"),
    ("charging", 3.0, charging_sets_in, "the source rises while the control is worked"),
    ("noisy source", 2.0, noisy_source, "ignition-like spikes on the source"),
    ("starting", 6.0, starting, "engine started; load worked, steady on or steady off"),
    ("never switched", 4.0, never_switched, "always on or always off"),
    ("one change", 3.0, one_change, "switched once"),
    ("neighbours", 8.0, neighbours, "other loads on shared feed, ground, strap"),
    ("feed wakes", 2.0, feed_wakes, "key on, then worked"),
    ("stepped", 2.0, stepped, "dim then bright, slow then fast, through a resistor"),
)
