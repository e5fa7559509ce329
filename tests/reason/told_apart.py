"""Whether some offered test tells two explanations apart, by ngspice alone.

The rival is put into the true circuit, and what nobody knows of it is chosen so that it reads as the truth
does: its bad contacts, leak, short, what an open lets through, the neighbour on its wire, and then a load and
driver of any kind. They are told apart where even so some reading, taken or offered, differs by more than
three standard deviations of reading, 0.05 V and 1.2 % of the voltage; or where a word would, by much: the
test light lit or dark, the load working, weak or dead where that is seen or heard. Each reading is looked at
alone. Jumpers and the lamp in the load's place are left out, for they are not always offered. The program's
own model has no say, but for the list of its tests.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from daq.circuit_stack import WEAK
from daq.hypotheses import SEIZED, hypotheses
from daq.knowledge import shipped
from daq.looks import BORDERS
from daq.naming import explanation
from daq.offered_tests import Means, offered
from daq.readings import UNHEARD, Lamp, Reading, Told, Working
from daq.reason_words import Explanation
from daq.unknowns import Array
from tests.reason.spice_circuits import Circuit
from tests.reason.test_against_ngspice import SHORTS, blown, bright, solved, working
from tests.reason.wild_circuits import Wild, situation

SIGMAS = 3.0
FAR = 10.0  # standard deviations: what is further off is no worse
BAD_SHARES = (0.02, 30.0)  # of the load's ohms
LEAK_OHM = (5.0, 6400.0)
DUTY = (0.05, 0.95)
OPEN_OHM = (2e7, 1e12)
SHORT_OHM = (0.01, 0.3)
NEIGHBOUR_OHM = (2.0, 30.0)  # at 12 V
TEST_OHM = (3e4, 2e6)
LED_SHARES = (0.45, 0.85)  # of source
LOAD_SHARES = (0.2, 1.0, 5.0, 40.0)  # to no less than 1 W
MOST_W, MOST_LED_W = 300.0, 20.0
MUCH = 0.15  # beyond the border between two words
WORN = 0.55  # of its work, the most that a seized load does
UNLIKE_V = 1e6  # of a rival of odd parts that ngspice cannot solve
POINTS, FINER, TIMES = 11, 5, 3  # of a dial: over its range, then between its neighbours, so many times
MOST_VARIANTS = 4
ROUNDS = 2
HARDEST = 5  # readings more that a fit looks at, each time
NODES = ("tip1", "tip2", "plus", "fused", "fed", "out1", "out2", "end", "splice", "ref")

OF_FAULTS = ("bad 0", "bad 1", "leak", "step", "duty")
OF_OTHERS = ("open", "short", "neighbour", "test_ohm", "led_v")
SHARED = ("shared feed", "shared ground")

Range = tuple[float, float]


def sigma(volts: Array) -> Array:
    found: Array = np.hypot(0.05, 0.012 * volts)
    return found


@dataclass(frozen=True)
class Search:
    """For a rival that reads as the truth does."""

    truth: Wild
    readings: Sequence[Reading]
    volts: Array  # of the truth
    words: Sequence[Reading] = ()

    def off(self, some: Sequence[Wild]) -> Array:
        """(circuits, readings) standard deviations."""
        found: Array = (np.abs(seen(some, self.readings) - self.volts) / sigma(self.volts)).max(axis=2)
        return found

    def nearest(self, some: Sequence[Wild], most: int = MOST_VARIANTS) -> list[Wild]:
        missed = (np.minimum(self.off(some), FAR) ** 2).sum(axis=1)
        return [some[n] for n in np.argsort(missed, kind="stable")[:most]]

    def alike(self, some: Sequence[Wild]) -> bool:
        """Whether any of them reads as the truth does."""
        alike = [c for c, off in zip(some, self.off(some), strict=True) if (off <= SIGMAS).all()]
        return any(not self._told_by_words(c) for c in alike)

    def _told_by_words(self, c: Wild) -> bool:
        return any(_differ(word, share_of(self.truth, word), share_of(c, word), c) for word in self.words)

    def among(self, rows: Iterable[int]) -> Search:
        """The same for some of the readings only."""
        some = sorted(rows)
        return Search(self.truth, [self.readings[n] for n in some], self.volts[some])

    def turned(self, some: Sequence[Wild], dial: str) -> list[Wild]:
        """The circuits with this dial where each fits best; those that do not have it as they are."""
        found = []
        for c in some:
            over = _range(c, dial)
            found.append(c if over is None else self._turned(c, dial, over))
        return found

    def _turned(self, c: Wild, dial: str, over: Range) -> Wild:
        low, high = over
        values = np.geomspace(low, high, POINTS)
        for _ in range(TIMES):
            c = self.nearest(shorts([c, *(with_part(c, dial, float(v)) for v in values)]), 1)[0]
            step, best = values[1] / values[0], part(c, dial)
            values = np.geomspace(max(best / step, low), min(best * step, high), FINER + 2)
        return c


def told_apart(
    truth: Wild, rival: Explanation, given: Sequence[Reading], *, same_parts: bool = False
) -> bool:
    """Whether the readings so far, or one offered test, differ by more than SIGMAS.

    The rival has whatever parts fit; `same_parts`: it has the load, the driver and else all of the true
    circuit, and the fault that fits the readings so far.
    """
    means = Means(eyes=truth.heard)
    some = [*given, *(o.reading for o in offered(given, shipped().costs, means))]
    words = [r for r in some if isinstance(r.what, Told) and r.what.word != UNHEARD]
    some = [r for r in some if not isinstance(r.what, Told)]
    search = Search(truth, some, seen([truth], some)[0], words)
    rivals = circuits_of(rival, truth)
    assert rivals, f"nothing is explained as {rival}"
    taken = sum(not isinstance(r.what, Told) for r in given)
    if same_parts:
        known = search.among(range(taken))
        for dial in OF_FAULTS:
            rivals = known.turned(rivals, dial)
        return not search.alike(rivals)
    return all(_is_told_from(search, start) for start in rivals)


def _is_told_from(search: Search, rival: Wild) -> bool:
    """Whether the rival reads otherwise whatever its parts; they are fitted where it does, for speed."""
    some, hard = [rival], set[int]()
    for more in (_other_neighbours, _other_loads, _other_drivers) * ROUNDS:
        if search.alike(some):
            return False
        off = search.off(some)
        hard |= {int(n) for n in np.argsort(-off.min(axis=0), kind="stable")[:HARDEST]}
        few = search.among(hard)
        for dial in (*OF_FAULTS, *OF_OTHERS):
            some = few.turned(some, dial)
        some = few.nearest([*some, *shorts([v for c in some for v in more(c)])])
    return not search.alike(some)


def circuits_of(rival: Explanation, truth: Wild) -> list[Wild]:
    """The true circuit's parts wired and broken as the rival says, either way round where it does not say."""
    found = []
    for h in hypotheses(shipped()):
        for order in (1, 2):
            if explanation(h, order) == rival:
                found.append(replace(truth, hypothesis=h, order=order))
    return shorts(found)


def shorts(some: list[Wild]) -> list[Wild]:
    """The same with their fuses blown, where they blow."""
    fate = blown([(c.hypothesis, c.parts) for c in some]) if some else []
    return [replace(c, blown=b, retry=r) for c, (b, r) in zip(some, fate, strict=True)]


def part(c: Wild, dial: str) -> float:
    if dial.startswith("bad"):
        return c.parts.bad[int(dial[-1])]
    return float(getattr(c.parts, dial))


def with_part(c: Wild, dial: str, value: float) -> Wild:
    if dial.startswith("bad"):
        first, second = c.parts.bad
        pair = (value, second) if dial == "bad 0" else (first, value)
        return replace(c, parts=replace(c.parts, bad=pair))
    named: Any = {dial: value}
    return replace(c, parts=replace(c.parts, **named))


def _range(c: Wild, dial: str) -> Range | None:
    """What a circuit of the campaign can have there; None where it is no part of this one."""
    h, p = c.hypothesis, c.parts
    faults = [f for f in (h.fault, h.second) if f is not None]
    kinds = {f.fault for f in faults}
    if dial.startswith("bad"):
        is_bad = [f.fault == "high resistance" for f in faults]
        return _of(p.load, BAD_SHARES) if True in is_bad[int(dial[-1]) : int(dial[-1]) + 1] else None
    has: dict[str, tuple[bool, Range]] = {
        "leak": (h.fault.leaking, LEAK_OHM),
        "step": (h.condition == "stepped", _of(p.load, BAD_SHARES)),
        "duty": (h.condition == "averaged", DUTY),
        "open": (c.blown or bool(kinds & {"open", "stuck off"}), OPEN_OHM),
        "short": (bool(kinds & set(SHORTS)) and not h.fault.leaking, SHORT_OHM),
        "neighbour": (h.condition in SHARED, _of(p.emf / 12.0, NEIGHBOUR_OHM)),
        "test_ohm": (p.test != "none", TEST_OHM),
        "led_v": (p.kind == "LED string", _of(p.emf, LED_SHARES)),
    }
    is_there, over = has[dial]
    return over if is_there else None


def _of(unit: float, shares: Range) -> Range:
    return shares[0] * unit, shares[1] * unit


def _other_neighbours(c: Wild) -> list[Wild]:
    """With a neighbour that is on, or off: which of them is not the true circuit's to say."""
    if c.hypothesis.condition not in SHARED:
        return []
    return [replace(c, parts=replace(c.parts, lit=not c.parts.lit))]


def _other_loads(c: Wild) -> list[Wild]:
    """With loads of every kind and of other sizes: behind the same wires they drop more or less."""
    p = c.parts
    led_v = p.led_v or 0.62 * p.emf
    kinds = [("resistive", 0.0, MOST_W), ("filament", 0.0, MOST_W), ("LED string", led_v, MOST_LED_W)]
    return [
        replace(c, parts=replace(p, kind=kind, led_v=v, load=load))
        for kind, v, most_w in kinds
        for load in {min(max(p.load * share, p.emf**2 / most_w), p.emf**2) for share in LOAD_SHARES}
    ]


def _other_drivers(c: Wild) -> list[Wild]:
    """With every kind of driver, and a bridge at rest anyhow."""
    p = c.parts
    drivers = [("contact", "none"), ("saturated", "none")]
    drivers += [("transistor", t) for t in ("up", "down", "logic")]
    rests = ("ground", "source", "floating") if c.hypothesis.side == "reversing" else (p.rest,)
    ohms = (p.test_ohm, *TEST_OHM)
    return [
        replace(c, parts=replace(p, switch=switch, test=test, test_ohm=ohm, rest=rest))
        for switch, test in drivers
        for ohm in (ohms if test != "none" else ohms[:1])
        for rest in rests
    ]


def share_of(c: Wild, reading: Reading) -> float:
    """How bright the test light is, or how much of what it is made for the load gets."""
    if isinstance(reading.what, Working) and reading.what.alone:
        return alone(c)
    written = [Circuit(c.hypothesis, c.parts, situation(c, reading), c.blown, c.retry)]
    return float(bright(written)[0, 0] if isinstance(reading.what, Lamp) else working(written)[0])


def alone(c: Wild) -> float:
    """How much of what it is made for the load gets straight from the battery."""
    faults = [f for f in (c.hypothesis.fault, c.hypothesis.second) if f is not None]
    return 0.0 if any(f.place == "load" for f in faults) or c.hypothesis.condition == SEIZED else 1.0


def _differ(reading: Reading, mine: float, other: float, rival: Wild) -> bool:
    """Whether nobody would tell both with the same word; what is weak on purpose may be called working."""
    if rival.hypothesis.condition == SEIZED:  # worn, it may also be weak
        other = min(mine, WORN)
    low, high = sorted((mine, other))
    if isinstance(reading.what, Lamp):
        return low < BORDERS[0] - MUCH / 2 and high > BORDERS[1] + MUCH
    borders = WEAK[:1] if rival.hypothesis.condition in ("stepped", "averaged") else WEAK
    return any(low < border - MUCH and high > border + MUCH for border in borders)


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
    written = [
        Circuit(c.hypothesis, c.parts, situation(c, r), c.blown, c.retry) for c in circuits for r in readings
    ]
    volts = solved(written, NODES, UNLIKE_V)
    found = np.zeros((len(written), 2))
    for n, (w, v) in enumerate(zip(written, volts, strict=True)):
        place, order = w.place(), circuits[n // len(readings)].order
        pins = ("tip1", "tip2") if order == 1 else ("tip2", "tip1")
        found[n] = [v[NODES.index(name)] for name in (pins if place is None else (place, place))]
    return (found - volts[:, -1:]).reshape(len(circuits), len(readings), 2)
