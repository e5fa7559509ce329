"""Readings in, answer out: what it could be, what to test next, and whether the readings fit at all.

The hand readings of `whichside reason` and, through the judge, live leads and captures come here alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from daq.diagnosis import MISREAD, Belief, diagnose
from daq.hypotheses import SIDES, Fault, Hypothesis
from daq.knowledge import Knowledge, Weights, shipped
from daq.naming import grouped
from daq.next_test import Field, Played, field, play_all
from daq.offered_tests import BY_HAND, Means
from daq.premises import Premise, of_a_sensor, unmet
from daq.readings import Levels, Reading, load_fails
from daq.reason_words import LOST, Explanation, caution, instruction, outcomes_sentence
from daq.stopping import KNOWN, Places, and_near, known, of_places, opening, worth_doing

LEAST_LISTED = 5e-5
ALIKE = 0.25 - 1e-9  # two explanations whose outcomes overlap more than 1 - this in every test are alike
ALIKE_LEAST = 0.01
LEAST_RIVAL = 2e-3
GOOD_PART = 0.25
SOUND = 0.6  # healthy: a small drop at a pin looks like none, so that a sound circuit seldom has 90 %
NEVER = 1e-9
MOST_DOUBT = 1 - 1e-6  # explanations are told even so, in proportion
MEND_FIRST = "nothing is told before that is put right"
NO_MORE = "no test would tell more"
OPEN_LOAD = (Fault("open", "load"), Fault("open", "connector pin"))


@dataclass(frozen=True, slots=True)
class Proposal:
    """The next test, said; `asks` has blanks where its values go.

    `otherwise` is the best one left where this cannot be done: the control has no other direction or speed,
    nobody can tell what the load does, nothing shares its wires.
    """

    do: str
    reading: str
    expected_bits: float
    splits: str
    caution: str
    minutes: float
    asks: Reading
    otherwise: Proposal | None = None

    @property
    def and_otherwise(self) -> tuple[Proposal, ...]:
        return (self,) if self.otherwise is None else (self, *self.otherwise.and_otherwise)


@dataclass(frozen=True, slots=True)
class Answer:
    """What the readings say.

    Attributes:
        side: probability of each of the five sides.
        candidates: explanations with their probability, most probable first.
        next_test: None when the work is done or no offered test would help; `stop` says which.
        misfits: readings that are more likely wrong than explained.
        look_alikes: groups that no offered test separates.
        given: the readings.
        premise: what does not hold, so that no side is said.
    """

    side: dict[str, float]
    candidates: tuple[tuple[Explanation, float], ...]
    next_test: Proposal | None
    stop: str
    misfits: tuple[Reading, ...]
    look_alikes: tuple[tuple[Explanation, ...], ...]
    given: tuple[Reading, ...]
    premise: Premise | None = None

    @property
    def fits(self) -> bool:
        return not self.misfits

    @property
    def healthy(self) -> float:
        """Probability that nothing is wrong; none where a reading fits nothing."""
        return sum(p for e, p in self.candidates if e.fault == "none") if self.fits else 0.0

    @property
    def lost(self) -> str | None:
        """The lead that has no contact, where that is known: no other test is worth doing before it has."""
        return _lost(self.stop, self.candidates)


@dataclass(frozen=True, slots=True)
class Switching:
    """What the load's switching says, beside readings: it was seen to be switched so.

    What tells a switch from a fault is how things move in time; levels fit that or they do not, but a circuit
    that they do not fit is more likely one that no explanation describes than one on the other side.

    Attributes:
        side: "low", "high", "both ends" or "reversing".
        control: the lead on the control wire, 1 or 2; None where the side has two.
        probability: of this side and control lead. Readings divide it among faults, and do not change it.
        drew_current: the load's own answer to the switching was seen, so that it is not open.
        worked: the load was seen to work in the same state, so that something is wrong now.
    """

    side: str
    control: int | None
    probability: float
    worked: bool = False
    drew_current: bool = False

    def is_so(self, hypothesis: Hypothesis, order: int) -> bool:
        if hypothesis.side != self.side:
            return False
        return self.control is None or self.control == (order if self.side == "high" else 3 - order)


def reason(
    given: Sequence[Reading],
    knowledge: Knowledge | None = None,
    switching: Switching | None = None,
    means: Means = BY_HAND,
) -> Answer:
    """Everything that can be said from these readings, and from the switching that was seen.

    The next test is one of those that `means` allow.
    """
    knowledge = knowledge or shipped()
    premise = None if switching is not None else unmet(given)
    if premise is not None:
        return _before_any(given, premise, knowledge, means)
    of_sensor = of_a_sensor(given)
    if of_sensor:
        means = _plain_alone(means)
    belief = _believed(given, knowledge, switching)
    names, groups = grouped(belief, means.eyes)
    probability = np.bincount(groups.ravel(), weights=belief.probability.ravel(), minlength=len(names))
    misfits = tuple(r for r, wrong in zip(given, belief.misread, strict=True) if wrong > MISREAD)
    doubt = min(max(belief.misread), MOST_DOUBT) if misfits else 0.0
    ranked = sorted(zip(names, probability.tolist(), strict=True), key=lambda pair: -pair[1])
    played = field(belief, groups)
    places = Places.of(played, names)
    tests = of_places(play_all(belief, played, means), places)
    alike = _look_alikes(played, tests, names)
    is_plain = bool(given) and not misfits and not of_sensor
    stop = known(ranked, alike, knowledge) if is_plain else ""
    sides = _sides(ranked, knowledge, doubt, switching)
    rivals = rival_sides(sides, knowledge) if switching is None and given else []
    at_place = stop == KNOWN and ranked[0][0].fault != "none"  # to be mended, whatever the side
    # What is known is not gone into, but for a load that fails with nothing wrong.
    is_done = stop == KNOWN and not (places.sound and load_fails(given))
    useful = [] if is_done else worth_doing(tests, knowledge)
    if is_plain:
        useful = and_near(useful or opening(tests, places), tests, places, knowledge)
    if rivals and _lost(stop, ranked) is None:  # else its contact comes first
        useful += [
            t
            for t in tests
            if _tells_sides(t, played, names, sides, rivals) and (not at_place or _is_simple(t))
        ]
    best = useful[0] if useful else None
    if best is None and rivals:
        said = without_prior_alone(sides, rivals, knowledge)
        ranked = [(e, p * said[e.side] / max(sides[e.side], 1e-12)) for e, p in ranked]
        sides = said
    stop = "" if best is not None else stop
    return Answer(
        sides,
        tuple((e, p * (1.0 - doubt)) for e, p in sorted(ranked, key=lambda r: -r[1]) if p >= LEAST_LISTED),
        _proposal(useful, [names[n] for n in played.numbers]),
        stop or ("" if best is not None else NO_MORE),
        misfits,
        alike,
        tuple(given),
    )


def _before_any(given: Sequence[Reading], premise: Premise, knowledge: Knowledge, means: Means) -> Answer:
    """The answer where a premise does not hold: sides as they are common, and how to read on, or what could
    be where nothing is to be read before it is put right (a lost reference lead reads like no battery)."""
    belief = diagnose(() if premise.read_on else given, knowledge)
    names, groups = grouped(belief, False)
    if not premise.read_on:
        probability = np.bincount(groups.ravel(), belief.probability.ravel(), len(names)).tolist()
        ranked = sorted(zip(names, probability, strict=True), key=lambda pair: -pair[1])
        listed = tuple((e, p) for e, p in ranked if p >= LEAST_LISTED)
        wrong = tuple(r for r, chance in zip(given, belief.misread, strict=True) if chance > MISREAD)
        return Answer(dict(knowledge.sides), listed, None, MEND_FIRST, wrong, (), tuple(given), premise)
    belief = replace(belief, given=tuple(given))  # what was read is not offered again
    played = field(belief, groups)
    tests = worth_doing(play_all(belief, played, _plain_alone(means)), knowledge)
    source = [t for t in tests if t.test.reading.is_of_battery and t.test.reading.state.control == "off"]
    others = [t for t in tests if not t.test.reading.is_of_battery]
    useful = others if any(r.is_of_battery for r in given) else source + others
    proposal = _proposal(useful, [names[n] for n in played.numbers])
    stop = NO_MORE if proposal is None else ""
    return Answer(dict(knowledge.sides), (), proposal, stop, premise.readings, (), tuple(given), premise)


def _plain_alone(means: Means) -> Means:
    """The same with nothing put on the circuit: it may be a data wire."""
    return replace(means, bias=False, test_light=False, aids=False, eyes=False)


def either(one: Answer, other: Answer) -> Answer:
    """Of two stories of the same readings, neither more likely before: half of each.

    The next test is the other's own best: it says how what only the other knows of (the key) is to stand,
    and so is done alike whichever is true. Only where the other has none is it the one's. Look-alikes are
    what no test separates in either story.
    """
    leading = other if other.next_test is not None else one
    alike = (tuple(e for e in a if e in b) for a in one.look_alikes for b in other.look_alikes)
    chances: dict[Explanation, float] = {}
    for answer in (one, other):
        for e, p in answer.candidates:
            chances[e] = chances.get(e, 0.0) + p / 2
    return replace(
        leading,
        side={side: (p + other.side[side]) / 2 for side, p in one.side.items()},
        candidates=tuple(sorted(chances.items(), key=lambda pair: -pair[1])),
        misfits=one.misfits if other.misfits else (),
        look_alikes=tuple(group for group in alike if len(group) > 1),
        given=one.given,
    )


def _lost(stop: str, ranked: Sequence[tuple[Explanation, float]]) -> str | None:
    if stop != KNOWN or not ranked or ranked[0][0].fault != LOST:
        return None
    return ranked[0][0].place


def _believed(given: Sequence[Reading], knowledge: Knowledge, switching: Switching | None) -> Belief:
    if switching is None:
        return diagnose(given, knowledge)
    before = knowledge.sides[switching.side] * (1.0 if switching.control is None else 0.5)
    gain = switching.probability / (1 - switching.probability) * (1 - before) / before

    def likelihood(h: Hypothesis, order: int) -> float:
        against = switching.worked and h.fault.fault == "none"
        against |= switching.drew_current and h.fault in OPEN_LOAD
        return (gain if switching.is_so(h, order) else 1.0) * (NEVER if against else 1.0)

    belief = diagnose(given, knowledge, beside=likelihood)
    so = np.array([[switching.is_so(h, order) for h in belief.hypotheses] for order in (1, 2)])
    found = float(belief.probability[so].sum())
    if not 0.0 < found < 1.0:
        return belief
    p = switching.probability
    return replace(belief, probability=belief.probability * np.where(so, p / found, (1 - p) / (1 - found)))


def _sides(
    ranked: list[tuple[Explanation, float]], knowledge: Knowledge, doubt: float, switching: Switching | None
) -> dict[str, float]:
    """Probability of each side; as far as a reading is in doubt, what was believed before any."""
    before = dict(knowledge.sides)
    if switching is not None:
        others = (1 - switching.probability) / (1 - before[switching.side])
        before = {side: p * others for side, p in before.items()} | {switching.side: switching.probability}
    total = dict.fromkeys(SIDES, 0.0)
    for found, p in ranked:
        total[found.side] += p * (1 - doubt)
    for side in SIDES:
        total[side] += doubt * before[side]
    return total


def rival_sides(sides: Weights, knowledge: Knowledge) -> list[str]:
    """Sides that the readings hardly tell from the likeliest: how common they are decides against them.

    The readings' own part is the Bayes factor, posterior over prior odds.
    """
    best = max(sides, key=lambda side: sides[side])
    gained = {side: p / knowledge.sides[side] for side, p in sides.items() if knowledge.sides[side] > 0}
    least = gained[best] / knowledge.stop["side_told"]
    return [s for s, p in sides.items() if s != best and p >= LEAST_RIVAL and gained.get(s, 0.0) > least]


def without_prior_alone(sides: dict[str, float], rivals: list[str], knowledge: Knowledge) -> dict[str, float]:
    """The likeliest side said no surer than being common may make it; the rivals get the rest."""
    best = max(sides, key=lambda side: sides[side])
    excess = sides[best] - knowledge.stop["common_alone"]
    if excess <= 0:
        return sides
    total = sum(sides[s] for s in rivals)
    given_up = {s: sides[s] + excess * sides[s] / total for s in rivals}
    return sides | given_up | {best: knowledge.stop["common_alone"]}


def _tells_sides(
    test: Played, played: Field, names: list[Explanation], sides: Weights, rivals: list[str]
) -> bool:
    """Whether a test's outcomes of the likeliest side and of a good part of some rival overlap by less than
    half: an explanation that is ruled out is a rival less."""
    of_side = {
        side: [n for n, number in enumerate(played.numbers) if names[number].side == side] for side in sides
    }

    def outcomes(rows: list[int]) -> npt.NDArray[np.float64]:
        share = played.probability[rows]
        found: npt.NDArray[np.float64] = share @ test.chances[rows] / share.sum()
        return found

    best = of_side[max(sides, key=lambda side: sides[side])]
    if not best:
        return False
    mine = outcomes(best)
    for rows in (of_side[side] for side in rivals):
        total = played.probability[rows].sum()
        parts = [[n] for n in rows if played.probability[n] >= GOOD_PART * total]
        if any(0.5 * np.abs(mine - outcomes(some)).sum() > 0.5 for some in parts):
            return True
    return False


def _is_simple(test: Played) -> bool:
    """Whether nothing is put on the circuit, nor unplugged, for this."""
    state, what = test.test.reading.state, test.test.reading.what
    return state.plugged and isinstance(what, Levels) and what.plain


def _proposal(useful: list[Played], names: list[Explanation]) -> Proposal | None:
    """The first of the tests, said; where it may not be possible, with the next of them."""
    if not useful:
        return None
    best, test = useful[0], useful[0].test
    meanings, otherwise = outcomes_sentence(best, names), None
    if test.unless:
        otherwise = _proposal([t for t in useful if t.test.unless != test.unless], names)
        otherwise = otherwise and replace(otherwise, do=f"{test.unless}: {_lower(otherwise.do)}")
    return Proposal(
        instruction(test),
        test.template,
        best.bits,
        meanings,
        caution(test),
        test.minutes,
        test.reading,
        otherwise,
    )


def _lower(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:]


def _look_alikes(
    played: Field, tests: list[Played], names: list[Explanation]
) -> tuple[tuple[Explanation, ...], ...]:
    """Groups of explanations whose outcomes overlap in every offered test."""
    some = [n for n in range(len(played.numbers)) if played.probability[n] >= ALIKE_LEAST]
    apart = np.zeros((len(some), len(some)))
    for test in tests:
        chances = test.chances[some]
        apart = np.maximum(apart, 0.5 * np.abs(chances[:, None] - chances[None]).sum(axis=-1))
    groups: list[list[int]] = []
    for n in range(len(some)):
        home = next((g for g in groups if all(apart[n, m] < ALIKE for m in g)), None)
        if home is None:
            groups.append([n])
        else:
            home.append(n)
    return tuple(tuple(names[played.numbers[some[n]]] for n in g) for g in groups if len(g) > 1)
