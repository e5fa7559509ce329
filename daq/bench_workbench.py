"""The workbench: a circuit, hands that move its switches, and the voltage behind the logger's filters.

Nothing depends on how far one call runs or when one looks: a step may reach beyond the time asked for and is
taken back when a hand moves something in the middle of it. A pulsed circuit that repeats itself exactly is
no longer calculated but read from its last period, until something else moves.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from daq.bench_drives import Drive, Flicker, Move, Pulse, Set
from daq.bench_front import Pair, Piece, Table, Trail
from daq.bench_loads import EYE, LIGHT
from daq.bench_network import Array
from daq.bench_rig import AWAY, BenchCircuit
from daq.bench_transient import Condition, Transient
from daq.errors import CommandError
from daq.samples import Bias

FAR_US = 1 << 62
WIGGLE = "wiggle"  # a movement of the hand, not a place to stay in
SAME = 0.002  # of the error allowed in a step: 40 µV
SAME_V = 5e-5
WEAK, WORKS = 0.38, 0.8  # of what the load is made for; plausible, no source
LATELY_US = 20_000  # of pulses that do not repeat themselves yet
DIM_K, LIT_K = 1200.0, 2100.0
"""How hot a test light's filament is when its glow is seen by daylight, and when it shines (K): it reaches
2700 K only near its rated voltage. Plausible, no source; in the dark one sees it from 800 K on."""


class Reader(Protocol):
    """Filtered volts of a lead at instants."""

    def volts(self, lead: int, times_us: Array) -> Array: ...


class Cycle:
    """A period that repeats for ever from `origin_us` on."""

    def __init__(self, pieces: list[Piece], origin_us: int, period_us: int) -> None:
        shift = origin_us - period_us
        self.origin_us, self.period_us = origin_us, period_us
        self.pieces = [p._replace(begin_us=p.begin_us - shift, end_us=p.end_us - shift) for p in pieces]
        self._table = Table(self.pieces)

    def volts(self, lead: int, times_us: Array) -> Array:
        return self._table.volts(lead, np.mod(times_us - self.origin_us, self.period_us))

    def piece_at(self, at_us: int) -> tuple[Piece, int]:
        """The piece that covers `at_us`, and when it began then."""
        phase = (at_us - self.origin_us) % self.period_us
        piece = self.pieces[bisect.bisect_right(self.pieces, phase, key=lambda p: p.begin_us) - 1]
        return piece, at_us - (phase - piece.begin_us)


@dataclass(slots=True)
class _Mover:
    """A drive at work on a position: its next move, and those after."""

    drive: Drive
    origin_us: int
    moves: Iterator[Move]
    at_us: int = 0
    value: str = ""

    def turn(self) -> bool:
        """Look at the next move; False when there is none."""
        self.at_us, self.value = next(self.moves, (FAR_US, ""))
        return self.at_us < FAR_US


class Workbench:
    """Operate at whole microseconds that have not been run past, `run`, then `volts` and `forget_before`."""

    def __init__(self, circuit: BenchCircuit, seed: int) -> None:
        self.circuit = circuit
        self.choices = dict(circuit.start)
        self.horizon_us = 0
        self._noise = {
            position: np.random.default_rng([seed, *position.encode()]) for position in _positions(circuit)
        }
        self._positions = {position: _start_value(circuit, position) for position in self._noise}
        self._positions |= {"bias 1": "off", "bias 2": "off"}
        network = circuit.network()
        self._bulb = network.law_of(LIGHT)
        self._eye = network.state_from(EYE)
        self.transient = Transient(network, self._positions)
        self.transient.settle()
        self._movers: dict[str, _Mover] = {}
        one, two = self.transient.probes.tolist()
        self._trail = Trail((one, two))
        self._spans: list[tuple[int, Reader]] = [(0, self._trail)]
        self._cycle: Cycle | None = None
        self._cycle_start: tuple[int, Condition, Pair] | None = None
        for what, to in circuit.start.items():
            self._start_drives([d for d in circuit.controls[what][to] if isinstance(d, Flicker)], 0)

    @property
    def repeats(self) -> bool:
        """Whether a pulsed circuit has come to repeat itself, and is only read."""
        return self._cycle is not None

    @property
    def light(self) -> str:
        """How the test light looks now: "lit", "dim", "dark"; "" while it is away."""
        if self._positions["light"] == AWAY:
            return ""
        return "dark" if self.bulb_k < DIM_K else "dim" if self.bulb_k < LIT_K else "lit"

    @property
    def load(self) -> str:
        """What the load does now, as far as one sees or hears it: "works", "weak", "dead". Of pulses it is
        what it does in each: a lamp dimmed on purpose works."""
        pieces = self._cycle.pieces if self._cycle else self._trail.since(self.horizon_us - LATELY_US)
        lately = [*(p.condition for p in pieces), self.transient.condition]
        share = max(abs(float(c.result[self._eye])) for c in lately) / self.circuit.eye_v
        return "works" if share > WORKS else "weak" if share > WEAK else "dead"

    @property
    def load_alone(self) -> str:
        """What it would do unplugged, fed straight from the battery: nothing where it is broken itself."""
        truth = self.circuit.truth
        broken = truth.place == "load" and self.choices.get("fault") != "off"
        return "dead" if broken else "works"

    @property
    def bulb_k(self) -> float:
        """Temperature of the test light's filament, K."""
        return self.transient.condition.laws[self._bulb]

    def operate(self, what: str, to: str, at_us: int) -> None:
        """A hand moves a control at `at_us`, not before `horizon_us`; CommandError for what is not there."""
        check_operation(self.circuit, what, to)
        if to == WIGGLE:
            if self.choices[what] == "off":
                return  # a clip that hangs in the air has nothing to wiggle on
        elif to == self.choices[what]:
            return  # it is there already: no hand lifts it
        else:
            self.choices[what] = to
        self._start_drives(self.circuit.controls[what][to], at_us)

    def set_bias(self, bias: tuple[Bias, Bias], at_us: int) -> None:
        """The logger puts a bias on its leads at `at_us`."""
        for number, kind in enumerate(bias, start=1):
            drive = Set(f"bias {number}", kind.name.lower())
            self._movers[drive.position] = _mover(drive, at_us, iter([(at_us, drive.value)]))

    def run(self, until_us: int) -> None:
        """Calculate everything before `until_us`."""
        while True:
            event_us = self._next_event_us()
            if self._cycle is not None:
                if event_us > until_us:
                    break
                self._leave_cycle(event_us)
            elif event_us < self.transient.now_us:
                self._rewind()
            elif event_us == self.transient.now_us:
                self._apply(event_us)
            elif self.transient.now_us >= until_us:
                break
            else:
                before = self.transient.condition
                self._trail.follow(self.transient.step(event_us), before)
        self.horizon_us = until_us

    def volts(self, lead: int, times_us: Array) -> Array:
        """Filtered volts of lead index 0 or 1 at rising instants (µs) before the horizon, not forgotten."""
        if len(self._spans) == 1:
            return self._spans[0][1].volts(lead, times_us)
        cuts = np.searchsorted(times_us, [begin for begin, _ in self._spans[1:]])
        parts = np.split(times_us, cuts)
        return np.concatenate(
            [reader.volts(lead, p) for (_, reader), p in zip(self._spans, parts, strict=True) if len(p)]
            or [np.empty(0)]
        )

    def forget_before(self, at_us: float) -> None:
        """Nobody will ask for volts before `at_us` any more."""
        while len(self._spans) > 1 and self._spans[1][0] <= at_us:
            self._spans.pop(0)
        keep = min(at_us, self._cycle_start[0]) if self._cycle_start else at_us
        self._trail.forget_before(min(keep, self.horizon_us))

    def _start_drives(self, drives: Iterable[Drive], at_us: int) -> None:
        for drive in drives:
            moves = drive.moves(at_us, self._noise[drive.position])
            self._movers[drive.position] = _mover(drive, at_us, moves)

    def _next_event_us(self) -> int:
        """When the next switch moves; a repeating pulse train does not count while it only repeats."""
        return min(
            (
                mover.at_us
                for mover in self._movers.values()
                if self._cycle is None or not isinstance(mover.drive, Pulse)
            ),
            default=FAR_US,
        )

    def _apply(self, now_us: int) -> None:
        changed: dict[str, str] = {}
        for position, mover in list(self._movers.items()):
            while mover.at_us == now_us:
                if isinstance(mover.drive, Pulse):
                    if (now_us - mover.origin_us) % mover.drive.period_us == 0:
                        self._period_begins(mover, now_us)
                elif mover.value != self._positions[position]:
                    self._cycle_start = None
                if mover.value != self._positions[position]:
                    changed[position] = self._positions[position] = mover.value
                if not mover.turn():
                    del self._movers[position]
        if changed:
            self.transient.move(changed)

    def _period_begins(self, mover: _Mover, now_us: int) -> None:
        """Compare with the beginning of the period before; go over to repeating when nothing differs."""
        now = self.transient.condition
        before = self._cycle_start
        self._cycle_start = (now_us, now, self._trail.filtered)
        if before is None or any(m.at_us == now_us and m is not mover for m in self._movers.values()):
            return
        begin_us, condition, filtered = before
        moved_v = max(abs(a - b) for a, b in zip(filtered, self._trail.filtered, strict=True))
        if self.transient.difference(now, condition) > SAME or moved_v > SAME_V:
            return
        self._cycle = Cycle(self._trail.since(begin_us), now_us, now_us - begin_us)
        self._spans.append((now_us, self._cycle))

    def _leave_cycle(self, at_us: int) -> None:
        """Something moves at `at_us`: calculate again from the piece of the period that covers it."""
        assert self._cycle is not None
        piece, begin_us = self._cycle.piece_at(at_us)
        for position, mover in self._movers.items():
            if isinstance(mover.drive, Pulse):
                phase_us = (begin_us - mover.origin_us) % mover.drive.period_us
                self._positions[position] = mover.drive.value_at(phase_us)
                mover.moves = mover.drive.moves_after(mover.origin_us, at_us)
                mover.turn()
        self.transient.restore(piece.condition, self._positions, begin_us)
        self._cycle = self._cycle_start = None
        self._trail = Trail(piece.filtered)
        self._spans.append((at_us, self._trail))

    def _rewind(self) -> None:
        """Take the last step back: something moves inside it."""
        piece = self._trail.take_back()
        self.transient.restore(piece.condition, self._positions, piece.begin_us)


def check_operation(circuit: BenchCircuit, what: str, to: str) -> None:
    """CommandError when the circuit has no such control, or the control no such place."""
    choices = circuit.controls.get(what)
    if choices is None:
        known = ", ".join(circuit.controls)
        raise CommandError(f"This bench has no {what!r} to move: choose one of {known}.")
    if to not in choices:
        raise CommandError(f"On this bench {what} cannot go to {to!r}: choose {', '.join(choices)}.")


def _mover(drive: Drive, at_us: int, moves: Iterator[Move]) -> _Mover:
    mover = _Mover(drive, at_us, moves)
    mover.turn()
    return mover


def _positions(circuit: BenchCircuit) -> list[str]:
    return sorted(
        {d.position for choices in circuit.controls.values() for drives in choices.values() for d in drives}
    )


def _start_value(circuit: BenchCircuit, position: str) -> str:
    values = [
        _resting(drive)
        for what, to in circuit.start.items()
        for drive in circuit.controls[what][to]
        if drive.position == position
    ]
    return values[0]


def _resting(drive: Drive) -> str:
    if isinstance(drive, Set):
        return drive.value
    return drive.good if isinstance(drive, Flicker) else drive.low
