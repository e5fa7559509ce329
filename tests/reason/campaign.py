"""The campaign: circuits at large, the program choosing its own tests, and what came of it.

python -m tests.reason.campaign --count 400 --seed 1 -o table.json
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from daq.hypotheses import hypotheses
from daq.knowledge import shipped
from daq.offered_tests import minutes
from daq.readings import At, Lamp, Reading, State, parse
from daq.reason_words import Explanation
from daq.reasoning import Answer, explanation, reason
from daq.unknowns import Array
from tests.physics.intervals import wilson
from tests.reason.spice_circuits import Circuit
from tests.reason.test_against_ngspice import blown, bright, solved
from tests.reason.wild_circuits import Wild, noisy, situation, wild

MOST_TESTS = 12
FIXED_ORDER = (
    *(
        "in off 0 0",
        "in on 0 0",
        "in on source 0",
        "key on in on 0 0",
        "key on in off 0 0",
        "in on at fuse 0",
    ),
    *("out off 0 0", "out on 0 0", "out on lamp positive lead 1 lit", "out on lamp positive lead 2 lit"),
    *("in on at switch 0", "in on at ground-point 0"),
)

Policy = Callable[[Answer, list[Reading]], Reading | None]


@dataclass(frozen=True)
class Outcome:
    """One circuit, worked until the program stopped."""

    seed: int
    truth: str
    readings: tuple[str, ...]
    minutes: float
    probability: float  # of the truth, side to place
    rank: int
    set_size: int  # explanations in the smallest set of 95 %
    in_set: bool
    alike: bool  # no offered test separates the truth from the first
    disguised: bool
    side: float  # probability of the true side
    wrong_side: float  # of the most probable other side
    fits: bool
    stop: str
    lost: bool  # readings put the truth below 0.001, and below a third of what it had before any


def take(circuit: Wild, reading: Reading, rng: np.random.Generator) -> Reading:
    """The reading with values, from ngspice; pulsed circuits are read as their average."""
    found = _seen(circuit, reading)
    if circuit.hypothesis.condition == "averaged" and reading.state.control != "off":
        rest = _seen(circuit, replace(reading, state=replace(reading.state, control="off")))
        found = circuit.parts.duty * found + (1 - circuit.parts.duty) * rest
    what = reading.what
    if isinstance(what, Lamp):
        level = float(found[0] + 0.03 * np.clip(rng.standard_normal(), -3, 3))
        return replace(
            reading, what=replace(what, word="dark" if level < 0.17 else "dim" if level < 0.62 else "lit")
        )
    shown = noisy(circuit, [float(v) for v in found], rng)
    if isinstance(what, At):
        return replace(reading, what=replace(what, volts=shown[0]))
    pair = shown if circuit.order == 1 else shown[::-1]
    return replace(reading, what=replace(what, volts=(pair[0], pair[1])))


def _seen(circuit: Wild, reading: Reading) -> Array:
    where = situation(circuit, reading)
    written = Circuit(circuit.hypothesis, circuit.parts, where, circuit.blown, circuit.retry)
    if where.light is not None:
        return np.array(bright([written])[0])
    nodes = ("tip1", "tip2") if where.at is None else (str(written.place()),)
    volts = solved([written], (*nodes, "ref"))[0]
    return np.array(volts[:-1] - volts[-1])


def own_choice(answer: Answer, given: list[Reading]) -> Reading | None:
    """The test that the program proposes."""
    if answer.next_test is None:
        return None
    text = answer.next_test.reading.replace("lit|dim|dark", "lit").replace(" V", " 0")
    return parse(text)


def fixed_order(answer: Answer, given: list[Reading]) -> Reading | None:
    """The same tests for everybody, until the place is known."""
    return (
        None if answer.stop == "known" or len(given) >= len(FIXED_ORDER) else parse(FIXED_ORDER[len(given)])
    )


def work(seed: int, policy: Policy = own_choice) -> Outcome:
    """One circuit from the first reading to the program's stop."""
    rng = np.random.default_rng(seed)
    circuit = wild(rng)
    ((is_blown, retries),) = blown([(circuit.hypothesis, circuit.parts)])
    circuit = replace(circuit, blown=is_blown, retry=retries)
    given: list[Reading] = []
    spent, last, lost = 0.0, State(), False
    before = prior(circuit.truth)
    wanted: Reading | None = parse("source 0")  # everybody looks at the battery first
    answer = None
    while wanted is not None and len(given) < MOST_TESTS:
        spent += minutes(wanted, last, shipped().costs)
        given.append(take(circuit, wanted, rng))
        last = wanted.state
        answer = reason(given)
        lost |= _chance(answer, circuit.truth) < min(0.001, before / 3)
        wanted = policy(answer, given)
    assert answer is not None
    return _outcome(seed, circuit, given, spent, answer, lost)


def prior(truth: Explanation) -> float:
    """What the program believes of this place before any reading."""
    return sum(
        h.prior / 2
        for h in hypotheses(shipped())
        for order in (1, 2)
        if h.second is None and _key(explanation(h, order)) == _key(truth)
    )


def _key(e: Explanation) -> tuple[object, ...]:
    return e.where


def _chance(answer: Answer, truth: Explanation) -> float:
    return sum(p for e, p in answer.candidates if _key(e) == _key(truth) and e.also is None)


def _outcome(
    seed: int, circuit: Wild, given: Sequence[Reading], spent: float, answer: Answer, lost: bool
) -> Outcome:
    truth = circuit.truth
    merged: dict[tuple[object, ...], float] = {}
    for e, p in answer.candidates:
        merged[_key(e)] = merged.get(_key(e), 0.0) + p
    ranked = sorted(merged, key=lambda k: -merged[k])
    cumulative = np.cumsum([merged[k] for k in ranked])
    size = int(np.searchsorted(cumulative, 0.95 * cumulative[-1])) + 1
    rank = ranked.index(_key(truth)) if _key(truth) in merged else len(ranked)
    alike = any({_key(truth), ranked[0]} <= {_key(e) for e in group} for group in answer.look_alikes)
    return Outcome(
        seed,
        f"{truth} [{circuit.parts.kind}, {circuit.parts.switch}/{circuit.parts.test}]",
        tuple(str(r) for r in given),
        spent,
        merged.get(_key(truth), 0.0),
        rank,
        size,
        rank < size,
        alike,
        circuit.disguised,
        answer.side[truth.side],
        max(p for s, p in answer.side.items() if s != truth.side),
        answer.fits,
        answer.stop,
        lost,
    )


RATES: dict[str, Callable[[Outcome], bool]] = {
    "truth in the 95 % set": lambda o: o.in_set,
    "truth first, or alike to the first": lambda o: o.rank == 0 or o.alike or o.disguised,
    "truth lost": lambda o: o.lost,
    "another side at 0.9, avoidably": lambda o: o.wrong_side >= 0.9 and not (o.alike or o.disguised),
    "side known at 0.9": lambda o: o.side >= 0.9,
    "called not fitting": lambda o: not o.fits,
}
CALIBRATION = ((0.0, 0.5), (0.5, 0.9), (0.9, 0.97), (0.97, 1.01))


def rate(hits: int, trials: int) -> list[float]:
    """Share, and its 95 % interval (Wilson), and of how many."""
    low, high = wilson(hits, trials)
    return [round(hits / max(trials, 1), 4), round(low, 4), round(high, 4), trials]


def table(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """Rates with intervals, means, and how often a side said with some probability is right."""
    n = len(outcomes)
    apart = [o for o in outcomes if not (o.alike or o.disguised)]
    sides = [(p, right) for o in outcomes for p, right in ((o.side, True), (o.wrong_side, False))]
    return {
        "circuits": n,
        **{name: rate(sum(map(hit, outcomes)), n) for name, hit in RATES.items()},
        "truth first, where tests tell it": rate(sum(o.rank == 0 for o in apart), len(apart)),
        "mean size of the 95 % set": round(float(np.mean([o.set_size for o in outcomes])), 2),
        "mean tests": round(float(np.mean([len(o.readings) for o in outcomes])), 2),
        "mean minutes": round(float(np.mean([o.minutes for o in outcomes])), 2),
        "a side said with probability": {
            f"{low:g} to {min(high, 1):g}": rate(
                sum(right for p, right in sides if low <= p < high), sum(low <= p < high for p, _ in sides)
            )
            for low, high in CALIBRATION
        },
    }


def run(seed: int, count: int, policy: Policy = own_choice, first: int = 0) -> list[Outcome]:
    return [work(seed * 100_000 + n, policy) for n in range(first, first + count)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--fixed", action="store_true", help="the fixed order instead of the program's choice"
    )
    parser.add_argument("-o", type=Path)
    options = parser.parse_args()
    outcomes: list[Outcome] = []
    for n in range(options.count):
        outcomes += run(options.seed, 1, fixed_order if options.fixed else own_choice, first=n)
        if options.o is not None:
            told = {"table": table(outcomes), "outcomes": [asdict(o) for o in outcomes]}
            options.o.write_text(json.dumps(told, indent=1))
    print(json.dumps(table(outcomes), indent=1))


if __name__ == "__main__":
    main()
