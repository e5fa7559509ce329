"""When it is enough, and what is proved before. Circuits solved by ngspice (campaign.py), and Ohm's law."""

from __future__ import annotations

import pytest

from daq.readings import parse_all
from daq.reasoning import reason

SOUND = ["source 14", "in on 0.1 13.8", "in off 0 0", "in other 0.1 14"]


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
