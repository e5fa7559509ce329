"""The campaign: circuits at large, the program choosing its own tests, and what came of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from daq.diagnosis import diagnose
from daq.hypotheses import hypotheses
from daq.information import entropy
from daq.knowledge import shipped
from daq.naming import explanation
from daq.offered_tests import minutes
from daq.readings import UNHEARD, At, Lamp, Reading, Working, parse
from daq.reason_words import Explanation
from daq.reasoning import Answer, reason
from daq.unknowns import Array
from tests.reason.spice_circuits import Circuit
from tests.reason.test_against_ngspice import blown, bright, solved, working
from tests.reason.told_apart import alone, told_apart
from tests.reason.wild_circuits import LEAKY, Wild, noisy, situation, wild

MOST_TESTS = 16
LEAST_RIVAL = 0.02
LOST = 0.001
SPREAD_SEEDS = 4
SPREAD_EVERY = 3  # of so many circuits, one is looked at with other seeds too
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
    apart: bool  # by ngspice, some test tells the truth from its likeliest rival, or there is none
    apart_as_built: bool  # the same, were the rival's parts known to be those of the true circuit
    disguised: bool
    side: float  # probability of the true side
    wrong_side: float  # of the most probable other side
    fits: bool
    stop: str
    lost: bool  # readings put the truth below LOST, and below a third of what it had before any
    bits: float  # entropy of the places after the first reading, less that after the last
    most_bits: float  # the most that one proposed test promised
    spread: float | None  # largest standard deviation over seeds of a side or place said; None: not looked at


def take(circuit: Wild, reading: Reading, rng: np.random.Generator) -> Reading:
    """The reading with values, from ngspice; pulsed circuits are read as their average."""
    if isinstance(reading.what, Working):
        word = _word_alone(circuit) if reading.what.alone else _word(circuit, reading, rng)
        return replace(reading, what=replace(reading.what, word=word))
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


def _word(circuit: Wild, reading: Reading, rng: np.random.Generator) -> str:
    """What somebody says of the load; of a step or of pulses he may know that weak is what it should be."""
    if not circuit.heard:
        return UNHEARD
    where = situation(circuit, reading)
    written = Circuit(circuit.hypothesis, circuit.parts, where, circuit.blown, circuit.retry)
    share = float(working([written])[0]) + 0.05 * float(np.clip(rng.standard_normal(), -3, 3))
    dead, weak = (0.6, 0.65) if circuit.parts.kind == "resistive" else (0.25, 0.8)  # relays, motors; lamps
    if share < dead:
        return "dead"
    is_meant = circuit.hypothesis.condition in ("averaged", "stepped") and rng.random() < 0.5
    return "works" if is_meant or share > weak else "weak"


def _word_alone(circuit: Wild) -> str:
    """In hand anything can be seen or heard."""
    return "works" if alone(circuit) > 0.5 else "dead"


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
    return None if answer.next_test is None else answer.next_test.asks


def fixed_order(answer: Answer, given: list[Reading]) -> Reading | None:
    """The same tests for everybody, until the place is known."""
    return (
        None if answer.stop == "known" or len(given) >= len(FIXED_ORDER) else parse(FIXED_ORDER[len(given)])
    )


def work(seed: int, policy: Policy = own_choice, *, spread: bool = False, leaky: float = LEAKY) -> Outcome:
    """One circuit from the first reading to the program's stop; `spread` looks at other seeds as well."""
    rng = np.random.default_rng(seed)
    circuit = wild(rng, leaky)
    ((is_blown, retries),) = blown([(circuit.hypothesis, circuit.parts)])
    circuit = replace(circuit, blown=is_blown, retry=retries)
    given: list[Reading] = []
    spent = 0.0
    wanted: Reading | None = parse("source 0")  # everybody looks at the battery first
    answers: list[Answer] = []
    while wanted is not None and len(given) < MOST_TESTS:
        spent += minutes(wanted, given, shipped().costs)
        given.append(take(circuit, wanted, rng))
        answers.append(answer := reason(given))
        wanted = policy(answer, given)
    return _outcome(seed, circuit, given, spent, answers, seed_spread(given) if spread else None)


def prior(truth: Explanation) -> float:
    """What the program believes of this place before any reading."""
    return sum(
        h.prior / 2
        for h in hypotheses(shipped())
        for order in (1, 2)
        if h.second is None and _key(explanation(h, order)) == _key(truth)
    )


def _key(e: Explanation) -> tuple[object, ...]:
    """A leak is not taken for a dead short in the same place."""
    return (*e.where, e.leaking)


def _chance(answer: Answer, truth: Explanation) -> float:
    return sum(p for e, p in answer.candidates if _key(e) == _key(truth) and e.also is None)


def places(answer: Answer) -> dict[tuple[object, ...], float]:
    """Probability of each side, fault and place."""
    merged: dict[tuple[object, ...], float] = {}
    for e, p in answer.candidates:
        merged[_key(e)] = merged.get(_key(e), 0.0) + p
    return merged


def _left(answer: Answer) -> float:
    chances = np.array(list(places(answer).values()))
    return float(entropy(chances / chances.sum()))


def seed_spread(given: Sequence[Reading]) -> float:
    """Largest standard deviation, over seeds of the draws, of the probability of a side or a place."""
    told: list[dict[object, float]] = []
    for seed in range(1, SPREAD_SEEDS + 1):
        belief, found = diagnose(given, seed=seed), dict[object, float]()
        for n, h in enumerate(belief.hypotheses):
            for order in (1, 2):
                e, p = explanation(h, order), float(belief.probability[order - 1, n])
                for name in (e.side, e.where):
                    found[name] = found.get(name, 0.0) + p
        told.append(found)
    names = {name for one in told for name in one}
    return max(float(np.std([one.get(name, 0.0) for one in told], ddof=1)) for name in names)


def _outcome(
    seed: int,
    circuit: Wild,
    given: Sequence[Reading],
    spent: float,
    answers: Sequence[Answer],
    spread: float | None,
) -> Outcome:
    truth, answer = circuit.truth, answers[-1]
    told = [a for a in answers if a.premise is None]  # else none is told of a circuit
    before, least = prior(truth), min((_chance(a, truth) for a in told), default=1.0)
    merged = places(answer)
    ranked = sorted(merged, key=lambda k: -merged[k])
    cumulative = np.cumsum([merged[k] for k in ranked])
    size = int(np.searchsorted(cumulative, 0.95 * cumulative[-1])) + 1
    rank = ranked.index(_key(truth)) if _key(truth) in merged else len(ranked)
    rivals = _rivals(answer, _key(truth))
    as_built = all(told_apart(circuit, e, given, same_parts=True) for e in rivals)
    apart = as_built and all(told_apart(circuit, e, given) for e in rivals)
    return Outcome(
        seed,
        f"{truth} [{circuit.parts.kind}, {circuit.parts.switch}/{circuit.parts.test}]",
        tuple(str(r) for r in given),
        spent,
        merged.get(_key(truth), 0.0),
        rank,
        size,
        rank < size,
        apart,
        as_built,
        circuit.disguised,
        answer.side[truth.side],
        max(p for s, p in answer.side.items() if s != truth.side),
        answer.fits,
        answer.stop,
        least < min(LOST, before / 3),
        _left(answers[0]) - _left(answer),
        max((a.next_test.expected_bits for a in answers if a.next_test is not None), default=0.0),
        spread,
    )


def _rivals(answer: Answer, truth: tuple[object, ...]) -> list[Explanation]:
    """The likeliest place that is not the truth's, in all conditions that are of account; none where no other
    place is."""
    merged = places(answer)
    first = max((k for k in merged if k != truth), key=lambda k: merged[k], default=truth)
    if merged.get(first, 0.0) < LEAST_RIVAL or first == truth:
        return []
    mine = [(e, p) for e, p in answer.candidates if _key(e) == first]
    return [e for n, (e, p) in enumerate(mine) if p >= LEAST_RIVAL or n == 0]


def apart(outcome: Outcome) -> bool:
    """Some offered test tells the truth from its likeliest rival."""
    return outcome.apart and not outcome.disguised


def run(
    seed: int, count: int, policy: Policy = own_choice, first: int = 0, leaky: float = LEAKY
) -> list[Outcome]:
    """The first circuits of a seed; of them a share `leaky` have a control wire that leaks."""
    return [
        work(seed * 100_000 + n, policy, spread=policy is own_choice and n % SPREAD_EVERY == 0, leaky=leaky)
        for n in range(first, first + count)
    ]
