"""Single transients from ngspice, for anything that claims to imitate them.

Each function solves one small circuit (source, feed wire, load, switch, ground wire) and returns both pins
and the current, so that other models of the same load can be laid over it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.physics.loads import Coil, Lamp, Leds, Load, Module, Motor
from tests.physics.netlist import Netlist
from tests.physics.spice import Transient, transient
from tests.physics.switches import Contact, Switch
from tests.physics.timeline import Spans

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Curve:
    """One transient at ngspice's own instants.

    Attributes:
        time_s: s.
        feed_v, ground_v: the load's two pins against battery negative, V.
        amps: current through the feed wire, A.
    """

    time_s: Array
    feed_v: Array
    ground_v: Array
    amps: Array

    @property
    def across_v(self) -> Array:
        return self.feed_v - self.ground_v

    def at(self, times_s: Array) -> Curve:
        """The same transient at other instants."""
        columns = (np.interp(times_s, self.time_s, c) for c in (self.feed_v, self.ground_v, self.amps))
        return Curve(times_s, *columns)


def switching(
    load: Load,
    closed: Spans,
    stop_s: float,
    *,
    side: str = "low",
    source_v: float = 12.0,
    feed_ohm: float = 0.05,
    ground_ohm: float = 0.01,
    switch: Switch | None = None,
    lead_ohm: float = 1.1e6,
    max_step_s: float = 2e-4,
) -> Curve:
    """A load switched on `side` while `closed` says so; both pins carry a lead of `lead_ohm`."""
    net = Netlist()
    net.volts("post", "0", source_v)
    sense = net.volts("post", "sensed", 0.0)
    net.resistor("sensed", "feedend", feed_ohm)
    net.resistor("gndend", "0", ground_ohm)
    high, low = (("feedend", "pinf"), ("ping", "gndend"))
    worked, plain = (low, high) if side == "low" else (high, low)
    (switch or Contact(0.005, arc_v=350.0)).attach(net, *worked, closed)
    net.resistor(*plain, 1e-3)
    load.attach(net, "pinf", "ping")
    for pin in ("pinf", "ping"):
        net.resistor(pin, "0", lead_ohm)
        net.capacitor(pin, "0", 3e-10)
    probes = ("pinf", "ping", f"i({sense})")
    waves = transient(Transient(net.text(), stop_s, max_step_s, probes))
    return Curve(waves.time_s, waves["pinf"], waves["ping"], waves[f"i({sense})"])


def lamp_turn_on(
    rated_v: float = 13.5,
    rated_w: float = 21.0,
    *,
    source_v: float = 12.6,
    feed_ohm: float = 0.05,
    side: str = "low",
    hot_kk: float = 2.7,
    heat_s: float = 0.08,
    on_s: float = 0.01,
    stop_s: float = 0.6,
) -> Curve:
    """A cold filament switched on at `on_s`."""
    lamp = Lamp(rated_v, rated_w, hot_kk, heat_s)
    return switching(
        lamp, ((on_s, math.inf),), stop_s, side=side, source_v=source_v, feed_ohm=feed_ohm, max_step_s=1e-4
    )


def relay_release(
    clamp: str = "diode",
    *,
    ohm: float = 85.0,
    henry: float = 0.2,
    source_v: float = 12.0,
    side: str = "low",
    clamp_ohm: float = 680.0,
    clamp_v: float = 24.0,
    off_s: float = 0.02,
    stop_s: float = 0.08,
    switch: Switch | None = None,
) -> Curve:
    """A relay coil ("none", "diode", "resistor", "zener" across it), on from the start, let go at `off_s`."""
    coil = Coil(ohm, henry, clamp, clamp_ohm, clamp_v)
    return switching(
        coil, ((-1.0, off_s),), stop_s, side=side, source_v=source_v, switch=switch, max_step_s=2e-5
    )


def motor_coast(
    motor: Motor | None = None,
    *,
    source_v: float = 12.6,
    side: str = "high",
    off_s: float = 0.2,
    stop_s: float = 3.0,
) -> Curve:
    """A motor at speed, let go at `off_s`: a step of current times winding resistance, then its EMF."""
    motor = motor or Motor(0.6, 3e-4, 11.0, 2.5, 0.15)
    return switching(motor, ((-1.0, off_s),), stop_s, side=side, source_v=source_v, max_step_s=5e-4)


def motor_run_up(motor: Motor | None = None, *, source_v: float = 12.6, stop_s: float = 1.5) -> Curve:
    """A motor at rest, switched on at 10 ms on its positive side."""
    motor = motor or Motor(0.6, 3e-4, 11.0, 2.5, 0.15)
    return switching(motor, ((0.01, math.inf),), stop_s, side="high", source_v=source_v, max_step_s=5e-4)


def stored_release(
    load: Leds | Module | None = None, *, source_v: float = 12.6, off_s: float = 0.1, stop_s: float = 1.0
) -> Curve:
    """An LED string with its capacitor (or a module), let go on its positive side."""
    load = load or Leds(3, 2.0, 0.02, 300.0, 1, 1e-5)
    return switching(load, ((-1.0, off_s),), stop_s, side="high", source_v=source_v, max_step_s=5e-4)
