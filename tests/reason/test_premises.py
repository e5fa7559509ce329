"""What comes before any circuit: the meter's leads, the battery, wires that are no load's.

Which readings are so is common practice, no source, but for the level of a data wire at rest: 2.5 V on both
(ISO 11898-2, recessive; from memory), and 5 V, the supply of sensors.
"""

from __future__ import annotations

import pytest

from daq.premises import NO_BATTERY, NO_LOAD, SWAPPED, of_a_sensor, unmet
from daq.readings import parse_all
from daq.reason_report import lines
from daq.reason_words import misreadings
from daq.reasoning import reason

OF_NO_LOAD = [
    ["out off 2.5 2.5", "out on 2.5 2.5"],
    ["source 12.6", "out off 4.4 4.4", "out on 4.4 4.2"],
    ["source 12.6", "out off 6 6", "out on 6 6"],
    ["source 25.2", "in off 2.5 2.5", "in on 2.5 2.5"],
    ["source 12.6", "in off 1.4 1.4", "in on 1.4 1.4"],
    ["in off 3.3 _"],
    ["in off 3.3 3.3", "in on load dead"],  # so it is said of a load that is none
    ["in off 3.3 3.3", "in on 3.3 3.3", "in on load ?"],
    ["in off 4.4 4.4"],  # no battery has 4.4 V: this is not source
    ["source 12.6", "in off 12.6 2.6", "in on 12.6 2.6", "out off 12.6 2.6", "out on 12.6 2.6"],
    ["in off 5.0 2.1", "in on 5.0 2.1"],  # a sensor, its supply and its signal
]
WEIGHED = [
    ["in off 6.2 0.1"],  # one is near zero
    ["in off 6.1 6.1"],  # a 6 V system
    ["in off 3.3 3.3", "in on load works"],  # something does
    ["source 14.2", "in off 11.9 11.9", "in on 11.9 11.9"],  # source read while charging
    ["in off 4.4 4.4", "in on 12.5 4.6"],  # one moves
    ["source 12.6", "in off 2 2", "in on 10.8 2.1"],  # a shared ground that is bad
    ["source 12.6", "in on 10.9 2.0"],  # volts across the load
    ["source 12.6", "in off 12.6 2.6", "in on 12.6 2.6", "out off 12.6 0", "out on 12.6 0"],
    ["out off 2.5 2.5", "out off bias up lead 1 4.9 2.5"],
    ["out off 2.5 2.5", "out off lamp positive lead 1 lit"],
    ["source 12.6"],
    ["source 12.6", "in on source 4.1", "in off 12.6 12.6"],  # cranking
    ["in off -0.1 -0.2", "in on 0.1 0"],
    [],
]


@pytest.mark.parametrize("texts", OF_NO_LOAD, ids=" | ".join)
def test_levels_that_are_no_loads_name_no_circuit_and_nothing_is_put_on_them(texts: list[str]) -> None:
    answer = reason(parse_all(texts))
    assert answer.premise is not None
    assert answer.premise.told == NO_LOAD
    assert (answer.fits, answer.candidates, answer.stop) == (False, (), "")
    assert max(answer.side.values()) < 0.5
    assert answer.next_test is not None
    words = answer.next_test.reading.split()
    assert not {"bias", "lamp", "jumper", "substitute"} & set(words)
    assert ("source" in words) == (not texts[0].startswith("source"))  # first of all, where it was not read


@pytest.mark.parametrize("texts", WEIGHED, ids=" | ".join)
def test_what_says_something_is_weighed(texts: list[str]) -> None:
    assert unmet(parse_all(texts)) is None


@pytest.mark.parametrize(
    ("texts", "told"),
    [
        (["in off -12.6 -12.6", "in on -12.6 0"], SWAPPED),
        (["source -12.6", "in off -12.6 -12.6", "in on -12.6 -0.1"], SWAPPED),
        (["source 3.1", "in off 0.2 0.1", "in on 0.2 0.1"], NO_BATTERY),
        (["source 0", "in off 0 0", "in on 0 0"], NO_BATTERY),
        (["source 4.2", "in off 4.2 4.2", "in on 4.1 0.1"], NO_BATTERY),
    ],
    ids=lambda value: " | ".join(value) if isinstance(value, list) else "",
)
def test_meter_and_battery_come_first(texts: list[str], told: str) -> None:
    answer = reason(parse_all(texts))
    assert answer.next_test is None
    assert answer.side["high"] == answer.side["low"] < 0.5
    assert lines(answer)[-1] == f"next: {told}"


@pytest.mark.parametrize(
    "texts",
    [
        ["in off 5.0 0", "in on 5.0 0"],
        ["source 12.6", "in off 5.0 0", "in on 5.0 0"],
        ["source 12.6", "in off 5.1 2.5", "in on 5.0 2.4"],
        ["source 12.6", "in off 5.0 0", "in on 5.0 0", "in on at fuse 12.6"],
    ],
    ids=" | ".join,
)
def test_five_volts_that_stay_are_a_sensors_whatever_else_was_read(texts: list[str]) -> None:
    given = parse_all(texts)
    answer = reason(given)
    assert of_a_sensor(given)
    assert any(note.startswith("5 V is what modules feed sensors with") for note in misreadings(given))
    assert answer.stop != "known"
    tests = () if answer.next_test is None else answer.next_test.and_otherwise
    assert not any(
        word in test.reading for test in tests for word in ("bias", "lamp", "jumper", "substitute")
    )


@pytest.mark.parametrize(
    "texts",
    [["source 5.2", "in off 5.2 5.2", "in on 5.1 0.1"], ["in off 5 0", "in on 12.4 0"]],
    ids=" | ".join,
)
def test_five_volts_of_a_flat_battery_or_that_move_are_no_sensors(texts: list[str]) -> None:
    assert not of_a_sensor(parse_all(texts))


@pytest.mark.parametrize(
    ("texts", "word"),
    [
        (["source 9.8"], "low for a battery"),
        (["source 22.5"], "low for a battery"),
        (["source 17.5"], "more than a 12 V system charges at"),
        (["source 12.6", "source 10.3"], "'in on source V'"),
        (["source 12.6"], ""),
        (["source 14.4"], ""),
        (["source 27.9"], ""),
        (["source 6.3"], ""),
        (["source 12.6", "in on source 10.3"], ""),
    ],
    ids=lambda value: " | ".join(value) if isinstance(value, list) else "",
)
def test_what_battery_positive_says_of_the_battery_is_told(texts: list[str], word: str) -> None:
    found = " ".join(misreadings(parse_all(texts)))
    assert (word in found) if word else (found == "")


def test_one_dead_direction_is_no_lead_without_contact() -> None:
    """Down works, up does nothing: a relay or its driver, long before a probe that has just read 0.1 V under
    load (common practice, no source)."""
    answer = reason(parse_all(["in off 0 0", "in on 12.3 0.1", "in other 0 0"]))
    best, chance = answer.candidates[0]
    assert (best.side, best.fault, best.place) == ("reversing", "stuck off", "switch")
    assert chance > 0.6
    assert answer.lost is None


def test_a_place_that_is_known_is_mended_and_nothing_is_put_on_the_circuit_for_the_side() -> None:
    texts = ["source 12.6", "in off 0 0", "in on 12.4 4.0", "in on at ground-point 4.0"]
    answer = reason(parse_all(texts))
    assert sum(p for e, p in answer.candidates if e.place == "ground point") > 0.9
    while answer.next_test is not None:
        test = answer.next_test
        assert "in" in test.reading.split()
        assert not {"bias", "jumper", "lamp", "substitute"} & set(test.reading.split())
        texts.append(test.reading.replace("V V", "12.4 4.0" if "off" not in test.reading else "0 0"))
        answer = reason(parse_all(texts))
    assert answer.stop == "known"
