"""The jumper and the lamp in the load's place: when they are proposed, and what they tell.

Never across a supply is common practice, and arithmetic: 12.6 V over 0.05 ohm is 250 A.
"""

from __future__ import annotations

from functools import cache

import pytest

from daq.diagnosis import diagnose
from daq.next_test import Played, field, play_all
from daq.offered_tests import BY_HAND, Means
from daq.readings import parse_all
from daq.reason_words import caution, instruction
from daq.reasoning import _grouped, reason


@cache
def offers(*texts: str, means: Means = BY_HAND) -> dict[str, Played]:
    belief = diagnose(parse_all(texts))
    played = play_all(belief, field(belief, _grouped(belief)[1]), means)
    return {p.test.template: p for p in played}


NO_GROUND = ("source 12.6", "in off 12.6 12.6", "in on 12.6 12.6")
NO_CURRENT = ("source 12.6", "in off 12.6 0", "in on 12.6 0")


def test_no_jumper_from_one_pole_to_a_pin_at_the_other() -> None:
    """Both pins stand at source, so that neither may be tied to negative; nor a pin at zero to positive."""
    jumpers = [name for name in offers(*NO_GROUND) if "jumper" in name]
    assert jumpers
    assert not any("negative" in name for name in jumpers)
    jumpers = [name for name in offers(*NO_CURRENT) if "jumper" in name]
    assert not any("positive lead 2" in name or "negative lead 1" in name for name in jumpers)


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


@pytest.mark.parametrize("name", ["in on jumper positive lead 1 V V", "out on substitute V V"])
def test_each_says_what_to_do_and_what_can_hurt(name: str) -> None:
    test = offers(*NO_GROUND)[name].test
    assert "read both leads" in instruction(test)
    assert "sensor or signal wire" in caution(test)
    assert ("fused at 15 A" in instruction(test)) == ("jumper" in name)
    assert ("never goes across a supply" in caution(test)) == ("jumper" in name)


def test_whoever_has_neither_is_not_asked_for_them() -> None:
    assert not any("jumper" in name or "substitute" in name for name in offers(*NO_GROUND, means=Means()))
