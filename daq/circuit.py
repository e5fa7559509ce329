"""The circuit around a two-pin load, and how things may stand while it is read.

    emf - post - fuse - rail -[high switch]- hi - P -pin- p -load- n - N - lo -[low switch]- K - G - neg

`post` is battery positive, `fuse` the fuse's load side, `rail` the end of the feed wire, `P` and `N` the
connector's terminals in the harness (feed side and ground side: that is where the leads are), `K` the ground
wire's end, `G` the ground point where neighbours may join, `neg` battery negative. A circuit has the switch
that its side says; the other one is a plain connection. A reversing bridge has two more branches, rail to lo
and hi to K. `tip 1`, `tip 2`, `M` are the two leads and the reference lead: pins and neg, unless one is lost.

All quantities are arrays (explanations, draws), or broadcast to that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

NOTHING_S = 1e-13  # what is left across a gap
LOGIC_V = 5.0


@dataclass(frozen=True, slots=True)
class Instrument:
    """What reads: input resistance of each lead, ohm."""

    input_ohm: float = 1e7


@dataclass(frozen=True, slots=True)
class Light:
    """A test light from a battery post to a pin."""

    pole: str  # "positive" or "negative"
    pin: str  # "feed" or "ground"


@dataclass(frozen=True, slots=True)
class Setup:
    """How things stand while something is read. `pin` names are "feed" and "ground"."""

    plugged: bool = True
    control: str = "off"  # "off", "on", "other"
    key: str | None = None  # "off", "on"; None: as it happens to be
    neighbour_off: bool = False
    bias: tuple[str | None, str | None] = (None, None)  # feed pin, ground pin: None, "up", "down", "whisper"
    light: Light | None = None
    jumper: Light | None = None  # a fused jumper from that post to that pin
    substitute: bool = False  # a lamp of SUBSTITUTE_W between the pins, the load unplugged
    at: str | None = None  # one meter lead on a place of readings.At; no lead on the pins
    work: bool = False  # what the load does is looked at
    alone: bool = False  # with the load unplugged and fed straight from the battery


@dataclass(frozen=True, slots=True)
class Circuits:
    """Resistances in ohm, conductances in siemens, volts; (explanations, draws) or broadcasting to it."""

    emf: Array
    moved: Array  # factor on `emf` while the control is on
    fuse: Array
    feed: Array
    high_wire: Array
    pin: Array
    low_wire: Array
    ground_wire: Array
    ground_point: Array
    high_off: Array  # the four switch branches in the three positions of the control
    high_on: Array
    high_other: Array
    low_off: Array
    low_on: Array
    low_other: Array
    cross_high_off: Array  # rail to lo
    cross_high_on: Array
    cross_high_other: Array
    cross_low_off: Array  # hi to K
    cross_low_on: Array
    cross_low_other: Array
    load_s: Array  # series part of the load
    filament_s: Array  # 0 where the load is no filament; else its hot conductance
    led_v: Array  # 0 where the load is no LED string; else its forward voltage at led_a
    led_a: Array
    load_does: Array  # of its work: 1, or 0 where it is open or shorted in itself; one that is worn, a share
    weak_on_purpose: Mask  # a step or pulses: nobody knows whether weak is what it should be
    saturation_v: Array  # 0 where the switch does not saturate; else its drop at saturation_a
    saturation_a: Array
    high_saturated: Mask
    low_saturated: Mask
    high_up: Array  # test currents: hi to rail, hi to neg, hi to 5 V; lo to rail, lo to K, lo to 5 V
    high_down: Array
    high_logic: Array
    low_up: Array
    low_down: Array
    low_logic: Array
    short_feed: Array  # rail to neg
    high_ground: Array  # P to neg
    high_power: Array  # P to post
    low_ground: Array  # N to neg
    low_power: Array  # N to post
    neighbour_feed: Array  # rail to neg
    neighbour_ground: Array  # post to G
    keyed: Mask  # the feed comes through the key
    asleep: Mask  # and the key is off where nobody says how it is
    tip_feed: Array  # ohm between pin and lead
    tip_ground: Array
    reference: Array  # ohm between battery negative and the reference lead
    duty: Array  # share of time on while on; 1 where not pulsed
    switch_low: Mask  # the switch that has a place is on the ground side
    light_led: Mask  # the test light has LEDs
    system_v: Array  # rated voltage of lamps
    fuse_a: Array
    bias_ohm: Array

    def chosen(self, rows: npt.NDArray[np.intp]) -> Circuits:
        """The explanations `rows` alone."""
        return self._each(lambda values: values[rows] if values.shape[0] > 1 else values)

    def drawn(self, rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp]) -> Circuits:
        """For each of `rows` (n,) the draws `columns` (n, d)."""

        def one(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
            row = rows[:, None] if values.shape[0] > 1 else np.zeros((1, 1), dtype=np.intp)
            found: npt.NDArray[Any] = values[row, columns if values.shape[1] > 1 else 0]
            return found

        return self._each(one)

    def replaced(self, rows: npt.NDArray[np.intp], others: Circuits) -> Circuits:
        """These circuits with `others` in place of the explanations `rows`."""

        def mixed(name: str) -> npt.NDArray[Any]:
            mine: npt.NDArray[Any] = getattr(self, name)
            new: npt.NDArray[Any] = getattr(others, name)
            if mine.size == new.size == 1 and mine.item() == new.item():
                return mine  # still alike in all
            found = np.array(np.broadcast_to(mine, self.shape))
            found[rows] = new
            return found

        return Circuits(**{f.name: mixed(f.name) for f in fields(self)})

    def _each(self, take: Callable[[npt.NDArray[Any]], npt.NDArray[Any]]) -> Circuits:
        return Circuits(**{f.name: take(getattr(self, f.name)) for f in fields(self)})

    @property
    def shape(self) -> tuple[int, ...]:
        return np.broadcast_shapes(self.emf.shape, self.load_s.shape, self.switch_low.shape)
