"""The walk where the leads contradict what the user says: the control is on, a drop is no free lead."""

from __future__ import annotations

from dataclasses import replace

from daq.lead_check import NOT_DONE
from daq.readings import Levels, State
from daq.reasoning import Answer
from daq.samples import Bias
from daq.walk import Walk
from daq.walk_doubts import doubt
from daq.walk_here import QUIET, WHISPER, Phase
from tests.walk.by_hand import (
    BOTH,
    OUT,
    WHISPERED,
    answer,
    asks_leave,
    begun,
    reading,
    seen,
    taken,
    words,
    words_of,
)
from tui.walk_words import big_word, leads, now

ON = State(control="on")


def cycled(off: tuple[float, float], on: tuple[float, float]) -> Walk:
    """The walk after both were read plugged in, with the control on; 'out, off' is asked for next."""
    walk = begun()
    walk.done(NOT_DONE, 0.0)
    taken(walk, *off, 0.0)
    walk.told(answer(reading(ON, 0, 0)), 10.0)
    walk.done(NOT_DONE, 10.0)
    taken(walk, *on, 10.0)
    walk.told(answer(reading(OUT, 0, 0)), 20.0)
    return walk


def test_nothing_is_unplugged_while_the_leads_say_that_the_control_is_on() -> None:
    """12.5 V on lead 2 while on, 0 V while off: 12.46 V is on, a lead that falls is not."""
    walk = cycled((0.0, 0.0), (0.04, 12.5))
    walk.see(seen(0.04, 12.46, 20.5), BOTH, NOT_DONE)
    for step in ("Switch the control off.", "The load is to be unplugged next"):
        assert words_of(walk)[0].startswith(step)
        walk.done(NOT_DONE, 21.0)
        walk.see(seen(0.04, 12.46, 21.5), BOTH, NOT_DONE)
        told = words(now(walk, NOT_DONE, refused=False))
        assert "NOT TAKEN: lead 2 still reads as it did while on (12.5 V): is the control off?" in told
        assert words_of(walk)[0].startswith(step)
        walk.done(NOT_DONE, 22.0)
    assert len(walk.here.insisted) == 2
    walk.back(23.0)
    assert list(walk.here.insisted) == ["the control being off"]


def test_a_control_that_goes_off_at_last_is_noticed_without_a_key() -> None:
    walk = cycled((12.6, 12.6), (12.5, 0.1))
    walk.see(seen(12.5, 0.1, 20.5), BOTH, NOT_DONE)
    walk.done(NOT_DONE, 21.0)
    walk.see(seen(12.5, 0.1, 21.5), BOTH, NOT_DONE)
    assert walk.doubt
    walk.see(seen(12.6, 12.6, 22.5), BOTH, NOT_DONE)
    assert not walk.doubt
    assert asks_leave(walk) == "unplugging"
    walk.done(NOT_DONE, 23.0)
    assert words_of(walk)[0].startswith("Unplug the load.")
    assert not walk.here.insisted


def test_what_reads_the_same_on_and_off_tells_nothing_of_the_control() -> None:
    """A welded switch: the leads cannot say, so nothing is asked."""
    walk = cycled((12.5, 0.1), (12.5, 0.1))
    walk.see(seen(12.5, 0.1, 20.5), BOTH, NOT_DONE)
    walk.done(NOT_DONE, 21.0)
    assert asks_leave(walk) == "unplugging"


def test_a_side_that_stands_on_what_was_insisted_on_is_only_a_lean() -> None:
    walk = cycled((12.6, 12.6), (12.5, 0.1))
    for _ in range(3):
        walk.see(seen(12.6, 12.6, 21.0), BOTH, NOT_DONE)
        walk.done(NOT_DONE, 21.0)
    taken(walk, 12.6, 12.6, 21.0)
    assert walk.doubt.startswith("Nothing changed when it was unplugged")
    walk.done(NOT_DONE, 24.0)
    taken(walk, 12.6, 12.6, 24.0)
    assert walk.here.insisted == ("'out, off'",)
    given = walk.here.taken
    for sure, word in ((0.95, "A LEAN ONLY"), (0.6, "NOT KNOWN YET")):
        walk.answer = Answer({"low": sure, "high": 1 - sure}, (), None, "known", (), (), given)
        walk.here = replace(walk.here, phase=Phase.END, wanted=None, moves=())
        assert big_word(walk, refused=False) == word
        assert "You insisted on 'out, off'" in words(now(walk, NOT_DONE, refused=False))
    walk.here = replace(walk.here, insisted=())
    walk.answer = Answer({"low": 0.95, "high": 0.05}, (), None, "known", (), (), given)
    assert big_word(walk, refused=False) == "GROUND SIDE"


def on_after_rest() -> Walk:
    walk = begun()
    walk.done(NOT_DONE, 0.0)
    taken(walk, 0.0, 0.0, 0.0)
    walk.told(answer(reading(ON, 0, 0)), 10.0)
    walk.done(NOT_DONE, 10.0)
    return walk


def test_a_drop_that_stays_without_the_whisper_is_no_free_lead() -> None:
    """2.6 V over a bad ground: the whisper's level, and a real one."""
    walk = on_after_rest()
    both, none = BOTH, (Bias.OFF, Bias.OFF)
    effects = [walk.see(seen(2.6, 12.5, at_s), both, NOT_DONE) for at_s in (10.6, 11.2, 11.3)]
    assert effects[-1] == [QUIET], "asked before anything is said"
    assert "held by nothing" not in words(leads(walk))
    for at_s in (11.4, 12.0, 12.6):
        walk.see(seen(2.58, 12.5, at_s), none, NOT_DONE)
    assert walk.bias_wanted == WHISPER
    for at_s in (12.7, 13.3, 13.9):
        walk.see(seen(2.6, 12.5, at_s), both, NOT_DONE)
    assert walk.here.taken[-1].what == Levels((2.6, 12.5), WHISPERED, (0.001, 0.001))
    assert not walk.here.insisted


def test_a_lead_that_falls_without_the_whisper_is_on_nothing() -> None:
    walk = on_after_rest()
    for at_s in (10.6, 11.2, 11.3):
        walk.see(seen(2.6, 12.5, at_s), BOTH, NOT_DONE)
    for at_s in (11.4, 12.0, 12.6):
        walk.see(seen(0.0, 12.5, at_s), (Bias.OFF, Bias.OFF), NOT_DONE)
    for at_s in (12.7, 13.3, 13.9):
        walk.see(seen(2.6, 12.5, at_s), BOTH, NOT_DONE)
    assert walk.doubt.startswith("Lead 1 reads as on nothing")
    assert "2.60 V (held by nothing)" in words(leads(walk))
    assert len(walk.here.taken) == 1


def test_pins_that_their_own_wires_hold_read_alike_with_the_load_in_and_out() -> None:
    """'out, on' without 'out, off' before it: a sound circuit reads source and zero either way. A drop under
    load that is still there, or one level on both, is a load that still joins them."""

    def doubted(was: tuple[float, float], now_read: tuple[float, float], before: tuple[float, float]) -> bool:
        out_on = reading(State(plugged=False, control="on"), *now_read)
        earlier = [reading(State(), *before), reading(ON, *was)]
        return bool(doubt(out_on, seen(*now_read, 30.0), earlier))

    assert not doubted((12.5, 0.1), (12.6, 0.0), (12.6, 12.6)), "ground side"
    assert not doubted((12.5, 0.1), (12.55, 0.0), (0.0, 0.0)), "positive side"
    assert not doubted((0.05, 25.1), (0.0, 25.2), (0.0, 0.0)), "24 V, leads the other way round"
    assert doubted((8.9, 0.1), (8.9, 0.1), (12.6, 12.6)), "a bad feed drops nothing without current"
    assert doubted((12.4, 3.2), (12.4, 3.2), (12.6, 12.6)), "nor does a bad ground"
    assert doubted((12.6, 12.6), (12.6, 12.6), (0.0, 0.0)), "fed through the load"
