"""Both leads at zero and both at source may be a key that was turned: half the answer is either story's."""

from __future__ import annotations

from dataclasses import replace

from daq.readings import parse
from daq.reason_words import Explanation
from daq.reasoning import Answer, Proposal, either

OPEN, STUCK, LOAD = (
    Explanation("low", 2, fault, place, None)
    for fault, place in (("open", "control wire"), ("stuck off", "switch"), ("open", "load"))
)
KEY = Proposal("Key on: read.", "in on V V", 1.0, "", "", 1.0, parse("key on in on 12 0"))
PLAIN = replace(KEY, do="Read.", asks=parse("in on 12 0"))


def story(*alike: Explanation, test: Proposal | None) -> Answer:
    listed = tuple((e, 0.3) for e in (OPEN, STUCK, LOAD))
    stop = "" if test else "known"
    return Answer({"low": 0.9, "high": 0.1}, listed, test, stop, (), (alike,) if alike else (), ())


def test_only_what_neither_story_tells_apart_looks_alike() -> None:
    both = either(story(OPEN, STUCK, LOAD, test=PLAIN), story(STUCK, OPEN, test=KEY))
    assert both.look_alikes == ((OPEN, STUCK),)
    assert either(story(OPEN, STUCK, test=PLAIN), story(STUCK, LOAD, test=KEY)).look_alikes == ()


def test_a_test_is_named_while_one_story_has_one() -> None:
    assert either(story(test=PLAIN), story(test=KEY)).next_test == KEY, "it says how the key is to stand"
    left = either(story(test=PLAIN), story(test=None))
    assert (left.next_test, left.stop) == (PLAIN, "")
    assert either(story(test=None), story(test=None)).stop == "known"
