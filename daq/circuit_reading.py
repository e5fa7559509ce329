"""What a meter, a test light or the logger shows on circuits, in many states at once.

A state and the explanations that are read in it are a case. Cases of the same explanations that need the same
network (with or without bias, with or without a test light) are solved together, as one more axis: few
circuits cost steps, whatever their number, and what is alike in all cases is worked out once. A battery does
not feel where a meter is: its voltage is taken from a case that differs in that alone, if there is one. The
few circuits whose reference lead is lost are solved again, with the instrument as it hangs then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
import numpy.typing as npt

from daq.circuit import Array, Circuits, Instrument, Mask, Setup
from daq.circuit_case import Case, Seen
from daq.circuit_stack import WEAK, Stack

LOST_OHM = 1.0  # from there on a reference lead does not hold the instrument's zero


def readings(circuits: Circuits, setup: Setup, instrument: Instrument) -> Seen:
    """What is read on every circuit in this setup."""
    (seen,) = all_readings(circuits, [Case(setup, instrument, np.arange(circuits.shape[0]))])
    return seen


def all_readings(circuits: Circuits, cases: Sequence[Case]) -> list[Seen]:
    """What is read in each case.

    A pulsed control is read as its average, on and off in proportion to time, as slow meters do.
    """
    pulsed: Mask = np.any(np.broadcast_to(circuits.duty, circuits.shape) < 1, axis=1)
    some = [n for n, c in enumerate(cases) if c.setup.control != "off" and pulsed[c.rows].any()]
    numbers = {c.key: n for n, c in enumerate(cases)}
    rests: dict[int, tuple[int, npt.NDArray[np.intp]]] = {}  # by case: the case it rests as, and where in it
    asked = list(cases)
    for n in some:
        rest, places = cases[n].at_rest(np.arange(len(cases[n].rows))), np.flatnonzero(pulsed[cases[n].rows])
        if rest.key in numbers:
            rests[n] = numbers[rest.key], places
        else:
            rests[n] = len(asked), np.arange(len(places))
            asked.append(cases[n].at_rest(places))
    seen = _together(circuits, asked)
    for n, (number, where) in rests.items():
        places, at_rest = np.flatnonzero(pulsed[cases[n].rows]), seen[number].chosen(where)
        duty = circuits.duty[cases[n].rows[places]]
        for field in fields(Seen):
            values = getattr(seen[n], field.name)
            if field.name == "work":  # nobody sees its pulses; who knows how strongly it should work?
                values[places] = np.maximum(duty * values[places], np.minimum(values[places], WEAK[1]))
                continue
            values[places] = duty * values[places] + (1 - duty) * getattr(at_rest, field.name)
    return seen[: len(cases)]


def fuse_currents(circuits: Circuits, setups: Sequence[Setup]) -> list[Array]:
    """Current through the fuse, A, in each setup, with nothing connected to the pins but the harness."""
    everything = np.arange(circuits.shape[0])
    stack = Stack(circuits, [Case(setup, Instrument(1e12), everything) for setup in setups])
    volts = stack.volts(("post", "fuse"))
    amperes = (volts["post"] - volts["fuse"]) / stack.of(circuits.fuse)
    return list(amperes)


def _together(circuits: Circuits, cases: list[Case]) -> list[Seen]:
    seen = _solved(circuits, cases)
    lost = np.any(circuits.reference > LOST_OHM, axis=1)
    if not lost.any():
        return seen
    lost = np.broadcast_to(lost, circuits.shape[:1])
    numbers = [n for n, case in enumerate(cases) if lost[case.rows].any()]
    places = [np.flatnonzero(lost[cases[n].rows]) for n in numbers]
    hanging = [cases[n].some(some) for n, some in zip(numbers, places, strict=True)]
    for n, some, shown in zip(numbers, places, _solved(circuits, hanging, grounded=False), strict=True):
        for field in fields(Seen):
            getattr(seen[n], field.name)[some] = getattr(shown, field.name)
    return seen


def _solved(circuits: Circuits, cases: list[Case], grounded: bool = True) -> list[Seen]:
    """What is read in each case; `grounded`: where the reference lead is good."""
    found: dict[int, Seen] = {}
    hosts = _hosts(cases) if grounded else {}
    forms = [None if n in hosts else c.form for n, c in enumerate(cases)]
    for form in dict.fromkeys(f for f in forms if f is not None):
        numbers = [n for n, f in enumerate(forms) if f == form]
        stack = Stack(circuits, [cases[n] for n in numbers], grounded)
        guests = {n: numbers.index(host) for n, host in hosts.items() if host in numbers}
        seen, batteries = stack.seen(list(guests.values()))
        found.update(zip(numbers, seen, strict=True))
        found.update(zip(guests, batteries, strict=True))
    return [found[n] for n in range(len(cases))]


def _hosts(cases: Sequence[Case]) -> dict[int, int]:
    """For cases that read the battery: a case with all else alike whose leads are on the pins."""
    on_pins = {(c.setup, c.rows.tobytes()): n for n, c in enumerate(cases) if c.setup.at is None}
    keys = {
        n: (replace(c.setup, at=None), c.rows.tobytes())
        for n, c in enumerate(cases)
        if c.setup.at == "source"
    }
    return {n: on_pins[key] for n, key in keys.items() if key in on_pins}
