"""What must be right before readings say anything of a circuit: the meter, the battery, the wires themselves.

An explanation can be found for any readings, and the best of them would be sure for want of a rival. So what
is no circuit's doing comes first: red and black changed over, a battery that reads as none, and levels that
are neither source nor ground and move with nothing, as those of a data wire, a sensor, a module's output at
rest or a lead on nothing (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from daq.readings import At, Levels, Reading, Working

BELOW_V = -1.0
LEAST_BATTERY_V = 5.0  # a 6 V battery is flat there; cranking pulls it lower, but only while control is on
GROUND_V = 0.5  # most that is near zero whatever the system
SOURCE_SHARE = 0.8  # least of source that is near it
STILL_SHARE = 0.1  # of source: levels that differ by less are one
APART_SHARE = 0.2  # of source: pins that differ by less have nothing across a load
SENSOR_V = (4.7, 5.3)  # what modules feed sensors with: 5 V
SWAPPED = (
    "red and black of the meter are changed over, or its negative lead is not at battery negative. Put it "
    "there, prove it on battery positive, and read all again."
)
NO_BATTERY = (
    "prove the reference lead (either lead on battery positive must read source), then the battery and its "
    "clamps: what was read is no battery's voltage. Then read all again."
)
NO_LOAD = (
    "levels between source and zero that nothing moves tell of no load: a data or signal wire, a sensor or a "
    "lead on nothing reads so too. Nothing is put on such a wire: no test light, jumper, lamp or bias."
)


@dataclass(frozen=True, slots=True)
class Premise:
    """What does not hold: the readings that say nothing for it, and what to do about it or mind."""

    readings: tuple[Reading, ...]
    told: str
    read_on: bool  # or else nothing is to be read before it is put right


def unmet(given: Sequence[Reading]) -> Premise | None:
    """The first premise that these readings do not meet, if any."""
    if silent := below_ground(given):
        return Premise(silent, SWAPPED, read_on=False)
    if silent := no_battery(given):
        return Premise(silent, NO_BATTERY, read_on=False)
    if silent := of_no_load(given):
        return Premise(silent, NO_LOAD, read_on=True)
    return None


def below_ground(given: Sequence[Reading]) -> tuple[Reading, ...]:
    """Readings by hand, all of them, where nothing is above battery negative and something well below."""
    volts = [v for r in given for v in _volts(r)]
    by_hand = not any(r.logged for r in given)
    return tuple(given) if by_hand and volts and min(volts) < BELOW_V and max(volts) < GROUND_V else ()


def no_battery(given: Sequence[Reading]) -> tuple[Reading, ...]:
    """Readings of battery positive, at rest, that are none."""
    return tuple(
        r for r in given if r.is_of_battery and r.state.control == "off" and max(_volts(r)) < LEAST_BATTERY_V
    )


def of_no_load(given: Sequence[Reading]) -> tuple[Reading, ...]:
    """All readings of the pins, where they say nothing of a load; none where one does.

    Either no pin is near source or near zero and there is nothing across a load; or nothing moves, off or on,
    whether plugged in or not (beside a sensor's 5 V plugged in is enough), and a pin stays between the two.

    A reading along the wire, or with a bias (a whisper too, which lifts what nothing holds), a light, a
    jumper or a lamp, or a load that does anything, is reason to weigh them all.
    """
    pins = [r for r in given if not r.is_of_battery and not _is_of_nothing(r)]
    if not all(isinstance(r.what, Levels) and r.what.bias == (None, None) and r.what.plain for r in pins):
        return ()
    source_v = max([LEAST_BATTERY_V / SOURCE_SHARE, *(v for r in given for v in _volts(r))])
    each = [[v for r in pins if (v := _on_lead(r, n)) is not None] for n in (0, 1)]
    read = [volts for volts in each if volts]
    between = [all(GROUND_V < v < SOURCE_SHARE * source_v for v in volts) for volts in read]
    every = [v for volts in read for v in volts]
    if all(between) and every and max(every) - min(every) < APART_SHARE * source_v:
        return tuple(pins)
    still = all(max(volts) - min(volts) < STILL_SHARE * source_v for volts in read)
    states = {(r.state.plugged, r.state.control) for r in pins}
    switched = {control for _, control in states} >= {"off", "on"}
    tried = switched and (of_a_sensor(given) or {plugged for plugged, _ in states} == {True, False})
    return tuple(pins) if still and tried and any(between) else ()


def of_a_sensor(given: Sequence[Reading]) -> bool:
    """Whether some pin reads 5 V whatever is done, and none reads more: a module's supply of a sensor."""
    plain = [r for r in given if isinstance(r.what, Levels) and r.what.plain]
    volts = [v for r in plain for v in _volts(r)]
    if not volts or max(volts) > SENSOR_V[1]:
        return False
    if any(abs(v - max(volts)) < GROUND_V for r in given if r.is_of_battery for v in _volts(r)):
        return False  # a 6 V battery that is flat
    each = [[v for r in plain if (v := _on_lead(r, n)) is not None] for n in (0, 1)]
    return any(bool(some) and min(some) > SENSOR_V[0] for some in each)


def _is_of_nothing(reading: Reading) -> bool:
    """A load that is said to be dead, or of which nobody can tell, may be none; one alone is no circuit."""
    what = reading.what
    return isinstance(what, Working) and (what.alone or what.word not in ("works", "weak"))


def _volts(reading: Reading) -> list[float]:
    what = reading.what
    if isinstance(what, At):
        return [what.volts]
    return [v for v in what.volts if v is not None] if isinstance(what, Levels) else []


def _on_lead(reading: Reading, n: int) -> float | None:
    return reading.what.volts[n] if isinstance(reading.what, Levels) else None
