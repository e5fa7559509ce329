"""Whether some offered test tells two explanations apart, by ngspice alone.

The rival is put into the true circuit's parts, with whatever bad contact fits the readings best. A test tells
them apart where what is read differs by more than three standard deviations of reading, 0.05 V and 1.2 % of
the voltage. Test lights are left out, for their words are coarse, and jumpers and the lamp in the load's
place, for they are not always offered. The program's own model has no say, but for the list of its tests.
"""

from __future__ import annotations

from collections.abc import Sequence
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


def sigma(volts: Array) -> Array:
    found: Array = np.hypot(0.05, 0.012 * volts)
    return found


def circuit_of(rival: Explanation, truth: Wild) -> Wild | None:
    """The true circuit's parts wired and broken as the rival says; None for what no single fault is."""
    for h in hypotheses(shipped()):
        for order in (1, 2):
            if h.second is None and explanation(h, order) == rival:
                ((is_blown, retries),) = blown([(h, truth.parts)])
                return replace(truth, hypothesis=h, order=order, blown=is_blown, retry=retries)
    return None


def counts(reading: Reading) -> bool:
    return not isinstance(reading.what, Lamp)


def told_apart(truth: Wild, rival: Explanation, given: Sequence[Reading]) -> bool:
    """Whether the readings so far, or one offered test, differ by more than SIGMAS."""
    other = circuit_of(rival, truth)
    if other is None:
        return True
    tests = [o.reading for o in offered(given, shipped().costs, Means()) if counts(o.reading)]
    taken = [r for r in given if counts(r)]
    everything = [*taken, *tests]
    mine = seen([truth], everything)[0]
    bad = [truth.parts.bad, *((truth.parts.load * s, truth.parts.bad[1]) for s in BAD_SHARES)]
    some = [replace(other, parts=replace(other.parts, bad=ohms)) for ohms in bad]
    if other.hypothesis.fault.fault != "high resistance":
        some = some[:1]
    theirs = seen(some, everything)
    off = np.abs(theirs - mine) / sigma(mine)
    best = off[int(np.argmin((off[:, : len(taken)] ** 2).sum(axis=(1, 2))))]
    return bool((best > SIGMAS).any())


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
