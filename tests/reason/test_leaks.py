"""Leaks of a control wire: tens of ohms to some thousands, no dead short and no driver's test current.

Levels by Ohm's law, worked beside each. A 12 V mini relay of 85 ohm operates by 8 V and releases by 1.5 V (a
maker's data sheet), so that between the two it stays pulled in and does not pull in.
"""

from __future__ import annotations

import numpy as np
import pytest

from daq.circuit import Instrument, Setup
from daq.circuit_reading import readings
from daq.explained import circuits
from daq.hypotheses import Fault, hypotheses
from daq.knowledge import shipped
from daq.readings import parse_all
from daq.reason_document import to_json
from daq.reason_report import lines
from daq.reason_words import LEAK, LEAK_BESIDE, LEAK_FELT
from daq.reasoning import Answer, reason
from daq.unknowns import CHOICES, DIALS, Draws

SOURCE, COIL = 12.6, 85.0
OPERATES, RELEASES = 8.0, 1.5


def relay(leak_ohm: float) -> Draws:
    """Every unknown at its median, but for an 85 ohm coil on 12.6 V and the leak."""
    zero, k = np.zeros((1, 1)), shipped()

    def dial(spread: str, value: float) -> np.ndarray:
        s = k.spread[spread]
        return np.full((1, 1), np.log(value / s.median) / np.log(s.factor))

    dials = dict.fromkeys(DIALS, zero)
    dials |= {"load": dial("load_ohm", COIL * 13.0 / SOURCE), "short": dial("leak_ohm", leak_ohm)}
    return Draws(dials, dict.fromkeys(CHOICES, zero.astype(np.int8)), zero, np.full((1, 1), SOURCE))


def pins(side: str, fault: Fault, leak_ohm: float, setup: Setup) -> tuple[float, float]:
    (chosen,) = (h for h in hypotheses(shipped()) if (h.side, h.fault) == (side, fault))
    seen = readings(circuits((chosen,), relay(leak_ohm), shipped()), setup, Instrument(1e7))
    return float(seen.feed[0, 0]), float(seen.ground[0, 0])


def across(ohm: float) -> float:
    """Volts that a coil has with so much in series."""
    return SOURCE * COIL / (COIL + ohm)


@pytest.mark.parametrize("place", ["control wire", "switch"])
def test_the_coil_and_the_leak_share_the_source_while_off(place: str) -> None:
    to_ground = Fault("short to ground", place, leaking=True)
    feed, ground = pins("low", to_ground, 150.0, Setup())
    assert (feed, ground) == pytest.approx((SOURCE, SOURCE - across(150.0)), abs=0.03)
    assert RELEASES < feed - ground < OPERATES
    to_power = Fault("short to power", place, leaking=True)
    feed, ground = pins("high", to_power, 150.0, Setup())
    assert (feed, ground) == pytest.approx((across(150.0), 0.0), abs=0.03)


@pytest.mark.parametrize("end", ["ground", "power"])
@pytest.mark.parametrize("side", ["low", "high"])
def test_while_on_a_leak_is_not_seen(side: str, end: str) -> None:
    leaking = Fault(f"short to {end}", "control wire", leaking=True)
    assert pins(side, leaking, 150.0, Setup(control="on")) == pytest.approx((SOURCE, 0.0), abs=0.1)


def test_unplugged_it_holds_a_bias_down_and_is_no_feed() -> None:
    """5 V through 10 kohm on 150 ohm: less than 0.1 V."""
    leaking = Fault("short to ground", "control wire", leaking=True)
    biased = pins("low", leaking, 150.0, Setup(plugged=False, bias=(None, "up")))
    assert biased == pytest.approx((SOURCE, 5.0 * 150 / 10150), abs=0.03)


def leaking(answer: Answer, side: str, lead: int) -> float:
    return sum(p for e, p in answer.candidates if e.leaking and (e.side, e.control_lead) == (side, lead))


def test_a_relay_that_rests_half_way_is_a_leak() -> None:
    """85 and 150 ohm on 12.6 V rest at 8.04 V, and a bias on the wire, unplugged, goes nowhere."""
    texts = ["source 12.6", "in off 12.6 8.04", "in on 12.6 0.1", "out off bias up lead 2 12.6 0.1"]
    answer = reason(parse_all(texts))
    assert leaking(answer, "low", 2) > 0.9
    document = to_json(answer)
    first = document["candidates"][0]
    assert (first["fault"], first["place"]) == ("short to ground", "control wire")
    assert first["quality"] == "leaking"
    assert "quality" not in next(c for c in document["candidates"] if c["fault"] == "none")
    (alike,) = (g for g in document["look_alikes"] if g[0] == first)
    assert {c["place"] for c in alike} == {"control wire", "switch"}
    said = "\n".join(lines(answer))
    assert "leaking to ground, control wire" in said
    assert LEAK in said
    assert LEAK_FELT in said


def test_water_between_two_pins_of_a_connector_is_a_leak_that_no_load_feels() -> None:
    """Unplugged, the open low side's wire is at source through it: 10 kohm to 0 V hardly take it down."""
    texts = ["source 12.6", "in off 12.6 12.6", "in on 12.5 0.1", "out off 12.6 12.6", "out on 12.6 0.2"]
    answer = reason(parse_all([*texts, "out off bias down lead 2 12.6 12.4"]))
    assert leaking(answer, "low", 2) > 0.5
    assert LEAK_BESIDE in "\n".join(lines(answer))


@pytest.mark.parametrize(
    "texts",
    [
        ["in off 12.6 12.57", "in on 12.5 0.2", "out off 12.6 0", "out off bias up lead 2 12.6 4.4"],
        ["in off 12.6 11.8", "in on 12.5 0.2", "out off 12.6 0", "out off bias up lead 2 12.6 4.4"],
        ["in off 12.4 0.3", "in on 12.4 0.3", "out off 12.6 0", "out off bias up lead 2 12.6 0"],
        ["in off 12.6 12.6", "in on 12.5 0.1", "out off bias up lead 2 12.6 4.5"],
    ],
    ids=["driver, 50 µA", "driver, 1 mA of LEDs", "dead short", "healthy"],
)
def test_what_is_no_leak_is_not_called_one(texts: list[str]) -> None:
    assert leaking(reason(parse_all(["source 12.6", *texts])), "low", 2) < 0.05


def test_who_has_unplugged_reads_the_other_pin_though_no_place_is_sure() -> None:
    """A drop of half a volt may be a neighbour's: none of it is sure, nothing else is worth its minutes."""
    texts = ["source 12.98", "in on 12.42 0.19", "in off 0 0", "in other 12.69 0.22", "in on load works"]
    answer = reason(parse_all([*texts, "out off bias up lead 2 0.01 0"]))
    assert answer.candidates[0][1] < 0.95
    assert answer.next_test is not None
    assert answer.next_test.reading == "out off bias up lead 1 V V"
    leak = reason(parse_all([*texts, "out off bias up lead 2 0.01 0", "out off bias up lead 1 0.3 0"]))
    assert leak.candidates[0][0].leaking
