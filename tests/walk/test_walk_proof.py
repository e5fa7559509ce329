"""What proves a repair: the circuit sound, as it was else, and the load seen to work where it had failed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daq.lead_check import NOT_DONE
from daq.readings import Reading, State, parse_all
from daq.reason_words import Explanation
from daq.reasoning import Answer
from daq.walk import Walk
from daq.walk_here import Phase
from daq.walk_proof import lacking, proven
from tests.walk.by_hand import ALONE, asked, begun, words
from tui.walk_words import big_word, left_behind, now

SOUND = Explanation("low", 2, "none", None, None)
WORN = Explanation("low", 2, "none", None, None, seized=True)
OPEN = Explanation("low", 2, "open", "feed wire", None)
AT_PINS = ["in off 12.6 12.6", "in on 12.5 0.1"]


def said(first: Explanation, chance: float, given: list[Reading]) -> Answer:
    rest = (WORN if first is SOUND else SOUND, 1 - chance)
    return Answer({"low": 1.0}, ((first, chance), rest), None, "known", (), (), tuple(given))


def repaired(was: Explanation, before: list[str], after: list[str], sound: float = 0.99) -> Walk:
    walk, given, again = begun(), parse_all(before), parse_all(after)
    walk.answer, walk.proof = said(was, 0.99, given), said(SOUND, sound, again)
    here = replace(walk.here, phase=Phase.PROVEN, wanted=None, moves=())
    walk.here = replace(here, taken=tuple(given), after=tuple(again), repaired=True)
    return walk


def test_a_sound_circuit_proves_the_repair_of_a_wire() -> None:
    walk = repaired(OPEN, ["in off 0 0", "in on 0 0"], AT_PINS)
    assert proven(walk)
    assert big_word(walk, refused=False) == "PROVEN"


@pytest.mark.parametrize("word", ["dead", "weak"])
def test_a_load_that_fails_still_proves_nothing(word: str) -> None:
    walk = repaired(OPEN, [*AT_PINS, "in on load dead"], [*AT_PINS, f"in on load {word}"])
    assert not proven(walk)
    assert f"The load is {word} still" in words(now(walk, NOT_DONE, refused=False))
    assert walk.proof is not None
    walk.proof = replace(walk.proof, candidates=((WORN, 0.9), (SOUND, 0.1)))
    assert lacking(walk) == f"The load is {word} still"


def test_a_load_that_failed_has_to_be_seen_to_work() -> None:
    """Its circuit was sound before it was replaced, so that reading it again shows nothing."""
    before = [*AT_PINS, "in on load dead", "out off load alone dead"]
    unseen, works = (repaired(WORN, before, [*AT_PINS, f"in on load {w}"]) for w in ("?", "works"))
    assert big_word(unseen, refused=False) == "NOT PROVEN"
    assert lacking(unseen) == "Nobody saw yet that the load works now"
    assert proven(works)


def test_a_load_that_is_worn_as_before_is_no_sound_circuit() -> None:
    walk = repaired(WORN, AT_PINS, AT_PINS, sound=0.65)
    assert not proven(walk)
    not_yet = "The same readings do not show a sound circuit yet"
    assert lacking(walk) == f"{not_yet}; still likely: the load itself"


def test_at_rest_alone_nothing_is_proven() -> None:
    assert not proven(repaired(OPEN, ["in off 0 0"], AT_PINS[:1]))


def test_who_leaves_while_the_load_is_fed_alone_takes_its_leads_off_first() -> None:
    walk = asked(ALONE)
    for _ in walk.here.moves:
        walk.done(NOT_DONE, 30.0)
    assert walk.here.stand.state == State(plugged=False)
    told = left_behind(walk)
    assert told.index("take the two leads off the load, battery end first") < told.index("plug the load in")


def test_what_no_reading_at_the_pins_shows_does_not_stand_in_the_way_for_good() -> None:
    """A bad terminal is told by the load alone; mended, a few in a hundred are left as in any circuit."""
    pin = Explanation("low", 2, "high resistance", "connector pin", None)
    walk = repaired(pin, [*AT_PINS, "in on load dead"], [*AT_PINS, "in on load works"])
    assert walk.proof is not None
    for left, is_proven in ((0.04, True), (0.2, False)):
        walk.proof = replace(walk.proof, candidates=((SOUND, 1 - left), (pin, left)))
        assert proven(walk) == is_proven
    assert lacking(walk).endswith("still likely: high resistance, connector pin")


def test_where_nothing_was_wrong_it_says_so() -> None:
    walk = repaired(SOUND, AT_PINS, AT_PINS)
    assert "as before: nothing was wrong" in words(now(walk, NOT_DONE, refused=False))
