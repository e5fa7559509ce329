"""The walk alone, with looks and answers put in by hand: what it asks, refuses, and puts into the log.

The order of unplugging (control off, the log told, then the plug, leads on the harness half) is common
practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from daq.lead_check import INSTRUCTIONS, NOT_DONE, SEAT
from daq.offered_tests import Means
from daq.readings import At, Lamp, Levels, Reading, State
from daq.reasoning import Answer, Proposal
from daq.samples import Bias, ChangeKind
from daq.snapshot import LeadCheckView
from daq.source import SetBias
from daq.stillness import Look
from daq.walk import Walk
from daq.walk_doubts import doubt
from daq.walk_here import QUIET, WHISPER, Effect, Phase, Tell
from daq.walk_moves import Stand, moves
from tui.panels import Part
from tui.walk_words import big_word, leads, now, why_nothing

WHISPERED = ("whisper", "whisper")


def seen(one: float, two: float, at_s: float, spread: float = 0.05) -> Look:
    low, high = (one - spread, two - spread), (one + spread, two + spread)
    return Look(at_s - 0.5, at_s, (one, two), (one, two), (0.001, 0.001), low, high)


def reading(state: State, one: float, two: float, bias: tuple[str | None, str | None] = WHISPERED) -> Reading:
    return Reading(state, Levels((one, two), bias), logged=True)


def answer(asks: Reading | None) -> Answer:
    test = None if asks is None else Proposal("", "", 1.0, "", "", 1.0, asks)
    return Answer({}, (), test, "" if asks else "known", (), (), ())


def asks_leave(walk: Walk) -> str:
    return walk.move.asks if walk.move else ""


def words(parts: Sequence[Part]) -> str:
    return "".join(part if isinstance(part, str) else part[0] for part in parts)


def begun() -> Walk:
    walk = Walk(Means(whisper=True))
    assert walk.begin(proven=True) == [WHISPER]
    return walk


BOTH = (Bias.WHISPER, Bias.WHISPER)
SEATING = LeadCheckView(SEAT, INSTRUCTIONS[SEAT], (), True, 12.6)


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
        assert walk.here.phase is Phase.LIGHT
        walk.light("dark", 4.0)
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


OUT = State(plugged=False)
JUMPER = Reading(State(control="on"), Levels((0.0, 0.0), jumper=("positive", 1)))
LAMP = Reading(OUT, Levels((0.0, 0.0), substitute=True))


def asked(*wanted: Reading, source_v: float | None = None) -> Walk:
    """The walk after its first reading and all of these but the last, which is asked for."""
    walk = begun()
    if source_v is not None:
        walk.here = replace(walk.here, taken=(Reading(State(), At("source", source_v), logged=True),))
    walk.done(NOT_DONE, 0.0)
    taken(walk, 12.6, 12.6, 0.0)
    for n, reading in enumerate(wanted, 1):
        walk.told(answer(reading), 10.0 * n)
        if n < len(wanted):
            while walk.move is not None:
                walk.done(NOT_DONE, 10.0 * n)
            taken(walk, 12.6, 0.0, 10.0 * n)
    return walk


def taken(walk: Walk, one: float, two: float, at_s: float) -> list[Effect]:
    """Stand still long enough for a reading, with whatever bias the walk wants; what it then wants."""
    effects: list[Effect] = []
    for n in range(1, 4):
        bias = (walk.bias_wanted.lead1, walk.bias_wanted.lead2)
        effects += walk.see(seen(one, two, at_s + 0.6 * n), bias, NOT_DONE)
    return effects


def words_of(walk: Walk) -> list[str]:
    return [move.do for move in walk.here.moves]


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
    lit.light("dark", 21.0)
    lit.told(answer(Reading(State(False, "on"), Lamp("positive", 2, "lit"))), 22.0)
    lit.back(23.0)
    assert lit.here.phase is Phase.LIGHT, "the light is where it is asked for"
    lit.back(24.0)
    assert words_of(lit)[0] == "Take the test light away from the pin."


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
