"""Stories of pulsed drivers: PWM, slow brightening, peak and hold, faster than the filter."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.physics.draws import Draw
from tests.physics.harness import Branch, Place
from tests.physics.loads import Leds, Load
from tests.physics.recordings import Plan
from tests.physics.skeleton import switched, with_main
from tests.physics.switches import Pulse, Transistor
from tests.physics.timeline import Spans
from tests.physics.truth import TruePwm


def driver_for(draw: Draw, load: Load, hertz: float) -> Transistor:
    """A transistor fast enough for the pulses."""
    driver = draw.transistor(load)
    return replace(driver, travel_s=min(driver.travel_s, 0.02 / hertz))


def pulsed(draw: Draw) -> Plan:
    """PWM from a driver: the whole recording or a stretch of it."""
    load = draw.load(("lamp", "heater", "LED", "coil", "motor"), switched_fast=True)
    hertz = draw.spread(10.0, 1000.0)
    pulse = Pulse(hertz, draw.uniform(0.08, 0.92), min(draw.spread(1e-6, 2e-4), 0.02 / hertz))
    length = draw.length(1.5, 3.0)
    spans: Spans = ((-1.0, math.inf),) if draw.chance(0.3) else draw.cycling(length, draw.chance(0.2))
    plan = switched(
        draw,
        "pulsed",
        load=load,
        switch=driver_for(draw, load, hertz),
        spans=spans,
        length_s=length,
        converter=draw.converter(fast_only=True),
        pulse=pulse,
    )
    return _judged(plan, pulse, spans)


def _judged(plan: Plan, pulse: Pulse, spans: Spans) -> Plan:
    """What may be asked of a pulsed recording: enough samples a period, enough periods a stretch."""
    load, rate, length = plan.harness.load, plan.converter.rate_hz, plan.length_s
    stretches = tuple((max(a, 0.0), min(b, length)) for a, b in spans)
    narrow = min(pulse.closed, 1 - pulse.closed) / pulse.hertz
    periods = [(b - a) * pulse.hertz for a, b in stretches]
    resolvable = pulse.hertz < rate / 4 and narrow > max(1.5 / rate, 3e-4) and max(periods) > 8
    loose = load.kind == "motor" or load.kind.startswith("coil") or narrow < 4 / rate
    duty = pulse.conducting(min(load.ohm, 200.0))
    tolerance = 0.05 if loose else 0.02
    if isinstance(load, Leds) and load.farad:
        tolerance = 1.0  # the capacitor feeds the string between pulses: no one duty is right
    pwm = TruePwm(pulse.hertz, duty, tolerance, stretches, resolvable)
    claim = plan.claim
    if narrow < 2.5 / rate or pulse.hertz > rate / 8:
        claim = replace(claim, decidable=False, acceptable=(*claim.acceptable, "undetermined"))
    edges_clear = min(periods) >= 6 and 4 * pulse.hertz <= rate
    return replace(
        plan,
        pwm=pwm,
        claim=claim,
        commands=plan.commands if edges_clear else (),
        unjudged=() if edges_clear else ((0.0, length),),
        drops_seen=plan.drops_seen if edges_clear else (False, False),  # truth needs to know when it is on
    )


def brightening(draw: Draw) -> Plan:
    """A lamp that a control unit brightens over a second: the duty climbs to 1."""
    load = draw.load(("lamp", "lamp", "LED"))
    hertz = draw.spread(80.0, 250.0)
    length = draw.length(2.5, 4.0)
    spans = draw.cycling(length)
    rise = draw.uniform(0.1, 0.6)
    plan = switched(
        draw,
        "brightening",
        load=load,
        switch=driver_for(draw, load, hertz),
        spans=spans,
        length_s=length,
        converter=draw.converter(fast_only=True),
    )
    place = plan.harness.high_f or plan.harness.low_g
    assert place is not None
    pulses = [p for a, b in spans for p in _climbing(a, min(b, length + 1.0), rise, hertz)]
    harness = with_main(plan, replace(place, spans=tuple(pulses)))
    climbs = tuple((a, min(a + rise, b, length)) for a, b in spans)
    commands = tuple(
        replace(c, settled_s=c.t_s + rise * 0.3) if c.state == "on" else c for c in plan.commands
    )
    pwm = TruePwm(hertz, 0.5, 1.0, climbs, False)
    return replace(plan, harness=harness, pwm=pwm, commands=commands, drops_seen=(False, False))


def _climbing(begin: float, end: float, rise: float, hertz: float) -> list[tuple[float, float]]:
    """Pulses that widen until they touch; the last one lasts to the end."""
    out: list[tuple[float, float]] = []
    period, at = 1 / hertz, begin
    while at < end:
        duty = max(0.03, (at - begin) / rise)
        if duty > 0.97:
            out.append((at, end))
            break
        out.append((at, min(at + duty * period, end)))
        at += period
    return out


def peak_and_hold(draw: Draw) -> Plan:
    """A low-ohm injector or valve: full current first, then chopped to hold."""
    load = replace(draw.coil(("zener",)), ohm=draw.uniform(1.5, 4.0) * draw.scale**2)
    length = draw.length(1.5, 2.5)
    spans = draw.cycling(length)
    driver = replace(driver_for(draw, load, 600.0), saturation_v=0.0, test_a=0.0)
    plan = switched(
        draw,
        "peak and hold",
        load=load,
        switch=driver,
        spans=spans,
        length_s=length,
        converter=draw.converter(fast_only=True),
    )
    peak = draw.spread(2e-3, 0.02)
    hertz = draw.spread(200.0, 800.0)
    hold = Pulse(hertz, draw.uniform(0.25, 0.5))
    full = tuple((a, min(a + peak, b)) for a, b in spans)
    ends = ("feedend", "pinf") if plan.claim.side == "high" else ("ping", "gndend")
    held = tuple((a + peak, b) for a, b in spans if b > a + peak)
    main = Place(driver, full)
    harness = replace(plan.harness, branches=(Branch(Place(driver, held, hold), *ends),))
    harness = replace(harness, high_f=main) if plan.claim.side == "high" else replace(harness, low_g=main)
    pwm = TruePwm(hertz, hold.closed, 1.0, tuple((a, min(b, length)) for a, b in held), False)
    return replace(plan, harness=harness, pwm=pwm, drops_seen=(False, False))


def too_fast(draw: Draw) -> Plan:
    """3 to 8 kHz: the filter leaves mostly the average, which reads like a bad wire."""
    load = draw.load(("heater", "lamp", "motor"))
    hertz = draw.spread(3e3, 8e3)
    length = draw.length(0.7, 0.9)
    pulse = Pulse(hertz, draw.uniform(0.4, 0.9), 1e-6)
    spans = tuple((a, a + 0.1) for a in (0.1, 0.3, 0.5))
    driver = replace(driver_for(draw, load, hertz), test_a=0.0, leak_ohm=None)
    plan = switched(
        draw,
        "too fast to see",
        load=load,
        switch=driver,
        spans=spans,
        length_s=length,
        converter=draw.converter(fast_only=True),
        pulse=pulse,
    )
    stretches = tuple((a, min(b, length)) for a, b in spans)
    pwm = TruePwm(hertz, pulse.closed, 1.0, stretches, False)
    return replace(plan, pwm=pwm, load_seen=False, drops_seen=(False, False))


TABLE = (
    ("pulsed", 10.0, pulsed, "PWM, 10 Hz to 1 kHz, whole recording or a stretch"),
    ("brightening", 1.5, brightening, "duty climbs from 0 to 1"),
    ("peak and hold", 1.0, peak_and_hold, "full current, then chopped"),
    ("too fast to see", 0.7, too_fast, "3 to 8 kHz behind a 1 kHz filter"),
)
