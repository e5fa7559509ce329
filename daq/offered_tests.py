"""The tests that may be proposed, with what each costs from where one stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from daq.knowledge import Weights
from daq.readings import PLACES, At, Lamp, Levels, Reading, State

BLANK = Levels((0.0, 0.0))


@dataclass(frozen=True, slots=True)
class Offer:
    """A reading that could be taken; its values are blanks. `minutes` is its cost."""

    reading: Reading
    minutes: float

    @property
    def template(self) -> str:
        """The reading as it will be written, "V" where a voltage goes."""
        state, what = self.reading.state, self.reading.what
        if isinstance(what, At):
            return f"{state} source V" if what.place == "source" else f"{state} at {what.place} V"
        if isinstance(what, Lamp):
            return f"{state} lamp {what.pole} lead {what.lead} lit|dim|dark"
        bias = [f"bias {kind} lead {n} " for n, kind in enumerate(what.bias, 1) if kind is not None]
        return f"{state} {''.join(bias)}V V"


def offered(given: Sequence[Reading], costs: Weights) -> list[Offer]:
    """Every test that was not done yet; costs count from the state of the last reading."""
    last = given[-1].state if given else State()
    done = {_kind(r) for r in given}
    return [
        Offer(reading, minutes(reading, last, costs))
        for reading in _everything(last)
        if _kind(reading) not in done
    ]


def minutes(reading: Reading, last: State, costs: Weights) -> float:
    """Cost of taking `reading` when things stand as in `last`."""
    state, what = reading.state, reading.what
    total = costs["base"]
    if state.key != last.key:
        total += costs["key"]
    if state.control != last.control:
        total += costs["control"]
    if state.neighbour_off and not last.neighbour_off:
        total += costs["neighbour off"]
    if state.plugged != last.plugged:
        total += costs["unplug"]
    if isinstance(what, At):
        total += costs["ground point" if what.place == "ground-point" else what.place]
    elif isinstance(what, Lamp):
        total += costs["test light"]
    elif what.bias != (None, None):
        total += costs["bias"]
    return total


def _kind(reading: Reading) -> tuple[State, str]:
    """What makes two readings the same test."""
    what = reading.what
    if isinstance(what, At):
        return reading.state, what.place
    if isinstance(what, Lamp):
        return reading.state, f"{what.pole} {what.lead}"
    return reading.state, str(what.bias)


def _everything(last: State) -> list[Reading]:
    here = State(key=last.key)
    states = [replace(here, control=c) for c in ("off", "on", "other")]
    if last.key != "on":
        states += [replace(here, control=c, key="on") for c in ("off", "on")]
    if last.key != "off":
        states.append(replace(here, control="off", key="off"))
    states += [replace(here, control=c, neighbour_off=True) for c in ("off", "on")]
    out = [replace(here, control=c, plugged=False) for c in ("off", "on")]
    found = [Reading(s, BLANK) for s in states + out]
    found.append(Reading(replace(out[0], neighbour_off=True), BLANK))
    for s in out:
        for lead in (1, 2):
            for pole in ("positive", "negative"):
                found.append(Reading(s, Lamp(pole, lead, "lit")))
            for kind in ("up", "down"):
                found.append(Reading(s, Levels((0.0, 0.0), (kind, None) if lead == 1 else (None, kind))))
    for s in states[:2]:
        found += [Reading(s, At(place, 0.0)) for place in ("source", *PLACES)]
    return found
