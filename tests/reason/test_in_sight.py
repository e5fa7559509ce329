"""What explains every reading is not put out of sight by how parts are spread."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.hypotheses import hypotheses
from daq.in_sight import AS_WELL, IN_SIGHT, OF_BEFORE, by_place, kept_in_sight
from daq.knowledge import shipped
from daq.readings import parse_all
from daq.reasoning import reason
from daq.unknowns import Array

# By ngspice: a driver on the positive side that tests its wire upward through 30 kilohm; its ground is open.
# Everything is at source; a stuck switch on the ground side reads so too, and needs no strong test current.
STRONG_TEST = (
    *("source 13.15", "in on 13.1 13.04", "in off 12.86 13.1", "out on 13.05 -0.01"),
    *("out on bias up lead 2 13.01 4.65", "in on at ground-point 0", "in on at switch 13.07"),
)


SOUND = [
    h
    for h in hypotheses(shipped())
    if h.side in ("low", "high") and (h.fault.fault, h.condition) == ("none", None)
]


def told(best: list[float], before: float = 0.1, least: float = 1e-9) -> Array:
    """Low and high side, sound, either way round: nearly all on the first, the others at `least`."""
    probability = np.array([[1 - 3 * least, least], [least, least]])
    fits, sought = np.array(best).reshape(2, 2), np.array([True, True])
    return kept_in_sight(probability, by_place(np.full((2, 2), before), SOUND), fits, SOUND, sought)


def test_what_fits_keeps_a_part_of_what_was_believed_before() -> None:
    found = told([0.0, -1.0, -AS_WELL - 1, -1.0])
    assert found[0, 1] == pytest.approx(IN_SIGHT, rel=0.01)
    assert found[1, 1] == pytest.approx(IN_SIGHT, rel=0.01)
    assert found[1, 0] < 1e-8  # does not fit
    assert found.sum() == pytest.approx(1.0)


def test_what_was_rare_before_stays_rare() -> None:
    found = told([0.0, -1.0, 0.0, 0.0], before=1e-4)
    assert found[0, 1] == pytest.approx(OF_BEFORE * 1e-4, rel=0.01)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-12, 0), min_size=4, max_size=4), st.floats(1e-12, 0.2))
def test_the_order_of_what_is_likely_does_not_change(best: list[float], least: float) -> None:
    before = np.array([[1 - 3 * least, least], [least, least]])
    found = told(best, least=least)
    assert found.sum() == pytest.approx(1.0)
    assert found.argmax() == before.argmax()
    assert (found >= before * (1 - 4 * IN_SIGHT)).all()


def test_a_strong_test_current_is_not_ruled_out() -> None:
    answer = reason(parse_all(STRONG_TEST))
    chance = sum(
        p for e, p in answer.candidates if (e.side, e.fault, e.place) == ("high", "open", "ground wire")
    )
    assert chance > 0.001


def test_what_was_looked_for_once_is_not_ruled_out_by_what_was_found() -> None:
    """By ngspice: a lamp of 1 ohm whose control wire leaks to source through 66 ohm; on, its ground side
    loses 0.3 V. One search took that for a misreading and ended there."""
    answer = reason(parse_all(["source 13.8", "in on 0.4 13.3", "in off 0 0.3"]))
    leaks = sum(p for e, p in answer.candidates if e.leaking and e.place == "control wire")
    assert leaks > 0.0004


def test_of_what_is_told_as_one_half_is_left_together() -> None:
    """By ngspice: both ends are switched, the ground end is stuck off, and the driver tests its wires upward
    through 33 kilohm. One way round, and with the other end stuck, it does not fit; told is all as one."""
    read = ("source 12.4", "in off 12.6 12.4", "in on 12.5 12.4", "out on bias up lead 2 12.6 4.7")
    chances = [
        sum(
            p
            for e, p in answer.candidates
            if (e.side, e.fault, e.place) == ("both ends", "stuck off", "switch")
        )
        for answer in (reason(()), reason(parse_all(read)))
    ]
    assert 0.001 < chances[0] < 0.002
    assert chances[1] > 0.45 * chances[0]
