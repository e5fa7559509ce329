"""The walk with a jumper, a lamp in the load's place and a light; what going back undoes."""

from __future__ import annotations

from dataclasses import replace

from daq.lead_check import NOT_DONE
from daq.readings import At, Lamp, Levels, Reading, State
from daq.samples import ChangeKind
from daq.walk_here import QUIET, WHISPER, Phase, Tell
from daq.walk_moves import Stand, moves
from tests.walk.by_hand import (
    JUMPER,
    LAMP,
    OUT,
    WHISPERED,
    answer,
    asked,
    reading,
    taken,
    words_of,
)


def test_a_jumper_goes_on_with_the_control_off_and_comes_off_before_anything_else() -> None:
    """Fused, its battery end last on and first off, never across a supply: common practice, no source."""
    walk = asked(JUMPER, source_v=12.6)
    found = walk.here.moves
    assert [move.do.split()[0] for move in found] == ["Bridge", "Switch"]
    assert "battery positive to lead 1's pin with a jumper fused at 15 A" in found[0].do
    for caution in ("never goes across a supply", "Battery end last on, first off", "airbags"):
        assert caution in found[0].caution
    walk.done(NOT_DONE, 10.0)
    walk.done(NOT_DONE, 11.0)
    assert walk.bias_wanted == QUIET
    taken(walk, 12.5, 0.1, 11.0)
    assert walk.here.taken[-1].what == Levels((12.5, 0.1), (None, None), (0.001, 0.001), ("positive", 1))
    walk.told(answer(reading(OUT, 0, 0)), 20.0)
    assert words_of(walk)[0] == "Take the jumper off, its battery end first."
    assert Tell(ChangeKind.CLEAR, "") in walk.done(NOT_DONE, 20.0), "what it moved is no switching"


def test_from_a_control_that_is_on_it_is_switched_off_for_the_jumper() -> None:
    on = Stand(State(control="on"))
    assert [m.do.split()[0] for m in moves(on, JUMPER)] == ["Switch", "Bridge", "Switch"]


def test_a_lamp_in_the_loads_place_is_put_there_unplugged_and_after_a_plain_reading() -> None:
    walk = asked(LAMP)
    assert walk.here.wanted is not None
    assert walk.here.wanted.what == Levels((0.0, 0.0), WHISPERED), "both leads plainly first"
    while walk.move is not None:
        walk.done(NOT_DONE, 10.0)
    taken(walk, 12.6, 2.62, 10.0)
    walk.told(answer(LAMP), 20.0)
    (put,) = walk.here.moves
    assert put.do.startswith("Put a 5 W lamp across the two pins, in place of the load")
    assert "A 12 V lamp on 12 V, a 24 V lamp on 24 V" in put.caution
    walk.done(NOT_DONE, 20.0)
    taken(walk, 12.4, 12.4, 20.0)
    assert not walk.doubt, "through the lamp both agree, as through a load"
    walk.told(answer(reading(State(control="on"), 0, 0)), 30.0)
    assert words_of(walk)[:2] == [
        "Take the 5 W lamp off the two pins.",
        "Plug the load in again, and look that both leads are on their pins.",
    ]


def test_a_jumper_that_bridges_nothing_is_not_read() -> None:
    """Bridged to a post a pin reads what the post does, 12.6 V and 0 V."""
    for source_v, read_v, doubted in ((12.6, 12.4, False), (12.6, 9.0, True), (None, 0.1, True)):
        walk = asked(JUMPER, source_v=source_v)
        walk.done(NOT_DONE, 10.0)
        walk.done(NOT_DONE, 10.0)
        taken(walk, read_v, 0.1, 10.0)
        assert ("is its fuse whole?" in walk.doubt) is doubted


def test_who_has_no_jumper_is_not_asked_for_another() -> None:
    walk = asked(JUMPER)
    walk.skip(NOT_DONE, 10.0)
    other = Reading(State(), Levels((0.0, 0.0), jumper=("negative", 2)))
    aided = replace(walk.means_now, aids=True)
    assert not aided.allow(other, State())
    assert aided.allow(LAMP, OUT)


def test_a_jumper_is_not_put_on_again_after_the_repair() -> None:
    """Safe across an open wire, it may stand across the supply once that is mended."""
    walk = asked(JUMPER, reading(State(), 0, 0), source_v=12.6)
    walk.here = replace(walk.here, phase=Phase.END, wanted=None, moves=())
    walk.repaired(30.0)
    asked_for = [walk.here.wanted, *walk.here.again]
    assert asked_for
    assert all(isinstance(r.what, Levels) and not r.what.aided for r in asked_for if r is not None)
    assert walk.move is not None
    assert "nothing else held to the circuit" in walk.move.do


def test_going_back_undoes_what_the_hands_did() -> None:
    walk = asked(reading(OUT, 0, 0), reading(State(False, "on"), 0, 0))
    assert words_of(walk) == ["Switch the control on, and leave it on."]
    walk.done(NOT_DONE, 20.0)
    walk.back(21.0)
    assert words_of(walk) == ["Switch the control off.", "Switch the control on, and leave it on."]
    walk.done(NOT_DONE, 22.0)
    walk.back(23.0)
    assert words_of(walk) == ["'out, off' is read again: see that everything is as it was."]
    taken(walk, 12.6, 0.0, 23.0)
    assert walk.here.phase is Phase.MOVE, "it is not read again unasked"
    assert walk.back(26.0) == [WHISPER], "it is still unplugged, and the log knows"
    assert [words.split()[0] for words in words_of(walk)] == ["Plug", "Unplug"]
    assert walk.back(27.0) == [WHISPER]
    assert [words.split()[0] for words in words_of(walk)] == ["Plug", "The", "Unplug"]
    assert walk.done(NOT_DONE, 28.0) == [Tell(ChangeKind.PLUG, "in")]
    assert walk.here.stand == Stand()


def test_going_back_takes_light_and_lead_back() -> None:
    walk = asked(Reading(State(control="on"), At("fuse", 0.0)), reading(OUT, 0, 0))
    assert walk.here.stand.place == "fuse"
    for _ in range(3):
        walk.back(30.0)
    assert words_of(walk)[:2] == ["Put lead 1 back on its pin.", "Switch the control off."]
    light = Reading(OUT, Lamp("positive", 1, "lit"))
    lit = asked(reading(OUT, 0, 0), light)
    lit.say("dark", 21.0)
    lit.told(answer(Reading(State(False, "on"), Lamp("positive", 2, "lit"))), 22.0)
    lit.back(23.0)
    assert lit.here.phase is Phase.SAY, "the light is where it is asked for"
    lit.back(24.0)
    assert words_of(lit)[0] == "Take the test light away from the pin."
