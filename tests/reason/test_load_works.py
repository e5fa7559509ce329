"""What the load itself does, told in a word: it splits what volts at the connector cannot.

Common practice, no source: a load that gets its volts and is dead is open, or its connector is; one that is
weak beside good volts at the harness half has a bad terminal in between.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daq.errors import CommandError
from daq.knowledge import shipped
from daq.looks import said
from daq.offered_tests import AT_THE_LEADS, Means, offered
from daq.readings import At, Levels, Reading, State, Working, load_fails, parse_all
from daq.reason_report import lines
from daq.reason_words import unseen
from daq.reasoning import Answer, reason

SWITCHED = ["source 12.6", "in off 0 0", "in on 12.5 0.1"]
GROUND_SIDE = ["source 12.6", "in off 12.6 12.6", "in on 12.5 0.1"]


def chance(answer: Answer, fault: str, *places: str | None) -> float:
    return sum(p for e, p in answer.candidates if e.fault == fault and e.place in places)


def test_a_dead_load_beside_good_volts_is_open_or_its_connector_is() -> None:
    before, after = (reason(parse_all([*SWITCHED, *more])) for more in ([], ["in on load dead"]))
    broken = ("load", "connector pin")
    assert chance(before, "open", *broken) < 0.15
    assert chance(after, "open", *broken) > 4 * chance(before, "open", *broken)
    assert sum(p for e, p in after.candidates if e.fault == "none" and not e.seized) < 0.15
    assert after.fits


def test_a_weak_load_beside_good_volts_has_a_bad_terminal_in_between() -> None:
    answer = reason(parse_all([*SWITCHED, "in on load weak"]))
    first = answer.candidates[0][0]
    assert (first.fault, first.place) == ("high resistance", "connector pin")


def test_a_load_that_works_is_not_open() -> None:
    answer = reason(parse_all([*SWITCHED, "in on load works"]))
    assert chance(answer, "open", "load", "connector pin") < 0.01
    assert chance(answer, "none", None) > 0.9


def test_a_load_that_works_between_leads_that_read_nothing_is_a_lead_without_contact() -> None:
    answer = reason(parse_all(["source 12.6", "in on 0 0", "in on load works"]))
    assert answer.candidates[0][0].fault == "lost"


def test_a_load_that_works_while_off_is_not_switched_or_its_switch_is_stuck() -> None:
    answer = reason(parse_all(["in off load works"]))
    assert {(e.side, e.fault) for e, _ in answer.candidates[:5]} == {
        ("unswitched", "none"),
        ("low", "stuck on"),
        ("high", "stuck on"),
    }


def test_weak_says_nothing_against_a_step_or_pulses() -> None:
    """They make it weak on purpose; whoever knows that calls it working."""
    for word in ("works", "weak"):
        answer = reason(parse_all(["in off 0 0", "in on 6.3 0.05", f"in on load {word}"]))
        assert sum(p for e, p in answer.candidates if e.condition in ("stepped", "averaged")) > 0.3


def test_it_is_asked_for_once_and_with_what_else_to_do_where_nobody_can_tell() -> None:
    proposed = reason(parse_all(GROUND_SIDE)).next_test
    assert proposed is not None
    assert proposed.reading == "in on load works|weak|dead|?"
    assert proposed.otherwise is not None
    assert proposed.otherwise.do.startswith("If nobody can tell: ")
    after = reason(parse_all([*GROUND_SIDE, "in on load dead"])).next_test
    assert after is not None
    assert not any("load works" in p.reading for p in after.and_otherwise)


def test_who_cannot_tell_says_so_and_is_not_asked_again() -> None:
    before, after = (reason(parse_all([*GROUND_SIDE, *more])) for more in ([], ["in on load ?"]))
    assert after.candidates[0][0] == before.candidates[0][0]
    assert after.candidates[0][1] == pytest.approx(before.candidates[0][1], abs=0.02)
    assert after.next_test is not None
    assert not any("load works" in p.reading for p in after.next_test.and_otherwise)
    assert unseen(after.candidates, after.given) == []


# By ngspice: a ground point of 3 ohm that a lit neighbour shares, behind a driver that holds 0.8 V. Unplugged
# the biased wire reads 2.4 V, as it would were the control pulsed with a duty of one half.
LIKE_PULSES = (
    *("source 11.8", "in on 5.6 11.8", "in off 11.7 11.8", "in other 5.7 11.9", "in on load dead"),
    *("out on bias up lead 1 2.4 11.9", "out on bias down lead 1 0 11.8"),
)


def test_a_dead_load_with_which_nothing_is_wrong_is_gone_into() -> None:
    """A sound pulsed circuit is likeliest by far, and its load should work: whatever tells more is done."""
    answer = reason(parse_all(LIKE_PULSES))
    assert answer.candidates[0][0].fault == "none"
    assert answer.candidates[0][1] > 0.9
    assert answer.next_test is not None
    unheard = [text for text in LIKE_PULSES if "load" not in text]
    assert reason(parse_all([*unheard, "in on load works"])).next_test is None


def test_where_no_word_can_be_given_none_is_asked_for() -> None:
    proposed = reason(parse_all(GROUND_SIDE), means=AT_THE_LEADS).next_test
    assert proposed is not None
    assert not any("load works" in p.reading for p in proposed.and_otherwise)


@pytest.mark.parametrize(
    ("share", "word"), [(0.05, "dead"), (0.25, "dead"), (0.55, "weak"), (0.9, "works"), (1.05, "works")]
)
def test_words_go_with_what_the_load_gets(share: float, word: str) -> None:
    chances = {w: float(said(np.array(share), Working(w))) for w in Working.words}
    assert max(chances, key=lambda w: chances[w]) == word
    assert sum(chances.values()) == pytest.approx(1.0)
    assert min(chances.values()) > 0.003  # another one was looked at


def test_a_sound_circuit_with_a_dead_load_is_not_called_right() -> None:
    sound = replace(reason(parse_all(GROUND_SIDE)), next_test=None, stop="known")
    dead = replace(sound, given=(*sound.given, *parse_all(["in on load dead"])))
    assert any("nothing is wrong in what was read" in line for line in lines(sound))
    assert any("try the load alone, and look at the terminals" in line for line in lines(dead))
    for word, end in (("works", "should: look at the terminals"), ("dead", "alone too: it is the load")):
        tried = replace(dead, given=(*dead.given, *parse_all([f"out off load alone {word}"])))
        assert any(end in line for line in lines(tried))


IN_USE = ["source 12.6", "in off 0.02 -0.02", "in on 12.42 0.1", "in other 12.41 0.12", "in on load dead"]


def test_a_load_that_fails_is_tried_alone_and_another_is_not() -> None:
    """Straight from the battery, fused: common practice, no source."""
    proposed = reason(parse_all(IN_USE)).next_test
    assert proposed is not None
    assert proposed.reading == "out off load alone works|weak|dead|?"
    assert "straight from the battery, by two leads, the positive one fused at 15 A" in proposed.do
    warned = ("battery end last on, first off", "clamp it", "a starter turns the engine", "no sparks")
    for caution in (*warned, "Never on yellow connectors, airbags", "orange cables", "Not a module"):
        assert caution in proposed.caution
    for given in (IN_USE[:-1], [*IN_USE[:-1], "in on load works"], [*IN_USE, "out off load alone ?"]):
        offers = offered(parse_all(given), shipped().costs)
        assert not any("alone" in o.template for o in offers)


def test_what_works_alone_has_a_bad_connector_and_what_does_not_is_broken_itself() -> None:
    before, works, dead = (
        reason(parse_all([*IN_USE, *more]))
        for more in ([], ["out off load alone works"], ["out off load alone dead"])
    )
    pin = [chance(a, "high resistance", "connector pin") for a in (before, works, dead)]
    load = [chance(a, "open", "load") for a in (before, works, dead)]
    seized = [sum(p for e, p in a.candidates if e.seized) for a in (before, works, dead)]
    assert pin[1] > 1.5 * pin[0]
    assert pin[0] > 20 * pin[2]
    assert load[0] > 20 * load[1]
    assert seized[0] > 20 * seized[1]
    assert seized[2] + load[2] > 0.9
    assert str(dead.candidates[0][0]).endswith("nothing wrong but the load itself")


def test_what_the_leads_do_not_see_is_said_where_it_is_likely() -> None:
    sound, dead = parse_all(GROUND_SIDE), parse_all([*GROUND_SIDE, "in on load dead"])
    open_feed = parse_all(["source 12.6", "in off 0 0", "in on 0 0", "in on at fuse 0", "in on load dead"])
    said = [" ".join(unseen(reason(given).candidates, given)) for given in (sound, dead, open_feed)]
    assert ["inside the connector" in notes for notes in said] == [False, True, False]
    assert ["may be dead itself" in notes for notes in said] == [False, True, False]
    tried = parse_all([*GROUND_SIDE, "in on load dead", "out off load alone works"])
    assert "itself" not in " ".join(unseen(reason(tried).candidates, tried))


@pytest.mark.parametrize("word", ["weak", "dead"])
def test_what_fails_in_the_vehicle_and_alone_is_worn_itself(word: str) -> None:
    """A worn motor, a sooted lamp: no connector makes a load weak that is fed straight from the battery."""
    circuit = ["in off 12.6 12.6", "in on 12.5 0.1", "in on load weak"]
    before, after = (reason(parse_all([*circuit, *more])) for more in ([], [f"out off load alone {word}"]))
    seized = [sum(p for e, p in a.candidates if e.seized) for a in (before, after)]
    assert seized[0] < 0.3
    assert seized[1] > 0.8


@pytest.mark.parametrize(
    ("texts", "how"),
    [
        (["in on load dead"], "dead"),
        (["in on load ?"], ""),
        (["out off load alone dead"], ""),
        (["in on load works", "in other load weak"], "weak"),
        (["in on load weak", "in other load dead"], "dead"),
        (["in on load dead", "in on load works"], ""),
        (["key off in on load dead", "key on in on load works"], ""),
        (["in on load works", "in off load dead"], ""),
    ],
)
def test_how_a_load_fails(texts: list[str], how: str) -> None:
    """Off, a load that does nothing does what it should; of each position the last word counts."""
    assert load_fails(parse_all(texts)) == how


def test_what_a_load_does_while_off_is_no_answer_to_what_it_does() -> None:
    offers = offered(parse_all([*GROUND_SIDE, "in off load dead"]), shipped().costs)
    assert any(o.template == "in on load works|weak|dead|?" for o in offers)


@pytest.mark.parametrize("text", ["in on load alone works", "out on load works"])
def test_a_word_of_a_load_that_cannot_do_so_is_refused_with_what_to_write(text: str) -> None:
    with pytest.raises(CommandError) as refused:
        parse_all([text])
    assert "write 'in on load works', or 'out off load alone works' for one in hand" in str(refused.value)


def test_load_or_connector_is_not_left_open_while_somebody_can_look() -> None:
    """Both are dead in the vehicle: looking tells nothing by itself; but a dead load is tried alone."""
    at_rest, on = Levels((12.6, 2.31), ("whisper",) * 2), Levels((12.6, 0.0), ("whisper",) * 2)
    given = [Reading(State(), At("source", 12.6), logged=True), Reading(State(), at_rest, logged=True)]
    given.append(Reading(State(control="on"), on, logged=True))
    nobody, somebody = (reason(given, means=Means(whisper=True, eyes=eyes)) for eyes in (False, True))
    assert nobody.next_test is None
    assert nobody.stop == "known, but for look-alikes"
    assert somebody.next_test is not None
    assert somebody.next_test.reading == "in on load works|weak|dead|?"
