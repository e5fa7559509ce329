"""Stories of the person with the leads: clipped to the wrong thing, fallen off, on nothing, on mains."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from tests.physics.draws import Draw
from tests.physics.frontend import ALWAYS
from tests.physics.harness import Harness
from tests.physics.loads import Resistor
from tests.physics.netlist import Netlist
from tests.physics.recordings import Claim, Plan
from tests.physics.skeleton import switched, undecidable
from tests.physics.supply import Supply
from tests.physics.timeline import Spans, without
from tests.physics.truth import TrueEvent


def lead_comes_off(draw: Draw) -> Plan:
    """A lead falls off its pin after the control was worked; a free lead reads about 0 V."""
    length = draw.length(3.0, 6.0)
    plan = switched(draw, "lead comes off", length_s=length)
    at = draw.uniform(0.6, 0.85) * length
    which = draw.pick([1, 2])
    spans: Spans = ((-1.0, at),)
    clips = replace(plan.harness.clips, **{f"lead{which}": spans})  # type: ignore[arg-type]
    event = TrueEvent("lead off", at, length - at, required=False, permanent=True)
    before = sum(c.t_s < at - 0.1 for c in plan.commands)
    claim = plan.claim
    if before < 4:  # what follows speaks against it: fewer changes need not outweigh that
        claim = replace(claim, decidable=False, acceptable=(*claim.acceptable, "undetermined"))
    return replace(
        plan,
        harness=replace(plan.harness, clips=clips),
        claim=claim,
        events=(event,),
        unjudged=((at - 0.003, length),),
        drops_seen=(False, False),
    )


def lead_on_nothing(draw: Draw) -> Plan:
    """One lead was never on its pin: it reads 0 V and the other one moves or does not."""
    plan = switched(draw, "lead on nothing")
    side, free = plan.claim.side, draw.pick(["f", "g"])
    pins = tuple("nothing" if n == ("pinf" if free == "f" else "ping") else n for n in plan.harness.leads_on)
    looks = {("low", "f"): "high", ("low", "g"): None, ("high", "f"): None, ("high", "g"): "high"}[side, free]
    claim = Claim(side, "undetermined", ("undetermined",), None, False, looks, ("f", "g"))
    if (side, free) == ("high", "g"):
        claim = replace(claim, acceptable=("undetermined", "high"))
    return replace(
        plan,
        harness=replace(plan.harness, leads_on=(pins[0], pins[1])),
        claim=claim,
        category=f"lead on nothing ({side}, {'feed' if free == 'f' else 'ground'} pin free)",
        unjudged=((0.0, plan.length_s),),
        load_seen=False,
        drops_seen=(False, False),
    )


def wrong_place(draw: Draw) -> Plan:
    """Both leads on one pin, across the switch, or one on battery positive or negative."""
    plan = switched(draw, "wrong place")
    side = plan.claim.side
    how = draw.pick(["one pin", "across the switch", "control pin and battery negative"])
    control = "pinf" if side == "high" else "ping"
    other = {
        "one pin": control,
        "across the switch": "post" if side == "high" else "0",
        "control pin and battery negative": "0",
    }[how]
    looks = {
        "one pin": None,
        "across the switch": "low" if side == "high" else "high",
        "control pin and battery negative": "high",
    }[how]
    order = (control, other) if draw.chance(0.5) else (other, control)
    accept: tuple[str, ...] = ("undetermined",)
    if looks == side:
        accept = ("undetermined", side)
    claim = Claim(side, "undetermined", accept, None, False, looks, ("f", "g"))
    return replace(
        plan,
        harness=replace(plan.harness, leads_on=order),
        claim=claim,
        unjudged=((0.0, plan.length_s),),
        category=f"leads: {how} ({side})",
        load_seen=False,
        drops_seen=(False, False),
    )


def lead_wiggles(draw: Draw) -> Plan:
    """A clip that loses its pin for milliseconds: by voltage a gap, and none in the circuit."""
    plan = switched(draw, "lead wiggles", length_s=draw.length(2.5, 5.0))
    which = draw.pick([1, 2])
    lengths = [draw.spread(1e-3, 0.03) for _ in range(int(draw.rng.integers(1, 5)))]
    starts = [draw.uniform(0.1, 0.9) * plan.length_s for _ in lengths]
    gaps = [(a, a + d) for a, d in zip(starts, lengths, strict=True)]
    on_pin = without(ALWAYS, gaps)
    clips = plan.harness.clips
    clips = replace(clips, lead1=on_pin) if which == 1 else replace(clips, lead2=on_pin)
    events = tuple(
        TrueEvent(
            "lead off",
            a,
            b - a,
            ("switch-off or dropout", "feed dropout", "ground dropout"),
            as_edges=True,
            required=False,
        )
        for a, b in sorted(gaps)
    )
    harness = replace(plan.harness, clips=clips)
    unjudged = tuple((a - 0.004, b + 0.004) for a, b in gaps)
    return replace(plan, harness=harness, events=events, unjudged=unjudged, drops_seen=(False, False))


def reference_on_positive(draw: Draw) -> Plan:
    """The reference lead is on battery positive: everything reads one source voltage lower."""
    plan = switched(draw, "reference on positive")
    claim = undecidable(plan.claim.wiring, also=(plan.claim.side,))
    return replace(
        plan,
        harness=replace(plan.harness, reference_at="post"),
        claim=claim,
        unjudged=((0.0, plan.length_s),),
        load_seen=False,
        drops_seen=(False, False),
    )


def _bare(draw: Draw, category: str, text: str, harness: Harness, safety: tuple[str, ...] = ()) -> Plan:
    length = draw.length(1.2, 3.0)
    return Plan(
        category,
        text,
        harness,
        draw.converter(),
        length,
        Claim("ac" if "ac" in safety else "none", "undetermined", ("undetermined",), None, False),
        "unknown",
        load_seen=False,
        safety=safety,
    )


def on_nothing(draw: Draw) -> Plan:
    """Both leads free, with the hum of the room."""
    hum = draw.spread(5.0, 300.0)
    clips = replace(draw.clips(), hum_v=hum, hum_hz=draw.pick([50.0, 60.0]), hum_f=draw.spread(1e-12, 1e-11))
    harness = Harness(draw.supply(), Resistor(100.0), clips=clips, leads_on=("nothing", "nothing"))
    return _bare(draw, "on nothing", f"both leads free, {hum:.0f} V of hum near by", harness)


TAP = "tap"


@dataclass(frozen=True)
class Mains(Supply):
    """An alternating source in place of the battery."""

    amplitude_v: float = 34.0
    hertz: float = 50.0

    @property
    def fastest_hz(self) -> float:
        return 4 * self.hertz  # 230 V clipped at 40 V is steep

    def attach(self, net: Netlist, post: str) -> None:
        """Two halves in series, so that the reference may be on the transformer's centre tap."""
        inner = net.fresh("emf")
        net.sine(TAP, "0", self.amplitude_v / 2, self.hertz)
        net.sine(inner, TAP, self.amplitude_v / 2, self.hertz)
        net.resistor(inner, post, self.inner_ohm)


def alternating(draw: Draw) -> Plan:
    """A transformer or the mains instead of a battery."""
    volts = draw.pick([12.0, 24.0, 24.0, 48.0, 115.0, 230.0])
    hertz = draw.pick([50.0, 60.0])
    load = Resistor(draw.spread(20, 500))
    plan = switched(draw, "alternating", "high" if draw.chance(0.7) else "low", load, draw.contact())
    supply = Mains(draw.nominal, 0.0, 0.1, amplitude_v=volts * math.sqrt(2), hertz=hertz)
    reference = TAP if draw.chance(0.3) else "0"
    return replace(
        plan,
        harness=replace(plan.harness, supply=supply, reference_at=reference),
        description=f"{volts:g} V AC, {hertz:g} Hz, reference on {reference}",
        claim=Claim("ac", "undetermined", ("undetermined",), None, False),
        safety=("ac",),
        load_seen=False,
        drops_seen=(False, False),
        initial="unknown",
        commands=(),
    )


TABLE = (
    ("lead wiggles", 2.0, lead_wiggles, "a clip loses its pin for 1 to 30 ms"),
    ("reference on positive", 1.0, reference_on_positive, "reference lead on battery positive"),
    ("lead comes off", 3.0, lead_comes_off, "one lead falls off after the control was worked"),
    ("lead on nothing", 4.0, lead_on_nothing, "one lead was never on its pin"),
    ("wrong place", 3.0, wrong_place, "both leads on one pin, across the switch, on battery negative"),
    ("on nothing", 3.0, on_nothing, "both leads free, with hum"),
    ("alternating", 3.0, alternating, "AC from 12 to 230 V"),
)
