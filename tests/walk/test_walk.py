"""The walk alone, with looks and answers put in by hand: what it asks, refuses, and puts into the log.

The order of unplugging (control off, the log told, then the plug, leads on the harness half) is common
practice of the trade, no source.
"""

from __future__ import annotations

from dataclasses import replace

from daq.lead_check import NOT_DONE
from daq.offered_tests import Means
from daq.readings import At, Lamp, Levels, Reading, State
from daq.reason_words import Explanation
from daq.reasoning import Answer
from daq.samples import Bias, ChangeKind
from daq.source import SetBias
from daq.walk import Walk
from daq.walk_doubts import doubt
from daq.walk_here import WHISPER, Phase, Tell
from daq.walk_moves import Stand, moves
from daq.walk_proof import proven
from tests.walk.by_hand import (
    BOTH,
    SEATING,
    WHISPERED,
    answer,
    asks_leave,
    begun,
    reading,
    seen,
    words,
)
from tui.walk_words import big_word, could_be, now, why_nothing


def test_leads_that_never_left_battery_positive_are_not_taken_for_seated_unasked() -> None:
    """Both pins of a load that is off may read source too: it is asked once, and said what is seen."""
    seated = [Tell(ChangeKind.CLEAR, "")]
    for stay, said in ((1, 2), "Both leads read as on battery positive (12.6 V)"), ((2,), "Lead 2 reads"):
        check = replace(SEATING, on_positive=stay)
        walk = Walk(Means(whisper=True))
        walk.begin(proven=False)
        walk.see(seen(12.6, 12.6, 5.0), BOTH, check)
        assert walk.done(check, 5.0) == []
        assert said in walk.doubt
        assert "NOT YET" in str(now(walk, check, refused=False))
        assert walk.done(check, 5.5) == seated, "the user insists"
        walk.see(seen(12.6, 12.6, 6.5), BOTH, SEATING)
        assert not walk.doubt
        assert walk.done(SEATING, 6.5) == seated, "they were seen to leave it"


def test_a_key_that_was_meant_for_the_wiggling_does_not_seat_the_leads() -> None:
    failed = replace(SEATING, passed=False, just_failed=True)
    walk = Walk(Means(whisper=True))
    walk.begin(proven=False)
    walk.see(seen(0.0, 0.0, 5.0), BOTH, failed)
    assert walk.done(failed, 5.0) == walk.done(failed, 5.2) == []
    assert "has just ended by itself" in why_nothing(walk, failed, passing_over=False)
    assert walk.done(replace(failed, just_failed=False), 7.5) == [Tell(ChangeKind.CLEAR, "")]


def test_a_walk_on_leads_whose_check_failed_ends_in_a_lean_only() -> None:
    walk = Walk(Means(whisper=True))
    walk.begin(proven=False)
    for check in (SEATING, replace(NOT_DONE, passed=False, refuted=True)):
        walk.see(seen(2.6, 12.6, 5.0), BOTH, check)
    given = reading(State(control="on"), 12.6, 0.1), reading(State(control="off"), 12.6, 12.6)
    walk.answer = Answer({"low": 0.95, "high": 0.05}, (), None, "known", (), (), given)
    walk.here = replace(walk.here, phase=Phase.END, wanted=None, moves=())
    assert big_word(walk, refused=False) == "A LEAN ONLY"
    told = words(now(walk, NOT_DONE, refused=False))
    assert "What was found stands only if leads and reference are sound." in told
    unproven = "The lead check failed: leads and reference are not proven."
    assert words(could_be(walk, 80, 3)).startswith(unproven)
    walk.answer = None
    assert words(could_be(walk, 80, 3)).startswith(unproven), "from the first step on"
    walk.answer = Answer({"low": 0.95, "high": 0.05}, (), None, "known", (), (), given)
    assert "insisted" not in told
    walk.repaired(6.0)
    assert walk.here.doubtful, "new readings of the same leads"


def test_what_is_cut_off_for_want_of_room_shows_that_it_is() -> None:
    walk = begun()
    given = reading(State(control="on"), 12.6, 0.1)
    many = tuple((Explanation("low", 2, "open", place, None), 0.2) for place in ("fuse", "load", "feed wire"))
    walk.answer = Answer({"low": 1.0}, many, None, "known", (), (), (given,))
    whole, cut = (words(could_be(walk, width, 1)) for width in (120, 40))
    assert "…" not in whole
    assert cut.startswith("could be: ")
    assert cut.endswith("…")


def test_a_lead_check_that_failed_says_how_to_begin_it_again() -> None:
    walk = Walk(Means(whisper=True))
    walk.begin(proven=False)
    failed = replace(SEATING, refuted=True)
    walk.see(seen(2.6, 12.6, 5.0), BOTH, failed)
    assert "The check failed; q, then l, begins it again." in words(now(walk, failed, refused=False))
    assert "failed" not in words(now(walk, SEATING, refused=False))


def test_the_first_reading_is_not_of_leads_that_are_still_on_battery_positive() -> None:
    check = replace(NOT_DONE, passed=True, source_v=12.6, on_positive=(1, 2))
    walk = begun()
    assert walk.done(check, 5.0) == []
    assert "NOT TAKEN: Both leads read as on battery positive" in words(now(walk, check, refused=False))
    walk.see(seen(2.6, 12.6, 5.5), BOTH, replace(check, on_positive=()))
    assert "each on its pin of the load. Enter" in words(now(walk, check, refused=False))
    walk.done(replace(check, on_positive=()), 6.0)
    assert walk.here.phase is Phase.READ
    walk = begun()
    walk.done(check, 5.0)
    walk.done(check, 5.5)
    assert walk.here.insisted == ("both leads being on their pins",)


def test_nothing_is_read_before_it_is_said_and_both_leads_stand_still() -> None:
    walk = begun()
    both = (Bias.WHISPER, Bias.WHISPER)
    walk.see(seen(12.6, 12.6, 5.0), both, NOT_DONE)
    assert not walk.here.taken, "nobody said that the leads are on their pins"
    assert walk.done(NOT_DONE, 5.0) == [Tell(ChangeKind.MARK, "off")]
    walk.see(seen(12.6, 12.6, 5.1), both, NOT_DONE)
    walk.see(seen(12.6, 12.6, 5.4), both, NOT_DONE)
    assert not walk.here.taken, "the window began before the step was done"
    walk.see(seen(12.6, 12.6, 6.0, spread=3.0), both, NOT_DONE)
    assert not walk.here.taken, "they move"
    walk.done(NOT_DONE, 6.0)
    walk.see(seen(12.6, 12.6, 6.2, spread=3.0), both, NOT_DONE)
    assert not walk.here.taken, "impatience takes nothing"
    walk.see(seen(12.6, 12.6, 6.8), both, NOT_DONE)
    expected = Reading(State(), Levels((12.6, 12.6), WHISPERED, (0.001, 0.001)), logged=True)
    assert walk.here.taken == (expected,)
    assert walk.question == walk.here.taken


def test_a_bias_stands_only_while_unplugged_and_after_a_plain_reading() -> None:
    walk = begun()
    walk.done(NOT_DONE, 0.0)
    walk.see(seen(0, 0, 0.6), (Bias.WHISPER, Bias.WHISPER), NOT_DONE)
    walk.see(seen(0, 0, 1.2), (Bias.WHISPER, Bias.WHISPER), NOT_DONE)
    driven = reading(State(plugged=False), 0, 0, ("up", None))
    walk.told(answer(driven), 2.0)
    assert walk.here.wanted is not None
    assert walk.here.wanted.what == Levels((0.0, 0.0), WHISPERED), "both leads plainly first"
    assert asks_leave(walk) == "unplugging"
    assert walk.done(NOT_DONE, 2.0) == [Tell(ChangeKind.PLUG, "out")]
    assert walk.done(NOT_DONE, 3.0) == []
    for at_s in (3.6, 4.2):
        assert walk.bias_wanted == WHISPER
        walk.see(seen(0.0, 2.6, at_s), (Bias.WHISPER, Bias.WHISPER), NOT_DONE)
    assert walk.here.phase is Phase.THINK
    walk.told(answer(driven), 5.0)
    up = SetBias(Bias.UP, Bias.OFF)
    assert asks_leave(walk) == "bias", "the logger puts nothing strong on a pin unasked"
    assert walk.see(seen(0.0, 2.6, 5.3), (Bias.WHISPER, Bias.WHISPER), NOT_DONE) == []
    walk.done(NOT_DONE, 5.0)
    assert walk.see(seen(0.0, 2.6, 5.6), (Bias.WHISPER, Bias.WHISPER), NOT_DONE) == [up]
    walk.see(seen(0.0, 0.0, 6.2), (Bias.UP, Bias.OFF), NOT_DONE)
    assert walk.see(seen(0.0, 0.0, 6.8), (Bias.UP, Bias.OFF), NOT_DONE) == [WHISPER]
    count = len(walk.here.taken)
    assert walk.back(7.0) == [WHISPER]
    assert (count, len(walk.here.taken)) == (3, 2)
    walk.skip(NOT_DONE, 7.5)
    assert not walk.means_now.bias, "no other bias is asked for either"


def test_the_light_is_taken_away_before_anything_else_is_read() -> None:
    walk = begun()
    walk.done(NOT_DONE, 0.0)
    for at_s in (0.6, 1.2):
        walk.see(seen(0, 0, at_s), (Bias.WHISPER, Bias.WHISPER), NOT_DONE)
    out = State(plugged=False)
    lights = [Reading(out, Lamp("positive", lead, "lit")) for lead in (1, 2)]
    walk.told(answer(lights[0]), 2.0)
    walk.done(NOT_DONE, 2.0)
    walk.done(NOT_DONE, 2.5)
    for at_s in (3.1, 3.7):
        walk.see(seen(0.0, 2.6, at_s), (Bias.WHISPER, Bias.WHISPER), NOT_DONE)
    for n in (0, 1):
        walk.told(answer(lights[n]), 4.0)
        assert walk.here.phase is Phase.SAY
        walk.say("dark", 4.0)
        assert walk.question is not None
        assert walk.question[-1].what == Lamp("positive", n + 1, "dark")
    walk.told(answer(Reading(out, Levels((0.0, 0.0), ("up", None)))), 5.0)
    assert walk.move is not None
    assert walk.move.do.startswith("Take the test light away")


def test_the_plug_is_pulled_with_the_control_off_and_a_lead_goes_back_first() -> None:
    now = Stand(State(control="on"), place="fuse")
    found = [move.do for move in moves(now, reading(State(plugged=False, control="on"), 0, 0))]
    assert [words.split()[0] for words in found] == ["Put", "Switch", "The", "Unplug", "Switch"]
    assert "harness half" in found[3]
    assert moves(now, Reading(State(control="on"), At("fuse", 0.0))) == ()


def test_another_direction_is_asked_for_only_if_there_is_one() -> None:
    (move,) = moves(Stand(State()), reading(State(control="other"), 0, 0))
    assert move.do.startswith("If the control has another direction or speed, ")


def test_what_a_lead_read_along_the_wire_is_no_evidence_of_the_loads_pins() -> None:
    walk = begun()
    walk.done(NOT_DONE, 0.0)
    for at_s in (0.6, 1.2):
        walk.see(seen(12.6, 12.6, at_s), (Bias.WHISPER, Bias.WHISPER), NOT_DONE)
    walk.told(answer(Reading(State(), At("fuse", 0.0))), 2.0)
    assert Tell(ChangeKind.CLEAR, "") not in walk.done(NOT_DONE, 2.0)
    for at_s in (2.6, 3.2):
        walk.see(seen(11.9, 12.6, at_s), (Bias.OFF, Bias.OFF), NOT_DONE)
    walk.told(answer(reading(State(control="on"), 0, 0)), 4.0)
    assert Tell(ChangeKind.CLEAR, "") in walk.done(NOT_DONE, 4.0)


def test_contradictions() -> None:
    before = [reading(State(), 12.6, 12.6)]
    unplugged = State(plugged=False)

    def told(r: Reading, taken: list[Reading]) -> str:
        what = r.what
        assert isinstance(what, Levels)
        one, two = what.volts
        assert one is not None
        assert two is not None
        return doubt(r, seen(one, two, 1.0), taken)

    assert told(reading(State(), 12.6, 2.62), []).startswith("Lead 2 reads as on nothing")
    assert not told(reading(State(), 2.62, 2.62), [])
    assert told(reading(unplugged, 12.6, 12.55), before).startswith("Nothing changed")
    assert not told(reading(unplugged, 12.6, 2.62), before)
    apart = [reading(State(control="on"), 0.1, 0.1), *before, reading(State(False, "on"), 12.6, 0.1)]
    assert not told(reading(unplugged, 12.6, 12.55), apart), "the connector was apart a moment ago"
    free = [reading(unplugged, 2.62, 2.62)]
    assert told(reading(unplugged, 4.6, 4.5, ("up", None)), free).startswith(
        "The bias on lead 1 moved lead 2"
    )
    assert not told(reading(unplugged, 4.6, 0.0, ("up", None)), free)


def test_a_lead_that_was_not_seen_to_leave_its_pin_is_not_read_as_somewhere_else() -> None:
    """A bad feed wire: 9.4 V on the pin. Taken as the voltage at the fuse it would blame the fuse."""
    before = [reading(State(control="on"), 9.39, 0.0)]
    fuse = Reading(State(control="on"), At("fuse", 9.38), logged=True)
    still = seen(9.38, 0.0, 1.0)
    assert doubt(fuse, still, before, left=False).startswith("Lead 1 reads 9.4 V, the same as on its pin")
    assert not doubt(fuse, still, before, left=True)
    other = Reading(State(control="on"), At("fuse", 12.6), logged=True)
    assert not doubt(other, seen(12.6, 0.0, 1.0), before, left=False)


def test_what_cannot_be_done_is_not_asked_again() -> None:
    walk = begun()
    walk.done(NOT_DONE, 0.0)
    for at_s in (0.6, 1.2):
        walk.see(seen(0, 0, at_s), (Bias.WHISPER, Bias.WHISPER), NOT_DONE)
    walk.told(answer(reading(State(plugged=False), 0, 0)), 2.0)
    walk.skip(NOT_DONE, 2.5)
    assert walk.question is not None
    assert "unplugging" in walk.means_now.barred
    assert not walk.means_now.allow(reading(State(plugged=False, control="on"), 0, 0), State())


def test_a_lead_without_contact_is_to_be_refitted_and_any_sound_circuit_proves_that() -> None:
    """Which side it is nobody knew while the reference was off."""
    lost = Explanation("low", 2, "lost", "reference lead", None)
    given = reading(State(control="on"), 6.2, -6.2)
    walk = begun()
    walk.answer = Answer({"low": 0.5, "high": 0.5}, ((lost, 0.97),), None, "known", (), (), (given,))
    walk.here = replace(walk.here, phase=Phase.END, wanted=None, moves=())
    assert big_word(walk, refused=False) == "A LEAD IS OFF"
    told = words(now(walk, NOT_DONE, refused=False))
    assert "Refit it at battery negative" in told
    assert "repair." not in told
    sound = Explanation("high", 1, "none", None, None)
    walk.proof = Answer({"high": 0.98}, ((sound, 0.98),), None, "known", (), (), (given,))
    walk.here = replace(walk.here, after=(reading(State(control="on"), 12.4, 0.1),))
    assert proven(walk)
