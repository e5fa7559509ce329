"""When it is enough, and what is proved before. Circuits solved by ngspice (campaign.py), and Ohm's law."""

from __future__ import annotations

import pytest

from daq.readings import parse_all
from daq.reason_report import lines
from daq.reason_words import misreadings
from daq.reasoning import reason

SOUND = ["source 14", "in on 0.1 13.8", "in off 0 0", "in other 0.1 14", "in on load works"]


def test_who_has_unplugged_proves_the_other_pin_as_well() -> None:
    """Lead 2 on the wire from the switch: sound, the bias stands there; a leak pulls it down."""
    answer = reason(parse_all([*SOUND, "out off bias up lead 1 0 0"]))
    assert answer.candidates[0][0].fault == "none"
    assert answer.candidates[0][1] > 0.7
    assert answer.next_test is not None
    assert answer.next_test.reading == "out off bias up lead 2 V V"


@pytest.mark.parametrize(
    ("volts", "fault"),
    [(4.6, "none"), (5.0 * 400 / 10_400, "short to ground")],  # 400 ohm to ground behind 10 kilohm
)
def test_what_that_reading_tells(volts: float, fault: str) -> None:
    answer = reason(
        parse_all([*SOUND, "out off bias up lead 1 0 0", f"out off bias up lead 2 0 {volts:.2f}"])
    )
    first, probability = answer.candidates[0]
    assert (first.side, first.fault) == ("high", fault)
    assert probability > 0.8
    assert first.leaking == (fault != "none")
    assert answer.stop
    assert answer.next_test is None


def next_of(texts: list[str]) -> str:
    asked = reason(parse_all(texts)).next_test
    return "" if asked is None else asked.reading


def test_the_other_pin_is_read_before_it_is_plugged_in_again() -> None:
    """The ground point promises more; to go there the connector is plugged in, and who has done that does not
    come back for a leak. Of 1250 ohm it takes the bias to 5 V x 1250 / 11250."""
    read = ["source 13.9", "in on 13.3 0.3", "in off 0 0", "in other 13.4 0.3", "in on load works"]
    read += ["out off bias up lead 2 0 0", "out on substitute 13.9 0"]
    assert next_of(read) == "out off bias up lead 1 V V"
    leak = reason(parse_all([*read, "out off bias up lead 1 0.55 0"])).candidates[0][0]
    assert (leak.fault, leak.place, leak.leaking) == ("short to ground", "control wire", True)


def test_the_controls_other_position_is_tried_before_the_trim_comes_off() -> None:
    """What never changes may be a bridge with one end stuck: its other direction tells (common practice, no
    source), for half a minute; six are spent to get at a switch."""
    read = ["source 12.5", "in on 12.4 0.1", "in off 12.5 0", "in on load works"]
    assert next_of(read) == "in other V V"
    assert next_of([*read, "in other 12.4 0.1"]) == "in on at switch V"


@pytest.mark.parametrize(
    ("texts", "lead", "words"),
    [
        (["in off 0 0", "in on 6.2 -6.2"], "reference lead", "Refit it at battery negative"),
        (["source 12.6", "in off 12.6 0", "in on 12.5 0", "out off 12.6 0", "out on 12.6 0"], None, ""),
    ],
)
def test_a_lead_without_contact_comes_first(texts: list[str], lead: str | None, words: str) -> None:
    """No circuit goes below battery negative: whoever reads that mends the lead, and asks nothing of the
    circuit through it (common practice, no source)."""
    answer = reason(parse_all(texts))
    assert answer.lost == lead
    if lead is not None:
        assert answer.next_test is None
        assert answer.stop == "known"
        assert [line for line in lines(answer) if line.startswith("next: ") and words in line]


NO_OUTPUT = (
    *("source 28.2", "in on 0 0", "key on in on 0 0", "key on in on at fuse 28.7"),
    *("key on out on bias up lead 2 0 4.6", "key on out off bias up lead 1 0 0.8", "key on out on 0 6.5"),
)


def test_look_alikes_do_not_end_it_while_a_test_tells_enough_of_what_is_beside_them() -> None:
    """By ngspice: a driver whose output wire is open by 37 megohm. No lead at the pins tells a switch stuck
    off from an open feed wire, and the wire was left at 4 %; at the switch, on either terminal, it reads
    28 V, an open feed wire none."""
    answer = reason(parse_all(NO_OUTPUT))
    assert answer.next_test is not None
    assert answer.next_test.reading in ("key on in on at switch V", "key on in on at switch-far V")
    told = reason(parse_all([*NO_OUTPUT, "key on in on at switch 28.3"]))
    assert (told.candidates[0][0].fault, told.candidates[0][0].place) == ("open", "control wire")
    assert told.candidates[0][1] > 0.9


def test_a_circuit_taken_for_sound_is_not_sent_to_be_repaired() -> None:
    read = ["source 12.6", "in off 0 0", "in on 12.3 0.2", "in other 0.2 12.3", "in on load works"]
    found = lines(reason(parse_all(read)))
    (said,) = [line for line in found if line.startswith("next: ")]
    assert "nothing is wrong in what was read" in said
    assert "repair" not in said


def test_zero_on_both_leads_is_no_sleeping_feed_once_source_was_read() -> None:
    asleep, awake = (
        any("sleeps" in note for note in misreadings(parse_all(texts)))
        for texts in (["in off 0 0", "in on 0 0"], ["in off 0 0", "in on 12.3 0.2"])
    )
    assert asleep
    assert not awake


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["in off -0.3 -0.3", "in on 12.3 -0.3"], "below battery negative"),
        (["in off 5 5", "in on 5 0.1"], "modules feed sensors with"),
    ],
)
def test_what_such_volts_are_is_said(texts: list[str], words: str) -> None:
    """Common practice, no source: a reference on a painted or corroded spot; a module's 5 V supply."""
    assert any(words in note for note in misreadings(parse_all(texts)))
    assert not any(words in note for note in misreadings(parse_all(["in off 12.6 12.6", "in on 12.5 0"])))


@pytest.mark.parametrize(("at_the_load", "is_said"), [(11.3, True), (12.2, False), (9.0, False)])
def test_what_a_switch_keeps_may_be_a_transistors(at_the_load: float, is_said: bool) -> None:
    """0.7 to 1.2 V is what one keeps that saturates (common practice, no source); the engine takes it so."""
    read = ["in off 0 0", f"in on {at_the_load - 0.1:.1f} 0.1", "in on at switch-far 12.3"]
    notes = misreadings(parse_all([*read, f"in on at switch {at_the_load}"]))
    assert any("a contact that does is burnt" in note for note in notes) == is_said


def test_a_test_light_that_tells_the_impossible_is_a_reading_that_does_not_fit() -> None:
    """Dark between battery negative and a pin at source: it was on the wrong pin, or it is broken."""
    read = parse_all(
        ["in off 12.6 12.6", "in on 12.5 0.1", "out off 12.6 0", "in off lamp negative lead 1 dark"]
    )
    answer = reason(read)
    assert not answer.fits
    assert [str(r) for r in answer.misfits] == [str(read[-1])]


def test_the_order_of_readings_is_nothing_to_the_side() -> None:
    """A reading whose control may stand either way is neither the first of a level nor one read again."""
    read = parse_all(["in ? 4.98 0", "out off 0.1 5", "key on in off at fuse 0.08"])
    one, other = reason(read), reason(read[::-1])
    assert one.side == pytest.approx(other.side, abs=0.05)


def test_what_it_could_be_is_told_even_where_a_reading_does_not_fit() -> None:
    """Before, every explanation stood there with less than 1 %."""
    found = lines(reason(parse_all(["in off 12.6 12.6", "in off 0 0"])))
    first = found[1 + found.index("could be, if what does not fit was misread:")]
    assert int(first.split("%")[0]) >= 5
