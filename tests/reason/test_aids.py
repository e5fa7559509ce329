"""The jumper and the lamp in the load's place: when they are proposed, and what they tell.

Never across a supply is common practice, and arithmetic: 12.6 V over 0.05 ohm is 250 A.
"""

from __future__ import annotations

from functools import cache

import pytest

from daq.diagnosis import diagnose
from daq.naming import grouped
from daq.next_test import Played, field, play_all
from daq.offered_tests import BY_HAND, Means
from daq.readings import parse_all
from daq.reason_words import caution, instruction
from daq.reasoning import reason


@cache
def offers(*texts: str, means: Means = BY_HAND) -> dict[str, Played]:
    belief = diagnose(parse_all(texts))
    played = play_all(belief, field(belief, grouped(belief, True)[1]), means)
    return {p.test.template: p for p in played}


NO_GROUND = ("source 12.6", "in off 12.6 12.6", "in on 12.6 12.6")
BAD_FEED = ("source 12.6", "in off 0 0", "in on 5.2 0.05", "in other 12.4 0.08")
NO_CURRENT = ("source 12.6", "in off 12.6 0", "in on 12.6 0")


def test_no_jumper_from_one_pole_to_a_pin_at_the_other() -> None:
    """A pin that is fed is not tied to negative, nor one that goes to ground to positive."""
    jumpers = [name for name in offers(*BAD_FEED) if "jumper" in name]
    assert any("positive lead 1" in name for name in jumpers)
    for texts in (BAD_FEED, NO_CURRENT):
        jumpers = [name for name in offers(*texts) if "jumper" in name]
        assert not any("positive lead 2" in name or "negative lead 1" in name for name in jumpers)


@pytest.mark.parametrize(
    "texts",
    [
        NO_GROUND,  # either pin may be the ground pin
        ("source 12.6", "in off 0 0", "in on 12.5 12.5", "out on 12.6 0", "in on at ground-point 0.0"),
        ("source 12.6", "in off 7.8 7.8", "in on 12.4 7.9", "neighbour off in off 0 0"),  # perhaps a bridge
    ],
)
def test_no_jumper_that_would_be_a_short_once_a_contact_closes(texts: tuple[str, ...]) -> None:
    """A bad ground may get better, a switch be touched: common practice, no source."""
    jumpers = [name for name in offers(*texts) if "jumper" in name]
    assert not any("positive lead 2" in name or "negative lead 1" in name for name in jumpers)
    if texts[1] == "in off 12.6 12.6" or "neighbour" in texts[-1]:
        assert not any("positive" in name for name in jumpers)


def test_no_jumper_before_the_pins_were_read() -> None:
    assert not any("jumper" in name for name in offers("source 12.6"))


def test_a_lamp_in_the_loads_place_tells_an_open_load() -> None:
    """12.6 V and 0 V with the load in, no current: a good lamp there lights if the wires are good.

    A switch stuck on reads so as well, and lights the lamp.
    """
    lamp = offers(*NO_CURRENT)["out on substitute V V"], offers(*NO_CURRENT)["out off substitute V V"]
    assert max(p.bits for p in lamp) > 0.5
    found = reason(parse_all([*NO_CURRENT, "out on substitute 12.5 0.1"]))
    likely = [e for e, p in found.candidates if p > 0.05]
    assert all(e.place in ("load", "connector pin", None) or e.fault == "stuck on" for e in likely), likely


@pytest.mark.parametrize("name", ["in off jumper positive lead 1 V V", "out on substitute V V"])
def test_each_says_what_to_do_and_what_can_hurt(name: str) -> None:
    test = offers(*BAD_FEED)[name].test
    assert "read both leads" in instruction(test)
    assert "sensor or signal wire" in caution(test)
    assert ("fused at 15 A" in instruction(test)) == ("jumper" in name)
    assert ("never goes across a supply" in caution(test)) == ("jumper" in name)


def test_whoever_has_neither_is_not_asked_for_them() -> None:
    assert not any("jumper" in name or "substitute" in name for name in offers(*NO_GROUND, means=Means()))
