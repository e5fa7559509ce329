"""Whether some offered test tells two explanations apart, by ngspice alone.

The rival is put into the true circuit, with whatever bad contact fits the readings best, and with whatever
load and driver fit them: nobody knows which parts are in there, so that a rival which explains all readings
with another driver is not told apart by them. A test tells them apart where what is read differs by more than
three standard deviations of reading, 0.05 V and 1.2 % of the voltage. Test lights are left out, for their
words are coarse, and jumpers and the lamp in the load's place, for they are not always offered. The program's
own model has no say, but for the list of its tests.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from daq.hypotheses import hypotheses
from daq.knowledge import shipped
from daq.offered_tests import Means, offered
from daq.readings import Lamp, Reading
from daq.reason_words import Explanation
from daq.reasoning import explanation
from daq.unknowns import Array
from tests.reason.spice_circuits import Circuit
from tests.reason.test_against_ngspice import blown, solved
from tests.reason.wild_circuits import Wild, situation

SIGMAS = 3.0
BAD_SHARES = (0.02, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 2.0, 4.0, 10.0, 30.0)  # of the load's ohms

FINER = (None, (0.65, 0.75, 0.85, 0.93, 1.0, 1.08, 1.2, 1.35, 1.5), (0.96, 0.98, 1.0, 1.02, 1.04))
DUTIES = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
LOAD_SHARES = (1.0, 5.0, 40.0)
OTHER_OHMS = (3e4, 2e5)  # behind a driver's test current
MOST_VARIANTS = 4
LEAKS_OHM = (5.0, 12.0, 25.0, 50.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0)


def sigma(volts: Array) -> Array:
    found: Array = np.hypot(0.05, 0.012 * volts)
    return found


def circuits_of(rival: Explanation, truth: Wild) -> list[Wild]:
    """The true circuit's parts wired and broken as the rival says, either way round where it does not say."""
    found = []
    for h in hypotheses(shipped()):
        for order in (1, 2):
            if h.second is None and explanation(h, order) == rival:
                found.append(replace(truth, hypothesis=h, order=order))
    return _shorts(found)


def _shorts(some: list[Wild]) -> list[Wild]:
    """The same with their fuses blown, where they blow."""
    fate = blown([(c.hypothesis, c.parts) for c in some]) if some else []
    return [replace(c, blown=b, retry=r) for c, (b, r) in zip(some, fate, strict=True)]


def _with_other_loads(c: Wild) -> list[Wild]:
    """With loads of every kind and of other sizes: behind the same wires they drop more or less."""
    p = c.parts
    led_v = p.led_v or 0.62 * p.emf
    kinds = [("resistive", 0.0), ("filament", 0.0), ("LED string", led_v)]
    return _shorts(
        [
            replace(c, parts=replace(p, kind=kind, led_v=v, load=p.load * share))
            for kind, v in kinds
            for share in LOAD_SHARES
        ]
    )


def _with_other_drivers(c: Wild) -> list[Wild]:
    """With every kind of driver, and a bridge at rest anyhow."""
    p = c.parts
    drivers = [("contact", "none", p.test_ohm), ("saturated", "none", p.test_ohm)]
    drivers += [("transistor", t, ohm) for t in ("up", "down", "logic") for ohm in (p.test_ohm, *OTHER_OHMS)]
    rests = ("ground", "source", "floating") if c.hypothesis.side == "reversing" else (p.rest,)
    return _shorts(
        [
            replace(c, parts=replace(p, switch=switch, test=test, test_ohm=ohm, rest=rest))
            for switch, test, ohm in drivers
            for rest in rests
        ]
    )


def counts(reading: Reading) -> bool:
    return not isinstance(reading.what, Lamp)


def told_apart(
    truth: Wild, rival: Explanation, given: Sequence[Reading], *, same_parts: bool = False
) -> bool:
    """Whether the readings so far, or one offered test, differ by more than SIGMAS.

    The rival has whatever parts fit; `same_parts`: it has the load and driver of the true circuit.
    """
    others = circuits_of(rival, truth)
    tests = [o.reading for o in offered(given, shipped().costs, Means()) if counts(o.reading)]
    taken = [r for r in given if counts(r)]
    mine = seen([truth], [*taken, *tests])[0]

    def off(some: Sequence[Wild], readings: Sequence[Reading], volts: Array) -> Array:
        found: Array = np.abs(seen(some, readings) - volts) / sigma(volts)
        return found

    best = [_best_contact(c, truth, lambda some: off(some, taken, mine[: len(taken)])) for c in others]
    alike = [c for c in best if not (off([c], [*taken, *tests], mine) > SIGMAS).any()]
    if alike or same_parts:
        return not alike

    def nearest(variants: list[Wild]) -> tuple[list[Wild], Array]:
        misses = off(variants, taken, mine[: len(taken)])
        order = np.argsort((misses**2).sum(axis=(1, 2)), kind="stable")[:MOST_VARIANTS]
        return [variants[n] for n in order], misses[order]

    if not best:
        return True
    loads, _ = nearest([v for c in best for v in _with_other_loads(c)])
    variants, misses = nearest([v for c in loads for v in _with_other_drivers(c)])
    fit = [v for v, miss in zip(variants, misses, strict=True) if (miss <= SIGMAS).all()]
    return all((off([v], tests, mine[len(taken) :]) > SIGMAS).any() for v in fit)


def _best_contact(c: Wild, truth: Wild, off: Callable[[Sequence[Wild]], Array]) -> Wild:
    """With the bad contact, the leak, the resistor of a step or the pulses that fit the readings best."""
    p, ohms = c.parts, tuple(truth.parts.load * s for s in BAD_SHARES)
    if c.hypothesis.fault.fault == "high resistance":
        best, values = p.bad[0], (p.bad[0], *ohms)
    elif c.hypothesis.fault.leaking:
        best, values = p.leak, (p.leak, *LEAKS_OHM)
    elif c.hypothesis.condition == "stepped":
        best, values = p.step, (p.step, *ohms)
    elif c.hypothesis.condition == "averaged":
        best, values = p.duty, (p.duty, *DUTIES)
    else:
        return c

    def fitted_with(value: float) -> Wild:
        if c.hypothesis.fault.fault == "high resistance":
            return replace(c, parts=replace(p, bad=(value, p.bad[1])))
        if c.hypothesis.fault.leaking:
            return replace(c, parts=replace(p, leak=value))
        if c.hypothesis.condition == "stepped":
            return replace(c, parts=replace(p, step=value))
        return replace(c, parts=replace(p, duty=min(value, 0.99)))

    for finer in FINER:
        some = values if finer is None else tuple(best * share for share in finer)
        misses = off([fitted_with(value) for value in some])
        best = some[int(np.argmin((misses**2).sum(axis=(1, 2))))]
    return fitted_with(best)


def seen(circuits: Sequence[Wild], readings: Sequence[Reading]) -> Array:
    """(circuits, readings, 2) volts: lead 1 and lead 2, or the place twice; pulsed ones as their average."""
    found = _steady(circuits, readings)
    for n, c in enumerate(circuits):
        if c.hypothesis.condition == "averaged":
            rest = [replace(r, state=replace(r.state, control="off")) for r in readings]
            off = _steady([c], rest)[0]
            found[n] = c.parts.duty * found[n] + (1 - c.parts.duty) * off
    return found


def _steady(circuits: Sequence[Wild], readings: Sequence[Reading]) -> Array:
    found = np.zeros((len(circuits), len(readings), 2))
    written = [
        Circuit(c.hypothesis, c.parts, situation(c, r), c.blown, c.retry) for c in circuits for r in readings
    ]
    nodes = [w.place() or "tip" for w in written]
    for node in set(nodes):
        rows = [n for n, name in enumerate(nodes) if name == node]
        wanted = ("tip1", "tip2", "ref") if node == "tip" else (node, node, "ref")
        volts = solved([written[n] for n in rows], wanted)
        for n, v in zip(rows, volts, strict=True):
            c, r = divmod(n, len(readings))
            turned = node == "tip" and circuits[c].order == 2
            found[c, r] = (v[:2] - v[2])[::-1] if turned else v[:2] - v[2]
    return found
