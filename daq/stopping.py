"""When the work is done: the place is known, or no test is worth its minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from daq.information import expected_bits
from daq.knowledge import Knowledge
from daq.next_test import DRAWS, REPEATS, SETUP_MIN, Field, Played
from daq.readings import Working
from daq.reason_words import Explanation, Where
from daq.unknowns import Array

KNOWN = "known"
APART = 0.25  # outcomes that overlap no more are told apart
LEFT_BOTH = 0.1  # of load and connector: less of either is no question
Ranked = Sequence[tuple[Explanation, float]]  # most probable first


def of_places(tests: Sequence[Played], places: Places) -> list[Played]:
    """The tests with what they are expected to tell of the place, most for its cost first: which odd but
    healthy circuit it is, nobody has to know."""
    return sorted((replace(t, bits=places.bits(t)) for t in tests), key=lambda t: -t.rate)


def worth_doing(tests: Sequence[Played], knowledge: Knowledge) -> list[Played]:
    """The tests that tell enough for what they cost, in their order."""
    bits, rate = knowledge.stop["bits"], knowledge.stop["bits_per_minute"]
    return [t for t in tests if t.bits >= max(bits, rate * t.test.minutes)]


def known(ranked: Ranked, alike: tuple[tuple[Explanation, ...], ...], knowledge: Knowledge) -> str:
    """ "known" when one place is sure enough, "known, but for look-alikes" when one group of them is."""
    enough = knowledge.stop["place_known"]
    places: dict[Where, float] = {}
    for found, p in ranked:
        places[found.where] = places.get(found.where, 0.0) + p
    if max(places.values()) >= enough:
        return KNOWN
    for group in alike:
        if sum(places[where] for where in {e.where for e in group}) >= enough:
            return "known, but for look-alikes"
    return ""


def and_near(
    useful: Sequence[Played],
    tests: Sequence[Played],
    places: Places,
    knowledge: Knowledge,
) -> list[Played]:
    """Those useful, and those close at hand that prove a circuit taken for sound: before any that is not, and
    so before it is unplugged or plugged in again.

    What is left of such a circuit are faults that the load does not feel, a leak above all, and ends that
    nobody switched yet. Nobody unplugs for so rare a thing, and it is next to nothing in bits; but who has
    unplugged reads the other pin too.
    """
    limits = knowledge.stop
    if not places.sound:
        return list(useful)
    near = [t for t in tests if t.test.minutes <= limits["proof_minutes"]]
    told = [(places.share_told(t) / (t.test.minutes + SETUP_MIN), t) for t in near if t not in useful]
    worth = [(rate, t) for rate, t in told if rate >= limits["proof_per_minute"]]
    proving = [t for _, t in sorted(worth, key=lambda pair: -pair[0])]
    is_far = bool(useful) and useful[0].test.minutes > limits["proof_minutes"]
    return [*proving, *useful] if is_far else [*useful, *proving]


def opening(tests: Sequence[Played], places: Places) -> list[Played]:
    """Looking what the load does, where load and connector are left: only one that fails is tried alone, and
    that alone tells the two apart."""
    if min(places.share_at("load"), places.share_at("connector pin")) < LEFT_BOTH:
        return []
    return [t for t in tests if isinstance(t.test.reading.what, Working)][:1]


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """The explanations that are played, by place: which odd but healthy circuit it is does not count."""

    names: tuple[Where, ...]
    row: npt.NDArray[np.intp]  # of each group of explanations
    probability: Array
    played: Field

    @classmethod
    def of(cls, played: Field, names: Sequence[Explanation]) -> Places:
        where = [names[n].where for n in played.numbers]
        each = tuple(dict.fromkeys(where))
        row = np.array([each.index(place) for place in where])
        return cls(each, row, np.bincount(row, played.probability, len(each)).astype(np.float64), played)

    @property
    def sound(self) -> bool:
        """Whether that nothing is wrong is the likeliest."""
        return self.names[int(self.probability.argmax())][2] == "none"

    def _chances(self, test: Played) -> Array:
        """(places, outcomes)"""
        joint = np.zeros((len(self.names), test.chances.shape[1]))
        np.add.at(joint, self.row, self.played.probability[:, None] * test.chances)
        return joint / self.probability[:, None]

    def bits(self, test: Played) -> float:
        """What a test is expected to tell of the place."""
        return expected_bits(self.probability, self._chances(test), DRAWS * REPEATS)

    def share_at(self, place: str) -> float:
        """Probability that what is wrong is there."""
        return float(
            sum(p for where, p in zip(self.names, self.probability, strict=True) if where[3] == place)
        )

    def share_told(self, test: Played) -> float:
        """Probability of the places whose outcomes are not those of the likeliest."""
        chances = self._chances(test)
        overlap = np.minimum(chances, chances[self.probability.argmax()]).sum(axis=1)
        return float(self.probability[overlap <= APART].sum())
