"""Stories of circuits that fail: gaps, bad wires, opens, a lost reference."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.physics.draws import Draw
from tests.physics.harness import Branch, Harness, Place, Wire
from tests.physics.recordings import Claim, Plan
from tests.physics.skeleton import (
    gap_event,
    gaps_in,
    off_segments,
    on_segments,
    switched,
    undecidable,
)
from tests.physics.switches import Contact
from tests.physics.timeline import Spans
from tests.physics.truth import TrueEvent

OPEN: tuple[float, float] = (-1.0, math.inf)


def dropouts(draw: Draw) -> Plan:
    """The control is worked; while the load is on, a wire opens for 0.4 to 50 ms, once or fretting."""
    plan = switched(draw, "dropouts", load=draw.load(("lamp", "heater", "LED", "coil", "motor")))
    place = draw.pick(["feed", "ground"])
    stretches = on_segments(plan, 0.12)
    gaps: list[tuple[float, float]] = []
    events: list[TrueEvent] = []
    for stretch in stretches:
        if not events or draw.chance(0.5):
            pieces = gaps_in(draw, stretch, draw.chance(0.35))
            gaps += pieces
            events.append(gap_event(f"{place} dropout", pieces, plan.claim.side))
    harness = _with_gaps(draw, plan.harness, place, tuple(gaps))
    return replace(
        plan,
        harness=harness,
        events=tuple(events),
        category=f"{place} dropouts, {plan.claim.side} side",
        drops_seen=(False, False),
    )


def _with_gaps(draw: Draw, harness: Harness, place: str, gaps: tuple[tuple[float, float], ...]) -> Harness:
    wire = replace(getattr(harness, place), gaps=gaps, travel_s=draw.spread(1e-5, 1e-4))
    return replace(harness, **{place: wire})


def steady_with_gaps(draw: Draw) -> Plan:
    """Always on, with a few gaps: must not settle a side."""
    place = draw.pick(["feed", "ground"])
    length = draw.length(2.0, 4.0)
    load = draw.load(("lamp", "heater", "LED", "coil"))
    plan = switched(draw, "steady with gaps", load=load, spans=((-1.0, math.inf),), length_s=length)
    gaps: list[tuple[float, float]] = []
    events: list[TrueEvent] = []
    count = int(draw.rng.integers(1, 5))
    for number in range(count):
        stretch = (0.2 + number * (length - 0.4) / count, 0.2 + (number + 1) * (length - 0.4) / count)
        pieces = gaps_in(draw, stretch, draw.chance(0.3))
        gaps += pieces
        events.append(gap_event(f"{place} dropout", pieces, plan.claim.side, known=False))
    side = plan.claim.wiring
    looks = "high" if place == "feed" else "low"
    claim = undecidable(side, looks if looks != side else None)
    harness = _with_gaps(draw, plan.harness, place, tuple(gaps))
    unjudged = tuple((e.t_s - 0.01, e.t_s + e.duration_s + 0.01) for e in events)
    events = [replace(e, as_edges=True, also=("switch-off or dropout",)) for e in events]
    return replace(
        plan,
        harness=harness,
        events=tuple(events),
        claim=claim,
        unjudged=unjudged,
        drops_seen=(False, False),
        load_seen=False,
    )


def high_resistance(draw: Draw) -> Plan:
    """A corroded feed or ground: the load runs on less."""
    place = draw.pick(["feed", "ground"])
    plan = switched(draw, f"high resistance {place}", load=draw.load(("lamp", "heater", "coil", "motor")))
    wire = draw.poor_wire(plan.harness.load)
    return replace(plan, harness=replace(plan.harness, **{place: wire}))  # type: ignore[arg-type]


def resistance_comes_and_goes(draw: Draw) -> Plan:
    """While the load is on, the feed's resistance rises for a while: a sag by voltage."""
    load = draw.load(("lamp", "heater"))
    plan = switched(draw, "sagging feed", load=load, length_s=draw.length(2.5, 5.0))
    stretches = on_segments(plan, 0.3)
    if not stretches:
        return plan
    a, b = draw.pick(stretches)
    start = a + draw.uniform(0.3, 0.5) * (b - a)
    duration = draw.uniform(0.06, 0.4) * (b - start)
    share = draw.uniform(0.15, 0.45)
    feed = replace(
        plan.harness.feed,
        gaps=((start, start + duration),),
        gap_ohm=load.ohm * share / (1 - share),
        travel_s=draw.spread(1e-4, 5e-3),
    )
    event = TrueEvent("sag or feed loss", start, duration, ("supply dip", "feed dropout"), hard=True)
    return replace(plan, harness=replace(plan.harness, feed=feed), events=(event,), drops_seen=(False, False))


def open_from_start(draw: Draw) -> Plan:
    """Feed, ground or load open all the time while the control is worked."""
    place = draw.pick(["feed", "ground", "load"])
    plan = switched(draw, f"open {place}", load=draw.load(("lamp", "heater", "LED", "coil")))
    side = plan.claim.side
    claim = undecidable(side)
    harness = plan.harness
    if place == "load":
        harness = replace(harness, load_joint=Wire(0.01, (OPEN,)))
        pull = draw.chance(0.4)
        harness = replace(harness, pulls=())
        if side == "low" and pull:
            harness = replace(harness, pulls=(("feedend", "ping", draw.spread(1e4, 5e4)),))
        if side == "high" or pull:
            claim = plan.claim
        elif not pull:
            claim = undecidable(side)
    else:
        harness = replace(harness, pulls=(), **{place: Wire(0.03, (OPEN,))})  # type: ignore[arg-type]
        claim = replace(claim, acceptable=("undetermined",))
    claim = replace(claim, acceptable=tuple(dict.fromkeys((*claim.acceptable, "undetermined"))))
    unjudged = ((0.0, plan.length_s),) if claim.side == "undetermined" else ()
    return replace(
        plan,
        harness=harness,
        claim=claim,
        unjudged=unjudged,
        load_seen=False,
        drops_seen=(False, False),
        category=f"open {place}, {side} side",
    )


def opens_for_good(draw: Draw) -> Plan:
    """Worked for a while, then a wire opens and stays open."""
    length = draw.length(3.0, 6.0)
    plan = switched(
        draw,
        "opens",
        length_s=length,
        load=draw.load(("lamp", "heater", "LED", "coil")),
        spans=_busy(draw, length),
    )
    place = draw.pick(["feed", "ground"])
    stretches = [s for s in on_segments(plan, 0.1) if s[0] > 0.45 * length] or on_segments(plan, 0.1)[-1:]
    if not stretches:
        return plan
    a, b = stretches[0]
    at = draw.uniform(a + 0.3 * (b - a), b - 0.3 * (b - a))
    harness = replace(plan.harness, **{place: replace(getattr(plan.harness, place), gaps=((at, math.inf),))})
    event = gap_event(f"{place} dropout", [(at, length)], plan.claim.side)
    event = replace(event, permanent=True, also=(*event.also, "switch-off or dropout"))
    if event.as_edges:
        event = replace(event, required=False)
    before = sum(c.t_s < at for c in plan.commands)
    claim = plan.claim
    if before < 2:
        claim = replace(claim, decidable=False, acceptable=(*claim.acceptable, "undetermined"))
    return replace(
        plan,
        harness=harness,
        events=(event,),
        claim=claim,
        unjudged=((at - 0.003, length),),
        category=f"{place} opens, {plan.claim.side} side",
        drops_seen=(False, False),
    )


def _busy(draw: Draw, length: float) -> Spans:
    step = length / draw.uniform(5.5, 8.5)
    spans, at = [], draw.uniform(0.15, 0.4)
    while at + step < length:
        on = step * draw.uniform(0.35, 0.6)
        spans.append((at, at + on))
        at += step
    return tuple(spans)


def reference_lost(draw: Draw) -> Plan:
    """The reference lead falls off for part of the recording, or was never on."""
    whole = draw.chance(0.4)
    length = draw.length(3.0, 6.0)
    plan = switched(
        draw,
        "reference lost",
        length_s=length,
        spans=_busy(draw, length),
        load=draw.load(("lamp", "heater", "LED", "coil", "motor")),
    )
    a, b = (-1.0, math.inf) if whole else (draw.uniform(0.4, 0.6) * length, math.inf)
    if not whole and draw.chance(0.5):
        b = a + draw.uniform(0.15, 0.3) * length
    clips = replace(plan.harness.clips, reference=_except(a, b))
    start, end = max(a, 0.0), min(b, length)
    shows = any(x < end and y > start + 0.02 for x, y in on_segments(plan, 0.05))
    first = next((max(x, start) for x, y in on_segments(plan, 0.05) if y > start + 0.02), start)
    event = TrueEvent(
        "reference lost",
        start,
        end - start,
        required=shows and first < end,
        hard=first > start + 0.01,
        permanent=b == math.inf,
    )
    claim = plan.claim
    before = sum(c.t_s < start for c in plan.commands)
    if whole or before < 2:
        claim = Claim(claim.wiring, "undetermined", ("undetermined",), None, False, None, (claim.control,))
    after = ((start - 0.02, end + 0.02),)
    return replace(
        plan,
        harness=replace(plan.harness, clips=clips),
        events=(event,),
        claim=claim,
        unjudged=after,
        category="reference never on" if whole else "reference lost",
        safety=("reference lost",),
        drops_seen=(False, False),
        load_seen=not whole,
    )


def _except(a: float, b: float) -> Spans:
    first: Spans = ((-1.0, a),) if a > 0 else ()
    return (*first, (b, math.inf)) if math.isfinite(b) else first


def gap_while_off(draw: Draw) -> Plan:
    """The feed is interrupted while a ground-side load is off: both leads fall together and return."""
    plan = switched(draw, "feed gap while off", "low", draw.load(("lamp", "heater", "LED", "coil")))
    stretches = off_segments(plan, 0.12)
    if not stretches:
        return plan
    pieces = gaps_in(draw, draw.pick(stretches), draw.chance(0.3))
    event = replace(gap_event("feed dropout", pieces, "low"), required=False)
    feed = replace(plan.harness.feed, gaps=tuple(pieces))
    return replace(plan, harness=replace(plan.harness, feed=feed), events=(event,), drops_seen=(False, False))


def fuse_blows(draw: Draw) -> Plan:
    """While the load is on, its feed pin touches ground: the source sags, then the fuse opens for good."""
    length = draw.length(3.0, 5.0)
    load = draw.load(("lamp", "heater", "coil", "LED"))
    plan = switched(draw, "fuse blows", load=load, length_s=length, spans=_busy(draw, length))
    stretches = [s for s in on_segments(plan, 0.1) if s[0] > 0.5 * length] or on_segments(plan, 0.1)[-1:]
    at = stretches[0][0] + 0.5 * (stretches[0][1] - stretches[0][0])
    blown = at + draw.spread(0.003, 0.1)
    short = Branch(Place(Contact(draw.spread(0.005, 0.05), arc_v=60.0), ((at, math.inf),)), "pinf", "0")
    harness = replace(
        plan.harness, branches=(short,), feed=replace(plan.harness.feed, gaps=((blown, math.inf),))
    )
    events = (
        TrueEvent(
            "feed dropout", at, length - at, ("switch-off or dropout",), required=False, permanent=True
        ),
        TrueEvent("sag or feed loss", at, blown - at, ("supply dip",), required=False),
    )
    return replace(
        plan, harness=harness, events=events, unjudged=((at - 0.003, length),), drops_seen=(False, False)
    )


def driver_retries(draw: Draw) -> Plan:
    """A protected driver tries a shorted wire every now and then for a millisecond or two."""
    plan = switched(draw, "driver retries", "high", draw.lamp(), length_s=draw.length(2.0, 4.0))
    place = plan.harness.high_f
    assert place is not None
    every, width = draw.spread(0.02, 0.3), draw.spread(3e-4, 2e-3)
    tries: list[tuple[float, float]] = []
    for a, b in place.spans:
        at = max(a, 0.05)
        while at < min(b, plan.length_s):
            tries.append((at, at + width))
            at += every
    short = Branch(Place(Contact(0.05), ((-1.0, math.inf),)), "pinf", "0")
    harness = replace(plan.harness, high_f=replace(place, spans=tuple(tries)), branches=(short,))
    claim = undecidable("high", also=("high",))
    return replace(
        plan,
        harness=harness,
        claim=claim,
        unjudged=((0.0, plan.length_s),),
        load_seen=False,
        drops_seen=(False, False),
    )


def dirty_contact(draw: Draw) -> Plan:
    """The switch itself drops volts, a different amount at every operation."""
    length = draw.length(2.5, 5.0)
    load = draw.load(("lamp", "heater", "coil", "motor"))
    spans = draw.cycling(length)
    plan = switched(draw, "dirty contact", load=load, switch=draw.contact(), spans=spans, length_s=length)
    place = plan.harness.high_f or plan.harness.low_g
    assert place is not None
    parts: list[Branch] = []
    ends = ("feedend", "pinf") if plan.claim.side == "high" else ("ping", "gndend")
    for a, b in spans:
        inside = tuple((x, y) for x, y in place.spans if x >= a - 0.001 and x <= b)
        share = draw.spread(0.005, 0.25)
        parts.append(Branch(Place(Contact(0.005), inside), *ends, load.ohm * share / (1 - share)))
    idle = replace(place, spans=())
    harness = replace(plan.harness, branches=tuple(parts))
    harness = replace(harness, high_f=idle) if plan.claim.side == "high" else replace(harness, low_g=idle)
    return replace(plan, harness=harness, drops_seen=(False, False))


TABLE = (
    ("fuse blows", 1.5, fuse_blows, "short to ground while on, then the fuse opens"),
    ("driver retries", 1.0, driver_retries, "protected driver into a short"),
    ("dirty contact", 2.0, dirty_contact, "switch with changing resistance"),
    ("dropouts", 14.0, dropouts, "feed or ground gaps of 0.4 to 50 ms while on, single or fretting"),
    ("steady with gaps", 5.0, steady_with_gaps, "always on with a few gaps; no side may be concluded"),
    ("high resistance", 6.0, high_resistance, "corroded feed or ground"),
    ("sagging feed", 2.0, resistance_comes_and_goes, "the feed's resistance rises for a while"),
    ("open from start", 6.0, open_from_start, "open feed, ground or load while worked"),
    ("opens for good", 5.0, opens_for_good, "a wire opens in the middle and stays open"),
    ("reference lost", 6.0, reference_lost, "reference lead off, whole recording or part"),
    ("gap while off", 2.0, gap_while_off, "feed gap while a ground-side load is off"),
)
