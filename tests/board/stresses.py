"""What a vehicle may put on the leads: the standards' pulses and voltages, coils, and mistakes of the user.

Every stress says where its figures come from: "second-hand" was read in a page that quotes the standard,
"from memory" was not checked. Pulses of ISO 7637-2 are added to the supply, with the standard's source
resistance; a load dump's voltage is the whole of it. Both leads are hit at once, which is worse for the
supply than one; but a coil's other pin stays at its feed or ground, and two leads would take the current
that the kick is made of.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

MEMORY = "from memory"
SECOND = "second-hand"
SEEN = "read"
OWN = "own"

SUPPLY_V = {12: 13.5, 24: 27.0}  # while a pulse comes: ISO 7637-2, from memory


@dataclass(frozen=True)
class Stress:
    """One thing that happens to the leads.

    Attributes:
        name, level: for the table.
        standard: number and edition, or where else it comes from.
        source: how that is known.
        lines: elements that drive node `hit`, to which lead 1 is clipped.
        duration_s: of the pulse; None: it lasts, and continuous ratings hold.
        repeat_s: the shortest time between pulses, for the mean power.
        stop_s: what to simulate.
        second: where lead 2 is clipped.
    """

    name: str
    level: str
    standard: str
    source: str
    lines: str
    duration_s: float | None = None
    repeat_s: float = 1.0
    stop_s: float = 0.0
    second: str = "hit"


def _steady(name: str, volts: float, standard: str, source: str) -> Stress:
    return Stress(name, f"{volts:+g} V", standard, source, f"vhit hit 0 {volts}")


def _pulse(
    name: str,
    system: int,
    peak_v: float,
    ohm: float,
    rise_s: float,
    width_s: float,
    repeat_s: float,
    source: str,
) -> Stress:
    points = _decaying(SUPPLY_V[system], peak_v, rise_s, width_s)
    return Stress(
        f"pulse {name}, {system} V",
        f"{peak_v:+g} V, {ohm:g} Ω, {_time(width_s)}",
        "ISO 7637-2:2011",
        source,
        f"vhit behind 0 {_straight_lines(points)}\nrhit behind hit {ohm}",
        width_s,
        repeat_s,
        points[-1][0] * 1.2,
    )


def _load_dump(system: int, peak_v: float, ohm: float, width_s: float) -> Stress:
    base = SUPPLY_V[system]
    points = _decaying(base, peak_v - base, 5e-3, width_s)
    return Stress(
        f"load dump A, {system} V",
        f"{peak_v:+g} V, {ohm:g} Ω, {_time(width_s)}",
        "ISO 16750-2:2010",
        SECOND,
        f"vhit behind 0 {_straight_lines(points)}\nrhit behind hit {ohm}",
        width_s,
        60.0,
        points[-1][0],
    )


def _kick(name: str, side: str, volts: float, coil_ohm: float, henry: float) -> Stress:
    """A coil whose switch opens in a microsecond, 100 pF of winding, and an arc that limits it to 1.5 kV."""
    positive = side == "ground"
    fed_from, other = ("post", "0") if positive else ("0", "post")
    arc = f"v(hit,{other})*(exp(v(opens))+1e-3*max(abs(v(hit,{other}))-1500,0))"
    lines = [
        f"vbattery post 0 {volts}",
        f"rcoil {fed_from} far {coil_ohm}",
        f"lcoil far hit {henry}",
        "cwinding hit 0 100p",
        "vopens opens 0 pwl(0 3 1m 3 1.001m -24.6)",  # ln(siemens): 0.05 ohm to 50 Gohm
        f"bopens hit {other} i={arc}",
    ]
    return Stress(
        f"{name}, switch on the {side} side",
        f"{'+' if positive else '-'}1.5 kV, {_time(henry * volts / coil_ohm / 1500)}",
        "maker's application note (relay coils, 1000 to 1500 V)",
        SEEN,
        "\n".join(lines),
        1e-3,
        0.1,
        6e-3,
        fed_from,
    )


def _decaying(base_v: float, peak_v: float, rise_s: float, width_s: float) -> list[tuple[float, float]]:
    """A straight rise and an exponential fall; `width_s` is from 10 % to 10 % of the peak."""
    tau = width_s / math.log(10.0)
    begin = 2 * rise_s
    points = [(0.0, base_v), (begin, base_v), (begin + rise_s, base_v + peak_v)]
    for n in range(1, 41):
        later = 5 * tau * (n / 40) ** 2
        points.append((begin + rise_s + later, base_v + peak_v * math.exp(-later / tau)))
    return points


def _straight_lines(points: list[tuple[float, float]]) -> str:
    return "pwl(" + " ".join(f"{t:.9g} {v:.6g}" for t, v in points) + ")"


def _time(seconds: float) -> str:
    factor, unit = next(
        (f, u) for f, u in ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns")) if seconds >= f * 0.2
    )
    return f"{seconds / factor:.3g} {unit}"


STEADY = (
    _steady("reversed supply, alternator without fuse (12 V)", -4.0, "ISO 16750-2:2023", SECOND),
    _steady("reversed supply (12 V)", -14.0, "ISO 16750-2:2010", MEMORY),
    _steady("reversed supply (24 V)", -28.0, "ISO 16750-2:2010", MEMORY),
    _steady("long overvoltage (12 V)", 18.0, "ISO 16750-2:2010", MEMORY),
    _steady("jump start (12 V)", 24.0, "ISO 16750-2:2010", MEMORY),
    _steady("long overvoltage (24 V)", 36.0, "ISO 16750-2:2010", MEMORY),
    _steady("top of the span", 40.0, "design figure", OWN),
    _steady("reference lead on positive, leads on ground", -32.0, "highest nominal voltage", OWN),
)

PULSES = (
    _pulse("1", 12, -150.0, 10.0, 1e-6, 2e-3, 0.5, MEMORY),
    _pulse("1", 24, -600.0, 50.0, 3e-6, 1e-3, 0.5, SECOND),
    _pulse("2a", 12, 112.0, 2.0, 1e-6, 50e-6, 0.2, SECOND),
    _pulse("2a", 24, 112.0, 2.0, 1e-6, 50e-6, 0.2, MEMORY),
    _pulse("3a", 12, -220.0, 50.0, 5e-9, 150e-9, 100e-6, MEMORY),
    _pulse("3a", 24, -300.0, 50.0, 5e-9, 150e-9, 100e-6, MEMORY),
    _pulse("3b", 12, 150.0, 50.0, 5e-9, 150e-9, 100e-6, MEMORY),
    _pulse("3b", 24, 300.0, 50.0, 5e-9, 150e-9, 100e-6, MEMORY),
    _load_dump(12, 101.0, 0.5, 0.4),
    _load_dump(24, 202.0, 1.0, 0.35),
    _kick("relay coil 85 Ω 0.2 H, 12 V", "ground", 14.0, 85.0, 0.2),
    _kick("relay coil 85 Ω 0.2 H, 12 V", "positive", 14.0, 85.0, 0.2),
    _kick("solenoid 4 Ω 6 mH, 12 V", "ground", 14.0, 4.0, 6e-3),
    _kick("solenoid 4 Ω 6 mH, 12 V", "positive", 14.0, 4.0, 6e-3),
    _kick("solenoid 8 Ω 12 mH, 24 V", "ground", 28.0, 8.0, 12e-3),
)
