"""The walk asks what the load itself does: in a word, once, and again after the repair."""

from __future__ import annotations

from daq.knowledge import shipped
from daq.lead_check import NOT_DONE
from daq.offered_tests import offered
from daq.readings import UNHEARD, Lamp, Reading, State, Working
from daq.walk import Walk
from daq.walk_here import WHISPER, Phase
from daq.walk_moves import named, value
from tests.walk.by_hand import ALONE, LOAD, OUT, answer, asked, reading, taken, words_of


def at_the_question() -> Walk:
    walk = asked(reading(State(control="on"), 0, 0), LOAD)
    while walk.move is not None:
        walk.done(NOT_DONE, 30.0)
    return walk


def test_it_is_asked_where_the_control_is_on_and_taken_as_said() -> None:
    walk = at_the_question()
    assert walk.here.phase is Phase.SAY
    assert walk.here.stand.state.control == "on"
    walk.say("dead", 31.0)
    assert walk.here.taken[-1].what == Working("dead")
    assert walk.question is not None
    assert (named(walk.question[-1]), value(walk.question[-1])) == ("in, on, what the load does", " dead")


def test_a_word_of_the_test_light_is_not_taken_for_one_of_the_load() -> None:
    light = asked(reading(OUT, 0, 0), Reading(OUT, Lamp("positive", 1, "lit")))
    assert light.here.phase is Phase.SAY
    light.say("dark", 31.0)
    assert light.here.taken[-1].what == Lamp("positive", 1, "dark")


def test_where_nobody_can_tell_it_goes_on_and_is_not_asked_again() -> None:
    walk = at_the_question()
    walk.skip(NOT_DONE, 31.0)
    given = walk.question
    assert given is not None
    assert given[-1].what == Working(UNHEARD)
    assert value(given[-1]) == " nobody can tell"
    assert not any(isinstance(o.reading.what, Working) for o in offered(given, shipped().costs, walk.means))


def test_going_back_asks_again() -> None:
    walk = at_the_question()
    walk.say("weak", 31.0)
    walk.back(32.0)
    assert walk.here.phase is Phase.SAY
    walk.say("works", 33.0)
    assert [r.what for r in walk.here.taken if isinstance(r.what, Working)] == [Working("works")]


def test_after_the_repair_it_is_part_of_the_proof() -> None:
    walk = at_the_question()
    walk.say("dead", 31.0)
    walk.told(answer(None), 32.0)
    walk.repaired(33.0)
    while walk.here.phase is not Phase.SAY:
        walk.done(NOT_DONE, 34.0)
        taken(walk, 12.6, 12.6 if walk.here.stand.state.control == "off" else 0.1, 34.0)
    walk.say("works", 60.0)
    assert walk.here.after[-1].what == Working("works")
    assert walk.question == walk.here.after


def test_what_nobody_could_tell_is_not_asked_after_the_repair() -> None:
    walk = at_the_question()
    walk.skip(NOT_DONE, 31.0)
    walk.told(answer(None), 32.0)
    walk.repaired(33.0)
    assert not any(isinstance(r.what, Working) for r in (*walk.here.again, walk.here.wanted) if r)


def test_alone_it_is_fed_unplugged_with_nothing_on_the_pins_and_not_again_after_the_repair() -> None:
    """The plug is pulled before; nothing has to be read there first."""
    walk = asked(ALONE)
    assert [words.split()[0] for words in words_of(walk)] == ["The", "Unplug"]
    for _ in walk.here.moves:
        walk.done(NOT_DONE, 30.0)
    assert walk.here.phase is Phase.SAY
    assert walk.here.stand.state == State(plugged=False)
    assert walk.bias_wanted == WHISPER
    walk.say("dead", 31.0)
    assert walk.here.taken[-1] == Reading(OUT, Working("dead", alone=True))
    assert named(walk.here.taken[-1]) == "out, off, what the load does alone"
    walk.told(answer(None), 32.0)
    walk.repaired(33.0)
    assert not any(isinstance(r.what, Working) for r in (*walk.here.again, walk.here.wanted) if r)
