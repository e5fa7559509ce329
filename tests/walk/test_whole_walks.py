"""Whole walks on the bench: what they find, what they read, and the readings again after the repair.

What is hidden in each circuit stands in the bench's catalogue, which knows nothing of the reasoning; that
such readings mean such faults is common practice of the trade, no source.
"""

from __future__ import annotations

import pytest

from daq.bench_catalog import find
from daq.offered_tests import kind
from daq.readings import Lamp, Levels, Reading, State
from daq.walk_here import Phase
from daq.walk_proof import proven
from tests.walk.strider import LEAST, Strider, found, scripted

ALWAYS = [
    "tailgate-lamp",  # its feed sleeps with the key off
    "parade-lamp",  # shared ground open, with a neighbour that is lit
    "wash-bay-relay",  # the control wire leaks 150 ohm to ground: rests half-way
]
IN_CAMPAIGNS = [
    "cargo-lamp",  # open feed on the low side: both leads at zero, off and on
    "fog-lamp",  # open ground on the high side: both leads at source while on
    "stable-lamp",  # a welded switch: to readings, a short of the control wire is the same
    "cabin-lamp",  # its driver holds the unplugged wire at 11 V
    "step-light",  # LEDs: off, one lead is a diode string below source
    "gate-lamp",  # a bad feed wire
    "van-lamp",  # a bad ground wire
    "mixer-valve",  # an open load
    "seat-relay",  # its driver leaks 600 ohm to ground, as the wire might
    "window-motor",  # both ways
    "trailer-lamp",
    "work-lamp",
    "gauge-lamps",  # pulsed
    "fuel-valve",  # pulsed
    "dosing-valve",  # pulsed
    "boat-relay",  # both ends float while off: with a jumper they do not
]
SIDES_SURE = 0.9
PLAIN = Levels((0.0, 0.0), ("whisper", "whisper"))


@pytest.mark.parametrize("name", [*ALWAYS, *(pytest.param(n, marks=pytest.mark.long) for n in IN_CAMPAIGNS)])
def test_the_walk_finds_what_is_hidden(name: str) -> None:
    truth = find(name).truth
    strider = Strider(name)
    strider.on_to(Phase.END)
    answer = strider.walk.answer
    assert answer is not None
    assert found(truth, answer) >= LEAST, [(str(e), round(p, 3)) for e, p in answer.candidates[:4]]
    assert answer.fits
    wrong = [side for side, p in answer.side.items() if side != truth.side and p >= SIDES_SURE]
    assert not wrong


@pytest.mark.long
@pytest.mark.parametrize("name", ["cargo-lamp", "fog-lamp", "gate-lamp"])
def test_after_the_repair_the_same_readings_prove_it(name: str) -> None:
    strider = Strider(name)
    strider.on_to(Phase.END)
    before = strider.walk.here.taken
    strider.turn("fault", "off")
    strider.walk.repaired(strider.now_s)
    strider.on_to(Phase.PROVEN)
    assert [(r.state, type(r.what)) for r in strider.walk.here.after] == [
        (r.state, type(r.what)) for r in before
    ]
    assert proven(strider.walk)


@pytest.mark.long
def test_a_repair_that_was_none_is_not_proven() -> None:
    strider = Strider("cargo-lamp")
    strider.on_to(Phase.END)
    strider.walk.repaired(strider.now_s)
    strider.on_to(Phase.PROVEN)
    assert not proven(strider.walk)


def test_a_test_light_stays_dark_on_a_leak() -> None:
    """From battery positive through 150 ohm to ground: under 0.1 A, where it wants a quarter of one."""
    light = Reading(State(plugged=False), Lamp("positive", 2, "lit"))
    strider = Strider("wash-bay-relay", answer=scripted([light]))
    strider.on_to(Phase.END)
    said = [r.what.word for r in strider.walk.here.taken if isinstance(r.what, Lamp)]
    assert said == ["dark"]


def test_a_pulsed_load_is_read_while_on() -> None:
    """13.5 ohm at 12.6 V: 0.9 A at most; the feed wire of 0.075 and the driver of 0.2 ohm take the rest."""
    on = Reading(State(control="on"), PLAIN)
    strider = Strider("fuel-valve", answer=scripted([on]))
    strider.on_to(Phase.END)
    reading = strider.walk.here.taken[-1]
    assert reading.state.control == "on"
    assert isinstance(reading.what, Levels)
    assert reading.what.volts == pytest.approx((12.54, 0.18), abs=0.05)
    assert reading in strider.walk.here.pulsed


def test_a_jumper_and_a_lamp_are_put_on_read_and_taken_off() -> None:
    """Both ends of the relay are open: through its coil the whole of 12.6 V reaches the other pin. Through a
    sound feed and ground a lamp of 0.4 A has all but some hundredths of a volt."""
    jumper = Reading(State(), Levels((0.0, 0.0), jumper=("positive", 1)))
    strider = Strider("boat-relay", answer=scripted([jumper, Reading(State(control="on"), PLAIN)]))
    strider.on_to(Phase.END)
    bridged = next(r.what for r in strider.walk.here.taken if kind(r) == kind(jumper))
    assert isinstance(bridged, Levels)
    assert bridged.volts == pytest.approx((12.6, 12.6), abs=0.1)
    assert strider.source.choices["jumper"] == "away"
    lamp = Reading(State(False, "on"), Levels((0.0, 0.0), substitute=True))
    strider = Strider("cellar-fan", answer=scripted([lamp]))
    strider.on_to(Phase.END)
    shone = strider.walk.here.taken[-1].what
    assert isinstance(shone, Levels)
    assert shone.volts == pytest.approx((0.0, 12.6), abs=0.1)
    assert strider.source.choices["5 W lamp"] == "across the pins"
