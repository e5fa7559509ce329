"""Which test next: expected entropy reduction for its cost, and when to stop.

Every explanation left is played through every offered test, with draws taken from its posterior, so that a
test whose answer is known already promises nothing. Outcomes are classes of voltage, as a person would tell
them apart; what classes tell is never more than what volts would. Uncertainty of reading is played too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import inf, isinf

import numpy as np
import numpy.typing as npt

from daq.circuit import Circuits
from daq.circuit_case import Seen
from daq.circuit_reading import all_readings
from daq.circuit_stack import BATTERY_OHM, JUMPER_OHM
from daq.diagnosis import Belief
from daq.information import expected_bits
from daq.likelihood import ORDERS, case, either_way, shown_as, variance
from daq.looks import said
from daq.offered_tests import BY_HAND, Means, Offer, offered
from daq.readings import Levels, Reading, Told
from daq.unknowns import Array, stratified

Codes = npt.NDArray[np.int64]
Shown = tuple[tuple[float, ...], str]  # an outcome as people read it: volts, or the light's word

DRAWS = 24
JUMPER_A = 15.0  # its fuse
UNSAFE = 0.01  # a jumper is not offered where its fuse blows more probably than this
REPEATS = 2  # readings of each draw
LEAST = 1e-3  # explanations less probable than this are not played
MOST_PLAYED = 80
SETUP_MIN = 0.5  # of every test, beside its cost: getting there
EDGES = np.array([-0.02, 0.02, 0.05, 0.12, 0.3, 0.5, 0.7, 0.88, 0.955])  # classes of volts, shares of source


NEAR_V = 0.25  # outcomes no further apart, of the same explanation, are told as one
SAID = 0.1  # outcomes less probable than this are not told beforehand, but for the likelier two
ASLEEP_V = 4.5  # no source was seen yet where nothing read more
BEYOND = 1.1  # of the highest volts seen: what would read more is told as that


@dataclass(frozen=True, slots=True)
class Outcome:
    """Outcomes that read alike: their chance, middle volts to a tenth (or the light's word), and the
    explanations they leave, (played index, probability), best first. Volts beyond `most_v` are infinite."""

    chance: float
    volts: tuple[float, ...]
    word: str
    leaves: tuple[tuple[int, float], ...]
    most_v: float


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """The explanations that are played: indices into the belief, their group and draws."""

    order: npt.NDArray[np.intp]  # 0 or 1: lead 1, lead 2 on the feed pin
    row: npt.NDArray[np.intp]
    group: npt.NDArray[np.intp]  # explanations that mean the same are one group, 0 ..
    numbers: npt.NDArray[np.intp]  # what each group is called outside
    probability: Array  # of each group
    circuits: Circuits
    most_v: float  # of what is told; infinite while no source was seen


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """A test played through: what it is expected to tell and (explanations, outcomes) chances.

    Its volts, (1 or 2, explanations, draws), and outcome codes, (repeats, explanations, draws), are kept.
    """

    test: Offer
    bits: float
    chances: Array
    values: Array
    codes: Codes
    field: Field

    @property
    def rate(self) -> float:
        return self.bits / (self.test.minutes + SETUP_MIN)

    def outcomes(self, said: Sequence[object]) -> tuple[Outcome, ...]:
        """Those that are to be expected, two at least, most likely first; were they to mean the same, the
        likeliest that means something else as well.

        `said` is what each of the explanations is told as.
        """
        joint = self.field.probability[:, None] * self.chances
        alike: dict[Shown, Array] = {}
        for code in np.flatnonzero(joint.sum(axis=0) > LEAST):
            shown = self._shown(code, int(np.argmax(joint[:, code])))
            alike[shown] = alike.get(shown, 0.0) + joint[:, code]
        each = _near_ones_together(sorted(alike.items(), key=lambda pair: -pair[1].sum()))
        found = sorted((self._outcome(*shown, some) for shown, some in each), key=lambda o: -o.chance)
        likely = [o for o in found if o.chance >= SAID]
        if len(likely) < 2:
            likely = [o for o in found if o in likely or not any(map(isinf, o.volts))][:2]
        leading = {said[o.leaves[0][0]] for o in likely}
        if len(leading) == 1:
            likely += [o for o in found if said[o.leaves[0][0]] not in leading][:1]
        return tuple(likely)

    def _shown(self, code: np.intp, group: int) -> Shown:
        what = self.test.reading.what
        if isinstance(what, Told):
            return (), what.words[code]
        volts = (round(v, 1) + 0.0 for v in self._middle(code, group))
        return tuple(inf if v > self.field.most_v else v for v in volts), ""

    def _outcome(self, volts: tuple[float, ...], word: str, joint: Array) -> Outcome:
        """`joint`: the chance of each explanation together with this outcome."""
        chance = float(joint.sum())
        leaves = tuple((int(g), float(joint[g] / chance)) for g in np.argsort(-joint, kind="stable"))
        return Outcome(chance, volts, word, leaves, self.field.most_v)

    def _middle(self, code: np.intp, group: int) -> tuple[float, ...]:
        """Median volts of this outcome, in the explanation that most probably makes it."""
        here = (self.codes == code).any(axis=0) & (self.field.group == group)[:, None]
        return tuple(_middle_of(v[here]) for v in self.values)


def _near_ones_together(outcomes: Iterable[tuple[Shown, Array]]) -> list[tuple[Shown, Array]]:
    """Outcomes of the same explanation that nobody would tell apart as one, at the volts of the likeliest."""
    found: list[tuple[Shown, Array]] = []
    for (volts, word), joint in outcomes:
        for n, ((others, called), more) in enumerate(found):
            near = all(a == b or abs(a - b) <= NEAR_V for a, b in zip(volts, others, strict=True))
            if near and word == called and joint.argmax() == more.argmax():
                found[n] = (others, called), more + joint
                break
        else:
            found.append(((volts, word), joint))
    return found


def _middle_of(volts: Array) -> float:
    """The median; numpy's own imports its masked arrays, which are slow to come."""
    ordered, half = np.sort(volts), (len(volts) - 1) // 2
    return float((ordered[half] + ordered[-1 - half]) / 2)


def field(belief: Belief, groups: npt.NDArray[np.intp]) -> Field:
    """The most probable explanations with a few posterior draws each.

    Args:
        groups: (orders, h) numbers; those that say the same are one.
    """
    flat = belief.probability.ravel()
    best = np.argsort(-flat, kind="stable")[:MOST_PLAYED]
    best = best[flat[best] >= min(LEAST, flat[best[0]] / 2)]
    order, row = np.unravel_index(best, belief.probability.shape)
    names, group = np.unique(groups[order, row], return_inverse=True)
    probability = np.bincount(group, weights=flat[best], minlength=len(names))
    points = (np.arange(DRAWS) + 0.5) / DRAWS
    cumulative = np.cumsum(belief.weight[order, row], axis=-1)
    columns = np.stack([np.searchsorted(c, points * c[-1]) for c in cumulative])
    drawn = belief.circuits.drawn(row, columns)
    most_v = _most_told(belief.given)
    return Field(order, row, group, names, probability / probability.sum(), drawn, most_v)


def _most_told(given: Sequence[Reading]) -> float:
    """The highest volts that an outcome is told with (V)."""
    highest = max((v for reading in given for v in _volts_of(reading)), default=0.0)
    return BEYOND * highest if highest > ASLEEP_V else inf


def _volts_of(reading: Reading) -> list[float]:
    what = reading.what
    if isinstance(what, Told):
        return []
    return [v for v in (what.volts if isinstance(what, Levels) else (what.volts,)) if v is not None]


def play_all(belief: Belief, played: Field, means: Means = BY_HAND) -> list[Played]:
    """Every offered test, most telling for its cost first."""
    tests = offered(belief.given, belief.knowledge.costs, means)
    values = _values([t.reading for t in tests], belief, played)
    each = (_play(test, v, belief, played) for test, v in zip(tests, values, strict=True))
    found = [p for p in each if p is not None]
    return sorted(found, key=lambda p: -p.rate)


def _play(test: Offer, values: Array, belief: Belief, played: Field) -> Played | None:
    """The test played through; None for a jumper that might stand across a supply."""
    source = np.broadcast_to(played.circuits.emf, values.shape[1:])
    if not _safe(test, values, source, belief, played):
        return None
    what = test.reading.what
    if isinstance(what, Told):
        codes, kinds = _words(values[0], what), len(what.words)
    else:
        codes, kinds = _classes(values, source, belief)
    share = np.broadcast_to(belief.probability[played.order, played.row][:, None], codes.shape)
    cells = played.group[:, None] * kinds + codes
    groups = len(played.probability)
    counts = np.bincount(cells.ravel(), share.ravel(), groups * kinds).reshape(groups, kinds)
    chances = counts / counts.sum(axis=1, keepdims=True)
    bits = expected_bits(played.probability, chances, DRAWS * REPEATS)
    return Played(test, bits, chances, values, codes, played)


def _values(tests: Sequence[Reading], belief: Belief, played: Field) -> list[Array]:
    """What would be read in each test: (1 or 2, explanations, draws); lead 1 then lead 2."""
    orders = [np.flatnonzero(played.order == order - 1) for order in ORDERS]
    cases = []
    for test in tests:
        either = [
            case(test, order, belief.knowledge.reading, rows)
            for order, rows in zip(ORDERS, orders, strict=True)
            if len(rows)
        ]
        cases.append(either_way(either, played.order == 1))
    seen = all_readings(played.circuits, cases)
    return [_as_read(test, orders, shown) for test, shown in zip(tests, seen, strict=True)]


def _as_read(test: Reading, orders: Sequence[npt.NDArray[np.intp]], shown: Seen) -> Array:
    """What was seen in either lead order, told lead by lead."""
    what, each = test.what, []
    for order, one in zip(ORDERS, map(shown.chosen, orders), strict=True):
        pins = (one.feed, one.ground) if order == 1 else (one.ground, one.feed)
        each.append(pins if isinstance(what, Levels) else (getattr(one, shown_as(what)),))
    values = np.concatenate(each, axis=1)
    return values[:, np.argsort(np.concatenate(orders))]


def _safe(test: Offer, values: Array, source: Array, belief: Belief, played: Field) -> bool:
    """Whether a jumper would carry no more than its fuse, JUMPER_A, in all that is likely at all."""
    what = test.reading.what
    if not isinstance(what, Levels) or what.jumper is None:
        return True
    pole, lead = what.jumper
    if not any(r.state.plugged and isinstance(r.what, Levels) for r in belief.given):
        return False  # nothing is known of either pin yet
    if _on_wrong_pin(pole, lead, belief) >= UNSAFE:
        return False
    away = np.abs((source if pole == "positive" else 0.0) - values[lead - 1])
    blows = (away > JUMPER_A * (JUMPER_OHM + BATTERY_OHM)).mean(axis=1)
    share = belief.probability[played.order, played.row]
    return float(blows @ share / share.sum()) < UNSAFE


def _on_wrong_pin(pole: str, lead: int, belief: Belief) -> float:
    """Probability that a jumper from this pole does not do what the switch or the ground should do.

    Positive on a pin that goes to ground, or negative on one that is fed, is a dead short the moment that a
    contact closes or a bad one gets better; a bridge may close either way (common practice).
    """
    wrong = 0.0
    for n, h in enumerate(belief.hypotheses):
        for o, order in enumerate(ORDERS):
            if h.side == "reversing" or (pole == "positive") != (lead == order):
                wrong += float(belief.probability[o, n])
    return wrong


def _classes(values: Array, source: Array, belief: Belief) -> tuple[Codes, int]:
    """Class numbers, (repeats, explanations, draws), of the values read with their uncertainty."""
    noise = stratified(REPEATS * DRAWS, values.shape[0], 5).reshape(values.shape[0], REPEATS, 1, DRAWS)
    codes = np.zeros((REPEATS, *values.shape[1:]), dtype=np.int64)
    for lead, volts in enumerate(values):
        sigma = np.sqrt(variance(volts, source, belief.knowledge.reading))
        codes = codes * (len(EDGES) + 1) + np.searchsorted(EDGES, (volts + sigma * noise[lead]) / source)
    return codes, (len(EDGES) + 1) ** values.shape[0]


def _words(share: Array, what: Told) -> Codes:
    """Numbers of the words that are told; each repeat draws its own."""
    chances = np.stack([said(share, replace(what, word=word)) for word in what.words])
    levels = (np.arange(REPEATS) + 0.5) / REPEATS
    return np.stack([(np.cumsum(chances, axis=0) < level).sum(axis=0) for level in levels])
