"""The switch has two terminals: by the one towards the load alone, it and what is behind it look alike.

Common practice, no source: with the circuit on, a closed switch that reads source on the side of the supply
and nothing towards the load is bad; nothing on either, and what feeds it is. On the ground side the same with
what it should take to ground. What either loses is the difference, under load.
"""

from __future__ import annotations

import pytest

from daq.knowledge import shipped
from daq.offered_tests import offered
from daq.readings import At, parse, parse_all
from daq.reasoning import reason

DEAD = ("source 12.6", "in off 0 0", "in on 0 0", "in on at fuse 12.6", "in on at switch 0")
HELD_UP = ("source 12.6", "in off 12.6 12.6", "in on 12.6 12.6", "in on at switch 12.6")
FEW_VOLTS = ("source 12.6", "in off 0 0", "in on 9.5 0.05", "in on at fuse 12.5", "in on at switch 9.6")
OFF_GROUND = ("source 12.6", "in off 12.6 12.6", "in on 12.5 3.0", "in on at switch 2.9")


SWITCH, FEED, GROUND = ("switch",), ("feed wire",), ("ground wire", "ground point")


@pytest.mark.parametrize(
    ("before", "far_v", "fault", "places", "rival", "rivals"),
    [
        (DEAD, 12.6, "stuck off", SWITCH, "open", FEED),
        (DEAD, 0.0, "open", FEED, "stuck off", SWITCH),
        (HELD_UP, 0.0, "stuck off", SWITCH, "open", GROUND),
        (HELD_UP, 12.6, "open", GROUND, "stuck off", SWITCH),
        (FEW_VOLTS, 12.4, "high resistance", SWITCH, "high resistance", FEED),
        (FEW_VOLTS, 9.7, "high resistance", FEED, "high resistance", SWITCH),
        (OFF_GROUND, 0.05, "high resistance", SWITCH, "high resistance", GROUND),
        (OFF_GROUND, 2.8, "high resistance", GROUND, "high resistance", SWITCH),
    ],
)
def test_the_other_terminal_tells_the_switch_from_what_is_behind_it(
    before: tuple[str, ...],
    far_v: float,
    fault: str,
    places: tuple[str, ...],
    rival: str,
    rivals: tuple[str, ...],
) -> None:
    answer = reason(parse_all([*before, f"in on at switch-far {far_v:g}"]))

    def chance(fault: str, places: tuple[str, ...]) -> float:
        return sum(p for e, p in answer.candidates if e.fault == fault and e.place in places)

    first = answer.candidates[0][0]
    assert (first.fault, first.place in places) == (fault, True), str(first)
    assert chance(fault, places) > 20 * chance(rival, rivals)
    assert answer.fits


@pytest.mark.parametrize("before", [DEAD, HELD_UP, FEW_VOLTS, OFF_GROUND], ids=lambda b: b[2])
def test_who_stands_at_the_switch_is_sent_to_its_other_terminal(before: tuple[str, ...]) -> None:
    proposed = reason(parse_all(before)).next_test
    assert proposed is not None
    last = proposed.and_otherwise[-1]  # first of all, whether the control has another position
    assert last.reading == "in on at switch-far V"
    assert "away from the load" in last.do


def test_what_is_open_already_costs_little_to_read_again() -> None:
    costs = shipped().costs
    minutes = {
        str(o.reading.what.place): o.minutes
        for o in offered(parse_all(DEAD), costs)
        if isinstance(o.reading.what, At) and o.reading.state == parse("in on 0 0").state
    }
    assert minutes["switch-far"] == pytest.approx(costs["base"] + costs["again"])
    assert minutes["ground-point"] > 5 * minutes["switch-far"]
