"""Every part of the board held to its ratings while a stress goes over it.

ngspice gives every node's voltage and the semiconductors' currents; what a rating is about (voltage,
current, energy of a pulse, mean power) is worked out from them, part by part, as a share of the rating.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.board.bench import REFERENCE
from tests.board.circuit import BIASES, State, netlist, node
from tests.board.parts import Design, Part
from tests.board.stresses import PULSES, STEADY, Stress
from tests.physics.spice import Transient, UnsolvedError, operating_points, transients

Array = npt.NDArray[np.float64]
LONG_S = 0.1  # above, a pulse is an overload and not an energy
OVERLOAD = 6.25


@dataclass(frozen=True)
class Share:
    """How much of a rating is used."""

    part: str
    rating: str
    value: float
    limit: float

    @property
    def used(self) -> float:
        return self.value / self.limit


@dataclass(frozen=True)
class Case:
    """A stress with the board in some state."""

    stress: Stress
    state: State

    @property
    def name(self) -> str:
        if self.state.supply_v is None:
            return "no power"
        return f"bias {self.state.bias[0]}"


@dataclass(frozen=True)
class Seen:
    """What ngspice answered: one row per instant (a single one when steady)."""

    time_s: Array
    probes: Mapping[str, Array]

    def volts(self, a: str, b: str) -> Array:
        return self.probes[node(a)] - self.probes[node(b)]

    def ampere(self, part: Part) -> Array:
        return self.probes[f"i(v{part.ref.lower()})"]

    def energy_j(self, watt: Array) -> float:
        return float(np.trapezoid(watt, self.time_s))


def cases(stresses: tuple[Stress, ...], plan: Design) -> list[Case]:
    """Every bias, lead 1 in the near-zero range and lead 2 in the full span; and the board without power."""
    states = [State(bias=(b, b), near=(True, False), ammeters=True, plan=plan) for b in BIASES]
    states.append(State(supply_v=None, ammeters=True, plan=plan))
    return [Case(stress, state) for stress in stresses for state in states]


def circuit_of(case: Case) -> str:
    clips = f"rclip1 hit tip1 0.1\nrclip2 {case.stress.second} tip2 0.1"
    return f"{netlist(case.state)}\n{clips}\n{REFERENCE}\n{case.stress.lines}"


def probes_of(plan: Design) -> tuple[str, ...]:
    semiconductors = [p for p in plan.parts.values() if p.ref[0] in "DQZ"]
    return (*(node(net) for net in plan.nets()), *(f"i(v{p.ref.lower()})" for p in semiconductors))


def steady_shares(plan: Design) -> list[tuple[Case, list[Share]]]:
    """Every steady stress in every state; one ngspice process per state."""
    probes, answers = probes_of(plan), []
    by_state = {(*case.state.bias, case.state.supply_v): case for case in cases(STEADY[:1], plan)}
    for case in by_state.values():
        settings = [{"vhit": float(s.level.split()[0])} for s in STEADY]
        found = operating_points(circuit_of(case), probes, settings)
        for stress, row in zip(STEADY, found, strict=True):
            seen = Seen(np.zeros(1), {p: np.array([v]) for p, v in zip(probes, row, strict=True)})
            answers.append((Case(stress, case.state), shares(plan, stress, seen)))
    return answers


def pulse_shares(plan: Design, stresses: tuple[Stress, ...] = PULSES) -> list[tuple[Case, list[Share]]]:
    """Every pulse in every state; raises UnsolvedError when ngspice gives one up."""
    everything, probes = cases(stresses, plan), probes_of(plan)
    runs = [Transient(circuit_of(c), c.stress.stop_s, c.stress.stop_s / 200, probes) for c in everything]
    answers = []
    for case, waves in zip(everything, transients(runs), strict=True):
        if isinstance(waves, UnsolvedError):
            raise waves
        seen = Seen(waves.time_s, {p: waves[p] for p in probes})
        answers.append((case, shares(plan, case.stress, seen)))
    return answers


def shares(plan: Design, stress: Stress, seen: Seen) -> list[Share]:
    """All ratings of all parts."""
    found: list[Share] = []
    for part in plan.parts.values():
        kind = part.kind.name
        if part.ref[0] == "R":
            found += _resistor(part, stress, seen)
        elif part.ref[0] == "C":
            found.append(_most(part, "voltage, V", abs(seen.volts(*part.ends)), part.kind["volts"]))
        elif part.ref[0] == "D":
            found.append(_most(part, "reverse voltage, V", -seen.volts(*part.ends), part.kind["reverse_v"]))
            found.append(_most(part, "forward current, A", seen.ampere(part), part.kind["forward_a"]))
        elif part.ref[0] == "Q":
            found += _transistor(part, stress, seen)
        elif kind == "suppressor":
            found += _suppressor(part, stress, seen)
        elif kind.startswith("fuse"):
            found += _fuse(part, stress, seen)
        elif kind == "op_amp":
            found += _amplifier(plan, part, seen)
        elif kind == "board":
            found += _chip(part, seen)
    return found


def _most(part: Part, rating: str, values: Array, limit: float) -> Share:
    return Share(part.ref, rating, max(float(values.max()), 0.0), limit)


def _resistor(part: Part, stress: Stress, seen: Seen) -> list[Share]:
    across = abs(seen.volts(*part.ends))
    watt, kind = across**2 / part.ohm, part.kind
    if stress.duration_s is None:
        return [
            _most(part, "voltage, V", across, kind["volts"]),
            _most(part, "power, W", watt, kind["power_w"]),
        ]
    energy = seen.energy_j(watt)
    overload = OVERLOAD * kind["power_w"] * stress.duration_s
    return [
        _most(part, "pulse voltage, V", across, kind["overload_v"]),
        Share(
            part.ref, "pulse energy, J", energy, kind["pulse_j"] if stress.duration_s < LONG_S else overload
        ),
        Share(part.ref, "mean power, W", energy / max(stress.repeat_s, seen.time_s[-1]), kind["power_w"]),
    ]


def _transistor(part: Part, stress: Stress, seen: Seen) -> list[Share]:
    across, current = seen.volts(part.pins["C"], part.pins["E"]), seen.ampere(part)
    sign = 1.0 if part.kind.name.startswith("npn") else -1.0
    kind, watt = part.kind, abs(across * current)
    found = [
        _most(part, "collector voltage, V", sign * across, kind["collector_v"]),
        _most(
            part, "reversed collector voltage, V", -sign * across, 5.0
        ),  # as an emitter junction: 5 V at least
        _most(part, "collector current, A", abs(current), kind["collector_a"]),
    ]
    if stress.duration_s is None:
        return [*found, _most(part, "power, W", watt, kind["power_w"])]
    most = kind["pulse_j"] if stress.duration_s < LONG_S else kind["power_w"] * stress.duration_s
    return [*found, Share(part.ref, "pulse energy, J", seen.energy_j(watt), most)]


def _suppressor(part: Part, stress: Stress, seen: Seen) -> list[Share]:
    across, current = seen.volts(*part.ends), seen.ampere(part)
    if stress.duration_s is None:
        return [_most(part, "stand-off voltage, V", abs(across), part.kind["volts"])]
    return [
        _most(part, "clamping voltage, V", abs(across), part.kind["clamp_v"]),
        _most(part, "pulse current, A", abs(current), part.kind["pulse_a"]),
        Share(part.ref, "pulse energy, J", seen.energy_j(abs(across * current)), part.kind["pulse_j"]),
    ]


def _fuse(part: Part, stress: Stress, seen: Seen) -> list[Share]:
    current = abs(seen.volts(*part.ends)) / part.kind["cold_ohm"]
    if stress.duration_s is None:
        return [_most(part, "current, A", current, part.kind["ampere"])]
    return [Share(part.ref, "melting integral, A²s", seen.energy_j(current**2), part.kind["melting_a2s"])]


def _amplifier(plan: Design, part: Part, seen: Seen) -> list[Share]:
    """An input may leave the rails by 0.3 V, or further with no more than 2 mA into it."""
    found = []
    for lead in (1, 2):
        for pin, through in ((f"PLUS{lead}", plan.parts[f"R{lead}11"]), (f"MINUS{lead}", None)):
            beyond = np.maximum(seen.volts(pin, "V5"), -seen.volts(pin, "GND"))
            within = _most(part, f"{pin} beyond the rails, V", beyond, part.kind["beyond_rail_v"])
            if within.used > 1 and through is not None:
                current = abs(seen.volts(*through.ends)) / through.ohm
                within = _most(part, f"current into {pin}, A", current, part.kind["input_a"])
            found.append(within)
    return found


def _chip(part: Part, seen: Seen) -> list[Share]:
    found = [_most(part, "supply, V", seen.volts("V5", "GND"), part.kind["supply_v"])]
    for pin, net in part.pins.items():
        if pin.startswith("P"):
            beyond = np.maximum(seen.volts(net, "V5"), -seen.volts(net, "GND"))
            found.append(_most(part, f"{pin} beyond the rails, V", beyond, part.kind["beyond_rail_v"]))
    return found


def hardest(found: list[Share]) -> Share:
    return max(found, key=lambda share: share.used)
