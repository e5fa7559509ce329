"""A circuit of parts, reduced to what changes: states, non-linear ports and probes.

For given switch positions and one step length everything linear is eliminated beforehand, so that a step
costs two small matrix products and a Newton iteration over the few parts that are not linear (the "nodal K
method" of virtual analogue audio; Yeh, Abel & Smith 2010, from memory). The reduced forms are kept, because
a bench returns to the same few positions and step lengths for ever.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.bench_parts import (
    AnyPart,
    Capacitor,
    Inductor,
    Law,
    Part,
    Positions,
    Resistor,
    Source,
)

Array = npt.NDArray[np.float64]

GROUND = "0"
LEAK_S = 1e-10
"""From every node to ground, so that what is connected to nothing has a voltage; 1e4 times below a lead."""

NEWTON_LIMIT = 200
SETTLED_V = 1e-7
ROUNDING = 1e-15  # some units in the last place of a double


class NoSolutionError(ArithmeticError):
    """A step did not converge; the caller takes a shorter one."""


@dataclass(frozen=True, slots=True)
class Reduced:
    """One implicit step: ``[ports, states, probes] = open @ [states, 1] - ports_in @ currents``.

    Attributes:
        open: (k + s + p, s + 1), with all non-linear parts taken out.
        ports_in: (k + s + p, k), volts (or amperes) per ampere through each non-linear part.
        laws: the k laws present, and `law_at` their places among all laws of the network.
        step_s: length of the implicit step.
    """

    open: Array
    ports_in: Array
    impedance: list[list[float]]
    laws: tuple[Law, ...]
    law_at: tuple[int, ...]
    step_s: float


class Network:
    """Parts, and probes as (node, node) pairs whose voltage is wanted."""

    def __init__(self, parts: Sequence[AnyPart], probes: Sequence[tuple[str, str]]) -> None:
        self._parts = tuple(parts)
        self._probes = tuple(probes)
        self._memories = tuple(p for p in parts if isinstance(p, Capacitor | Inductor))
        self._devices = tuple(p for p in parts if isinstance(p, Part))
        names = sorted({n for p in parts for n in (p.a, p.b)} | {n for pair in probes for n in pair})
        self._node = {name: i for i, name in enumerate(n for n in names if n != GROUND)}
        self._switches = tuple(sorted({w.position for w in (getattr(p, "when", None) for p in parts) if w}))
        self._kept: dict[tuple[tuple[str, ...], int], Reduced] = {}

    @property
    def states(self) -> int:
        """How many capacitors and inductors there are."""
        return len(self._memories)

    @property
    def probe_count(self) -> int:
        return len(self._probes)

    @property
    def switches(self) -> tuple[str, ...]:
        """Names of the positions that parts depend on."""
        return self._switches

    def law_of(self, ends: tuple[str, str]) -> int:
        """The place, among all laws, of the non-linear part between two nodes."""
        return next(i for i, d in enumerate(self._devices) if (d.a, d.b) == ends)

    def state_from(self, a: str) -> int:
        """The place, among all states, of the capacitor or inductor that begins at a node."""
        return next(i for i, m in enumerate(self._memories) if m.a == a)

    @property
    def law_rest(self) -> list[float]:
        return [d.law.rest for d in self._devices]

    def tolerances(self, volt: float, ampere: float) -> Array:
        """Allowed error per state: volts for capacitors (none for strays), amperes for inductors."""
        return np.array(
            [ampere if isinstance(m, Inductor) else (np.inf if m.stray else volt) for m in self._memories]
        )

    def reduced(self, positions: Positions, step_us: int, share: float) -> Reduced:
        """The form for an implicit step of `share` * `step_us`."""
        key = (tuple(positions[s] for s in self._switches), step_us)
        found = self._kept.get(key)
        if found is None:
            found = self._kept[key] = self._reduce(positions, share * step_us * 1e-6)
        return found

    def _reduce(self, positions: Positions, step_s: float) -> Reduced:
        present = [i for i, d in enumerate(self._devices) if d.when is None or d.when.holds(positions)]
        devices = [self._devices[i] for i in present]
        s, k = self.states, len(present)
        joined = np.zeros((len(self._node) + 1, len(self._node) + 1))  # the last node is ground
        joined[:-1, -1] = joined[-1, :-1] = LEAK_S
        drive = np.zeros((len(self._node), s + 1 + k))
        for part in self._parts:
            if isinstance(part, Resistor | Source) and (part.when is None or part.when.holds(positions)):
                self._join(joined, part, 1 / part.ohm)
                if isinstance(part, Source):
                    drive[:, s] += self._between(part.a, part.b) * (part.volt / part.ohm)
        for j, memory in enumerate(self._memories):
            siemens = _siemens(memory, step_s)
            self._join(joined, memory, siemens)
            into = siemens if isinstance(memory, Capacitor) else -1.0
            drive[:, j] = self._between(memory.a, memory.b) * into
        for j, device in enumerate(devices):
            drive[:, s + 1 + j] = -self._between(device.a, device.b)
        nodes = _node_voltages(joined, drive)
        rows = [self._between(d.a, d.b) @ nodes for d in devices]
        rows += [self._memory_row(m, j, nodes, step_s) for j, m in enumerate(self._memories)]
        rows += [self._between(a, b) @ nodes for a, b in self._probes]
        table = np.array(rows).reshape(k + s + len(self._probes), s + 1 + k)
        inward = -table[:, s + 1 :]
        return Reduced(
            np.ascontiguousarray(table[:, : s + 1]),
            np.ascontiguousarray(inward),
            inward[:k].tolist(),
            tuple(d.law for d in devices),
            tuple(present),
            step_s,
        )

    def _join(self, joined: Array, part: AnyPart, siemens: float) -> None:
        a, b = self._node.get(part.a, -1), self._node.get(part.b, -1)
        joined[a, b] += siemens
        joined[b, a] += siemens

    def _memory_row(self, memory: Capacitor | Inductor, column: int, nodes: Array, step_s: float) -> Array:
        row: Array = self._between(memory.a, memory.b) @ nodes
        if isinstance(memory, Inductor):
            row = row * _siemens(memory, step_s)
            row[column] += 1.0
        return row

    def _between(self, a: str, b: str) -> Array:
        across = np.zeros(len(self._node))
        if a != GROUND:
            across[self._node[a]] += 1.0
        if b != GROUND:
            across[self._node[b]] -= 1.0
        return across


def _siemens(memory: Capacitor | Inductor, step_s: float) -> float:
    """The conductance a capacitor or an inductor shows to an implicit step."""
    return memory.farad / step_s if isinstance(memory, Capacitor) else step_s / memory.henry


def _node_voltages(joined: Array, drive: Array) -> Array:
    """Voltages of all nodes but the last (ground), for every column of injected currents.

    Nodes are eliminated star to mesh with sums of conductances only (Grassmann, Taha & Heyman 1985, from
    memory): nothing is subtracted, so 1e4 S beside 1e-10 S loses nothing where ordinary elimination calls
    the matrix singular.
    """
    joined, volts = joined.copy(), drive.copy()
    count = len(volts)
    for node in range(count):
        later = slice(node + 1, None)
        total = joined[node, later].sum()
        share = joined[node, later] / total
        joined[later, later] += np.outer(joined[later, node], share)
        volts[node + 1 :] += np.outer(share[:-1], volts[node])
        volts[node] /= total
        joined[node, later] = share
    for node in reversed(range(count)):
        volts[node] += joined[node, node + 1 : count] @ volts[node + 1 :]
    return volts


def solve_ports(
    form: Reduced, open_v: list[float], bases: Sequence[float], guess: Sequence[float]
) -> tuple[list[float], list[float], list[float]]:
    """(amperes, volts, law states) of the non-linear parts, with ``v = open_v - Z i(v)`` to SETTLED_V.

    Newton from `guess`, each part damping its own steps; raises NoSolutionError when that does not settle.
    """
    if len(open_v) == 1:
        return _solve_port(form, open_v[0], bases[0], guess[0])
    volts = list(guess)
    ports = range(len(volts))
    for _ in range(NEWTON_LIMIT):
        answers = [form.laws[j].current(volts[j], bases[j], form.step_s) for j in ports]
        miss = [
            volts[j] - open_v[j] + sum(z * a[0] for z, a in zip(form.impedance[j], answers, strict=True))
            for j in ports
        ]
        wanted = _newton(form.impedance, [a[1] for a in answers], miss)
        moved = 0.0
        for j in ports:
            volt = form.laws[j].limited(volts[j] - wanted[j], volts[j])
            moved = max(moved, abs(volt - volts[j]), abs(wanted[j]))
            volts[j] = volt
        if moved < SETTLED_V or moved < _rounding(form, answers):
            # Along the tangent, so that current and voltage fit together where a port sees megaohms.
            amperes = [a[0] - a[1] * w for a, w in zip(answers, wanted, strict=True)]
            return amperes, volts, [a[2] for a in answers]
    raise NoSolutionError


def _rounding(form: Reduced, answers: Sequence[tuple[float, float, float]]) -> float:
    """How well voltages can be told, V: where an island hangs on gigaohms, what a whole lamp's current would
    make there is added and taken off again."""
    return ROUNDING * max(
        sum(abs(z * a[0]) for z, a in zip(row, answers, strict=True)) for row in form.impedance
    )


def _solve_port(
    form: Reduced, open_v: float, base: float, volt: float
) -> tuple[list[float], list[float], list[float]]:
    """The same for a single port, which most circuits have at a time; four times as fast."""
    law, ohm = form.laws[0], form.impedance[0][0]
    for _ in range(NEWTON_LIMIT):
        ampere, slope, state = law.current(volt, base, form.step_s)
        wanted = (volt - open_v + ohm * ampere) / (1 + ohm * slope)
        moved = law.limited(volt - wanted, volt) - volt
        volt += moved
        if abs(moved) < SETTLED_V and abs(wanted) < SETTLED_V:
            return [ampere - slope * wanted], [volt], [state]
    raise NoSolutionError


def _newton(impedance: list[list[float]], slopes: list[float], miss: list[float]) -> list[float]:
    """Solves ``(1 + Z diag(slopes)) x = miss`` by elimination; there are two to four unknowns."""
    count = len(miss)
    rows = [[z * g for z, g in zip(row, slopes, strict=True)] for row in impedance]
    right = list(miss)
    for i in range(count):
        rows[i][i] += 1.0
    for i in range(count):
        pivot = rows[i]
        for below in range(i + 1, count):
            row = rows[below]
            factor = row[i] / pivot[i]
            if factor:
                for j in range(i + 1, count):
                    row[j] -= factor * pivot[j]
                right[below] -= factor * right[i]
    for i in reversed(range(count)):
        row = rows[i]
        for j in range(i + 1, count):
            right[i] -= row[j] * right[j]
        right[i] /= row[i]
    return right
