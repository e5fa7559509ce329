"""The common skeleton: one load, switched on one side, with a timeline; stories bend what it returns."""

from __future__ import annotations

from dataclasses import replace

from tests.physics.draws import Draw
from tests.physics.frontend import Converter
from tests.physics.harness import Harness, Neighbour, Place
from tests.physics.loads import Load
from tests.physics.recordings import Claim, Command, Plan
from tests.physics.supply import Supply
from tests.physics.switches import Contact, Pulse, Switch, Transistor
from tests.physics.timeline import Moves, Spans, bouncing
from tests.physics.truth import TrueEvent


def moved(draw: Draw, switch: Switch, spans: Spans) -> Moves:
    """What the switch does when told to be closed in `spans`."""
    bounce = switch.bounce_s if isinstance(switch, Contact) else 0.0
    moves = bouncing(spans, draw.rng, bounce)
    extra = switch.travel_s
    return replace(moves, commands=tuple((t, closed, end + extra) for t, closed, end in moves.commands))


def commands_of(moves: Moves, length_s: float, state: str = "on") -> tuple[Command, ...]:
    return tuple(
        Command(t, state if closed else "off", settled)
        for t, closed, settled in moves.commands
        if 0 < t < length_s - 0.02
    )


def initial_of(spans: Spans) -> str:
    return "on" if spans and spans[0][0] <= 0 < spans[0][1] else "off"


def claim_for(side: str) -> Claim:
    """Healthy circuit, switched in view: the side can be known."""
    return Claim(side, side, (side,), {"low": "g", "high": "f"}[side], True)


def undecidable(wiring: str, lookalike: str | None = None, *, also: tuple[str, ...] = ()) -> Claim:
    return Claim(wiring, "undetermined", ("undetermined", *also), None, False, lookalike)


def switched(
    draw: Draw,
    category: str,
    side: str | None = None,
    load: Load | None = None,
    switch: Switch | None = None,
    spans: Spans | None = None,
    length_s: float | None = None,
    converter: Converter | None = None,
    supply: Supply | None = None,
    pulse: Pulse | None = None,
    neighbours: tuple[Neighbour, ...] = (),
) -> Plan:
    """A load switched on one side: everything not given is drawn."""
    side = side or draw.pick(["low", "high"])
    load = load or draw.load()
    switch = switch or draw.switch(load)
    length_s = length_s or draw.length()
    spans = draw.cycling(length_s, draw.chance(0.15)) if spans is None else spans
    supply = supply or draw.supply()
    moves = moved(draw, switch, spans)
    place = Place(switch, moves.spans, pulse)
    harness = Harness(
        supply,
        load,
        high_f=place if side == "high" else None,
        low_g=place if side == "low" else None,
        feed=draw.wire(load),
        ground=draw.wire(load, 0.0002, 0.008),
        neighbours=neighbours,
        pulls=draw.leaks(),
        clips=draw.clips(),
        leads_on=draw.leads(),
    )
    converter = converter or draw.converter()
    quiet = not neighbours and not supply.trend and not supply.dips
    settles = _settles(load) and converter.gain == (1.0, 1.0)
    return Plan(
        category=category,
        description=f"{supply.nominal_v:g} V, {load.kind}, {switch_words(switch)} on the {side} side",
        harness=harness,
        converter=converter,
        length_s=length_s,
        claim=claim_for(side),
        initial=initial_of(spans),
        commands=commands_of(moves, length_s),
        drops_seen=(quiet and settles and side == "low", quiet and settles),
        settings={
            "bounce_ms": 1e3 * getattr(switch, "bounce_s", 0.0),
            "load": repr(load),
            "switch": repr(switch),
        },
    )


def _settles(load: Load) -> bool:
    """Whether its current, and so the drops, come to rest."""
    return not any(word in load.kind for word in ("motor", "module", "interrupting"))


def switch_words(switch: Switch) -> str:
    if isinstance(switch, Transistor):
        return "transistor" if not switch.saturation_v else f"transistor ({switch.saturation_v:.1f} V)"
    return "contact"


def with_main(plan: Plan, place: Place) -> Harness:
    """The harness with another main switch."""
    if plan.claim.wiring == "high":
        return replace(plan.harness, high_f=place)
    return replace(plan.harness, low_g=place)


def on_segments(plan: Plan, shortest_s: float) -> list[tuple[float, float]]:
    """Where the load is on for at least `shortest_s`."""
    return [(a, b) for a, b, state in segments(plan) if state == "on" and b - a >= shortest_s]


def off_segments(plan: Plan, shortest_s: float) -> list[tuple[float, float]]:
    return [(a, b) for a, b, state in segments(plan) if state == "off" and b - a >= shortest_s]


def segments(plan: Plan) -> list[tuple[float, float, str]]:
    bounds = [(0.0, plan.initial), *((c.t_s, c.state) for c in plan.commands)]
    ends = [*(c.t_s for c in plan.commands), plan.length_s]
    return [(a, b, state) for (a, state), b in zip(bounds, ends, strict=True)]


def gaps_in(draw: Draw, stretch: tuple[float, float], fretting: bool) -> list[tuple[float, float]]:
    """One interruption (or a handful within it, as a loose pin makes) well inside a stretch."""
    a, b = stretch
    room = b - a
    length = min(draw.spread(4e-4, 0.05), room * 0.3)
    start = draw.uniform(a + 0.3 * room, a + 0.65 * room)
    if not fretting:
        return [(start, start + length)]
    length = max(length, 0.004)
    count = int(draw.rng.integers(2, 5))
    marks = sorted(float(x) for x in draw.rng.uniform(start, start + length, 2 * count))
    pairs = [(marks[i], marks[i + 1]) for i in range(0, 2 * count, 2)]
    return [(x, y) for x, y in pairs if y - x > 2e-4] or [(start, start + length)]


def gap_event(kind: str, pieces: list[tuple[float, float]], side: str, known: bool = True) -> TrueEvent:
    """The event that a run of interruptions is. On the switched side it equals a short switch-off."""
    same = (kind == "feed dropout") == (side == "high")
    also = ("switch-off or dropout",) if same or not known else ()
    return TrueEvent(kind, pieces[0][0], pieces[-1][1] - pieces[0][0], also, as_edges=same)
