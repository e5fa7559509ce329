"""When the work is done: the place is known, or no test is worth its minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from daq.information import expected_bits
from daq.knowledge import Knowledge
from daq.next_test import DRAWS, REPEATS, Field, Played
from daq.reason_words import Explanation

KNOWN = "known"
Ranked = Sequence[tuple[Explanation, float]]  # most probable first


def worth_doing(tests: Sequence[Played], knowledge: Knowledge) -> list[Played]:
    """The tests that tell enough for what they cost, in their order."""
    return [t for t in tests if _is_worth(t.bits, t, knowledge)]


def _is_worth(bits: float, test: Played, knowledge: Knowledge) -> bool:
    return bits >= max(knowledge.stop["bits"], knowledge.stop["bits_per_minute"] * test.test.minutes)


def known(ranked: Ranked, alike: tuple[tuple[Explanation, ...], ...], knowledge: Knowledge) -> str:
    """ "known" when one place is sure enough, "known, but for look-alikes" when one group of them is."""
    enough = knowledge.stop["place_known"]
    places: dict[tuple[str, int | str | None, str, str | None], float] = {}
    for found, p in ranked:
        places[found.where] = places.get(found.where, 0.0) + p
    if max(places.values()) >= enough:
        return KNOWN
    for group in alike:
        if sum(places[where] for where in {e.where for e in group}) >= enough:
            return "known, but for look-alikes"
    return ""


def proofs(
    stop: str,
    tests: Sequence[Played],
    played: Field,
    names: Sequence[Explanation],
    knowledge: Knowledge,
    load_fails: bool = False,
) -> list[Played]:
    """Tests worth doing though the place, or one group of look-alikes, is known, or no other test would tell
    more: most telling of the place for its cost first.

    Where look-alikes are left, the place is not known, and any test is done that tells enough of it; so it is
    where the load was seen to be weak or dead (`load_fails`) and nothing is found to be wrong with it. And a
    circuit that is taken for sound is proved to be: what is left are faults that the load does not feel, a
    leak above all. Nobody unplugs for so rare a thing; but who has unplugged already reads the other pin too.
    """
    limits, healthy = knowledge.stop, names[played.numbers[int(played.probability.argmax())]].fault == "none"
    told = [(_bits_on_place(t, played, names), t) for t in tests] if healthy or stop != KNOWN else []

    open_yet = stop != KNOWN or load_fails

    def is_useful(bits: float, test: Played) -> bool:
        near = healthy and test.test.stands and test.test.minutes <= limits["proof_minutes"]
        return (near and bits >= limits["proof_bits"]) or (open_yet and _is_worth(bits, test, knowledge))

    useful = [replace(t, bits=bits) for bits, t in told if is_useful(bits, t)]
    return sorted(useful, key=lambda t: -t.rate)


def _bits_on_place(test: Played, played: Field, names: Sequence[Explanation]) -> float:
    """What a test is expected to tell of the place; which odd but healthy circuit it is does not count."""
    places = [names[n].where for n in played.numbers]
    rows = np.array([list(dict.fromkeys(places)).index(place) for place in places])
    joint = np.zeros((rows.max() + 1, test.chances.shape[1]))
    np.add.at(joint, rows, played.probability[:, None] * test.chances)
    prior = joint.sum(axis=1)
    return expected_bits(prior, joint / prior[:, None], DRAWS * REPEATS)
