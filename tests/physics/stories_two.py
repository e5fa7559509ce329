"""Stories of two and more switches: both ends of a load, reversing bridges."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.physics.draws import Draw
from tests.physics.harness import Harness, Place
from tests.physics.loads import Load, Resistor
from tests.physics.recordings import Claim, Command, Plan
from tests.physics.skeleton import commands_of, moved, switched
from tests.physics.switches import Contact, Switch, Transistor
from tests.physics.timeline import Spans
from tests.physics.truth import TrueEvent


def both_ends(draw: Draw) -> Plan:
    """Feed and ground both switched: a relay's key feed and its driver, a two-sided injector driver."""
    how = draw.pick(["in turn", "in turn", "biased", "biased", "together"])
    load = draw.load(("lamp", "coil", "coil", "heater", "motor"))
    length = draw.length(3.0, 6.0)
    low: Switch = replace(draw.transistor(load), test_a=0.0, leak_ohm=None)
    high = draw.contact() if how == "in turn" and draw.chance(0.5) else replace(low)
    spans = draw.cycling(length)
    high_spans, low_spans, claim = spans, spans, _together()
    if how == "in turn":
        high_spans, low_spans, claim = _taking_turns(draw, spans)
    pulls: tuple[tuple[str, str, float], ...] = ()
    if how == "biased":
        up = draw.spread(8e3, 5e4)
        pulls = (("feedend", "pinf", up), ("ping", "gndend", up * draw.uniform(0.6, 1.6)))
        claim = Claim("both ends", "both ends", ("both ends",), "both", True)
    upper, lower = moved(draw, high, high_spans), moved(draw, low, low_spans)
    settled = max((s - t for t, _, s in (*upper.commands, *lower.commands)), default=0.0)
    base = switched(draw, f"both ends, {how}", "low", load, low, spans, length)
    harness = replace(
        base.harness, high_f=Place(high, upper.spans), low_g=Place(low, lower.spans), pulls=pulls
    )
    return replace(
        base,
        harness=harness,
        claim=claim,
        commands=tuple(replace(c, settled_s=c.t_s + settled) for c in base.commands),
        drops_seen=(False, base.drops_seen[1]),
        description=f"{base.harness.supply.nominal_v:g} V, both ends switched {how}, {load.kind}",
    )


def _together() -> Claim:
    """Off, nothing holds the pins but the leads: it imitates a positive side."""
    accept = ("undetermined", "both ends")
    return Claim("both ends", "undetermined", accept, None, False, "high", ("f", "both"))


def _taking_turns(draw: Draw, spans: Spans) -> tuple[Spans, Spans, Claim]:
    """The load runs where both conduct; before and after each run one or the other leads or lags."""
    high, low, leads = [], [], []
    for a, b in spans:
        early, late = draw.uniform(0.05, 0.12), draw.uniform(0.05, 0.12)
        first_high, last_high = draw.chance(0.5), draw.chance(0.5)
        high.append((a - early if first_high else a, b + late if last_high else b))
        low.append((a if first_high else a - early, b if last_high else b + late))
        leads += [first_high, last_high] if math.isfinite(b) else [first_high]
    accept, looks = ["undetermined", "both ends"], None
    if all(leads):  # the feed wakes before and sleeps after: the ground side works the load
        accept.append("low")
    elif not any(leads):  # the ground waits for the feed: it imitates a positive side
        looks = "high"
    claim = Claim("both ends", "undetermined", tuple(accept), None, False, looks, ("f", "g", "both"))
    return tuple(high), tuple(low), claim


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
    direct = draw.chance(0.25) and not one_way
    if direct:
        spans, ways = _plugged(draw, spans)
    forward = tuple(s for s, way in zip(spans, ways, strict=True) if way == "forward")
    backward = tuple(s for s, way in zip(spans, ways, strict=True) if way == "reverse")
    harness, commands = _bridge(draw, load, switch, rest, forward, backward, length)
    turns = tuple((end - 1e-3, end + 1e-3) for _, end in spans[::2]) if direct else ()
    if direct:
        ends = {start: end for (_, end), (start, _) in zip(spans[::2], spans[1::2], strict=True)}
        commands = tuple(replace(c, leaving_s=ends.get(c.t_s)) for c in commands)
    pauses = tuple(
        TrueEvent("switch-off or dropout", c.leaving_s, c.t_s - c.leaving_s, required=False)
        for c in commands
        if c.leaving_s is not None
    )
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
    how = "at once" if direct else "both ways" if both else "one way"
    return Plan(
        f"reversing, {how}",
        f"bridge resting at {rest}, {load.kind}",
        harness,
        draw.converter(),
        length,
        claim,
        "off",
        commands,
        events=pauses,
        faint=turns,
        settings={"rest": rest, "load": repr(load), "switch": repr(switch)},
    )


def _plugged(draw: Draw, spans: Spans) -> tuple[Spans, list[str]]:
    """Every run turns straight into the other direction, 5 to 40 ms apart."""
    out: list[tuple[float, float]] = []
    ways: list[str] = []
    for a, b in spans:
        middle = a + draw.uniform(0.4, 0.6) * (min(b, a + 2.0) - a)
        out += [(a, middle), (middle + draw.uniform(0.005, 0.04), b)]
        ways += draw.pick([["forward", "reverse"], ["reverse", "forward"]])
    return tuple(out), ways


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


TABLE = (
    ("both ends", 5.0, both_ends, "feed and ground both switched: in turn, together, with bias"),
    ("reversing", 6.0, reversing, "bridge, resting at ground, feed or floating; both ways, at once, or one"),
)
