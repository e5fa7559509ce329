"""The source: battery behind its resistance, charging with ripple, and what starting does to it.

Starting profile: 12 V level I falls to 8 V for 15 ms, then runs at 9.5 V with 2 Vpp; 24 V level III falls
to 6 V for 50 ms, then 10 V (ISO 16750-2 as quoted in generator files; the other levels from memory:
12 V II 4.5/6.5, III 3/5, IV 6/6.5; 24 V I 10/20, II 8/15). Durations are shortened to fit a recording.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.physics.netlist import Netlist, Points

# nominal: (first dip V, plateau V, dip length s)
STARTING_LEVELS: dict[float, tuple[tuple[float, float, float], ...]] = {
    6.0: ((4.0, 4.75, 0.015), (3.3, 4.3, 0.015)),
    12.0: ((8.0, 9.5, 0.015), (4.5, 6.5, 0.015), (3.0, 5.0, 0.015), (6.0, 6.5, 0.015)),
    24.0: ((10.0, 20.0, 0.05), (8.0, 15.0, 0.05), (6.0, 10.0, 0.05)),
}


@dataclass(frozen=True)
class Dip:
    """One start: the source sags from `t_s` for `duration_s`; `lowest_v` at the post."""

    t_s: float
    duration_s: float
    dip_v: float
    plateau_v: float
    dip_s: float
    ripple_v: float
    ripple_hz: float


@dataclass(frozen=True)
class Supply:
    """The source as a circuit.

    Attributes:
        nominal_v: 6, 12 or 24.
        resting_v: at the post without load, at the beginning.
        inner_ohm: battery and its clamps.
        trend: (s, V) to be added, straight lines (charging sets in, slow drain).
        ripple_v, ripple_hz: amplitude of the alternator's ripple.
        spikes: (s, V, s) short pulses on the source (ignition and switching noise).
        dips: starts.
    """

    nominal_v: float
    resting_v: float
    inner_ohm: float = 0.01
    trend: Points = ()
    ripple_v: float = 0.0
    ripple_hz: float = 0.0
    spikes: tuple[tuple[float, float, float], ...] = ()
    dips: tuple[Dip, ...] = ()

    @property
    def fastest_hz(self) -> float:
        """The fastest regular thing in it; 0 for none."""
        return self.ripple_hz if self.ripple_v else 0.0

    def attach(self, net: Netlist, post: str) -> None:
        """Battery positive becomes node `post`; battery negative is node 0."""
        rail, rippled = net.fresh("emf"), net.fresh("emf")
        net.shape(rail, "0", self._shape())
        if self.ripple_v:
            net.sine(rippled, rail, self.ripple_v, self.ripple_hz)
        else:
            rippled = rail
        if self.spikes:
            spiked = net.fresh("emf")
            points: list[tuple[float, float]] = [(0.0, 0.0)]
            for at, volts, width in self.spikes:
                points += [(at, 0.0), (at + width / 4, volts), (at + width, 0.0)]
            net.shape(spiked, rippled, points)
            rippled = spiked
        net.resistor(rippled, post, self.inner_ohm)

    def _shape(self) -> list[tuple[float, float]]:
        grid: list[tuple[float, float]] = [(0.0, 0.0), *[(t, v) for t, v in self.trend if t > 0]]
        times = [t for t, _ in grid]
        added = [v for _, v in grid]
        points = [(t, self.resting_v + v) for t, v in grid]
        for dip in self.dips:
            before = self.resting_v + float(np.interp(dip.t_s, times, added))
            after = self.resting_v + float(np.interp(dip.t_s + dip.duration_s, times, added))
            end = dip.t_s + dip.duration_s
            points = [p for p in points if not dip.t_s <= p[0] <= end]
            points += _sag(dip, before, after)
        return sorted(points)


def _sag(dip: Dip, before: float, after: float) -> list[tuple[float, float]]:
    fall = 0.005
    start, end = dip.t_s + fall, dip.t_s + dip.duration_s
    points = [(dip.t_s, before), (start, dip.dip_v), (start + dip.dip_s, dip.dip_v)]
    run_from, run_to = start + dip.dip_s + 0.05, end - min(0.1, dip.duration_s / 5)
    steps = np.arange(run_from, run_to, 0.1 / dip.ripple_hz)
    for at in steps:
        wave = dip.ripple_v * np.sin(2 * np.pi * dip.ripple_hz * (at - run_from))
        points.append((float(at), dip.plateau_v + float(wave)))
    points += [(run_to, dip.plateau_v), (end, after)]
    return points
