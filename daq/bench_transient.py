"""Time steps through a circuit: short where something happens, one long step where nothing does.

Method: the two-stage, stiffly accurate, L-stable SDIRK of order 2 (γ = 1 - 1/√2; Alexander 1977, from
memory). Both stages use the same matrix, nothing has to be known about derivatives, so a switch may jump
between two steps, and a stray capacitance of picoseconds is damped at once.

Time is whole microseconds and steps are powers of two of them, so that reduced circuits are found again. A
step is accepted when its middle lies within `PROBE_ERROR_V` of the straight line between its ends, which is
how the front end reads it; the method's own error is far smaller then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from daq.bench_network import Array, Network, NoSolutionError, Reduced, solve_ports
from daq.bench_parts import Positions

GAMMA = 1 - 1 / math.sqrt(2)
SECOND_BASE = (1 - GAMMA) / GAMMA

PROBE_ERROR_V = 0.02  # before the filter; as much as the converter's noise, under half its step
PROBE_ERROR_SHARE = 2e-3  # of the voltage, for kicks of hundreds of volts
STATE_ERROR_V = 0.01
STATE_ERROR_A = 1e-3
STATE_ERROR_SHARE = 5e-3
LAW_ERROR = 5.0  # K: only filaments have a state

FIRST_STEP_US = 64  # after a switch has moved; shortened at once where that is too long
LONGEST_STEP_US = 1 << 14
SETTLING_STEP_US = 1 << 20
SETTLING_US = 100_000_000


@dataclass(frozen=True, slots=True)
class Segment:
    """A straight piece of the probes: from `begin_us` to `end_us`, from `first` to `last` volts."""

    begin_us: int
    end_us: int
    first: Array
    last: Array


@dataclass(frozen=True, slots=True)
class Condition:
    """Everything a circuit remembers at one instant. The arrays are never written to."""

    at_us: int
    result: Array  # states, then probes
    laws: list[float]
    guess: list[float]
    step_us: int
    jumped: bool


@dataclass(frozen=True, slots=True)
class _Stage:
    result: Array  # states, then probes
    laws: list[float]
    guess: list[float]


class Transient:
    """A network in motion. Switches `move` and time is `step`ped, at whole microseconds."""

    def __init__(self, network: Network, positions: Positions) -> None:
        self._network = network
        self._states = network.states
        self._tolerance = np.concatenate(
            [
                network.tolerances(STATE_ERROR_V, STATE_ERROR_A),
                np.full(network.probe_count, PROBE_ERROR_V),
            ]
        )
        self._share = np.concatenate(
            [
                np.full(self._states, STATE_ERROR_SHARE),
                np.full(network.probe_count, PROBE_ERROR_SHARE),
            ]
        )
        self._result = np.zeros(self._states + network.probe_count)
        self._laws = network.law_rest
        self._guess = [0.0] * len(self._laws)
        self._input = np.ones(self._states + 1)
        self._positions = dict(positions)
        self._step_us = FIRST_STEP_US
        self._jumped = True
        self.now_us = 0

    @property
    def condition(self) -> Condition:
        return Condition(self.now_us, self._result, self._laws, self._guess, self._step_us, self._jumped)

    @property
    def probes(self) -> Array:
        """Volts at the probes now."""
        return self._result[self._states :]

    def restore(self, condition: Condition, positions: Positions, at_us: int) -> None:
        """Go on from a remembered condition with these switch positions, at `at_us`."""
        self._result, self._laws, self._guess = condition.result, condition.laws, condition.guess
        self._step_us, self._jumped = condition.step_us, condition.jumped
        self._positions = dict(positions)
        self.now_us = at_us

    def difference(self, a: Condition, b: Condition) -> float:
        """How far apart two conditions are, as a multiple of the error allowed in a step."""
        apart = np.abs(a.result - b.result) / self._tolerance
        laws = [abs(p - q) / LAW_ERROR for p, q in zip(a.laws, b.laws, strict=True)]
        return max(float(apart.max(initial=0.0)), *laws, 0.0)

    def move(self, positions: Positions) -> None:
        """Switches move now."""
        self._positions.update(positions)
        self._jumped = True
        self._step_us = min(self._step_us, FIRST_STEP_US)

    def settle(self) -> None:
        """Leave the circuit alone for a long time (as before anyone clipped on), then call that time zero."""
        while self.now_us < SETTLING_US:
            self._step(SETTLING_US - self.now_us, SETTLING_STEP_US)
        self.now_us = 0
        self._step_us = FIRST_STEP_US

    def step(self, bound_us: int) -> Segment:
        """One step, as long as accuracy allows and never beyond `bound_us`."""
        return self._step(bound_us - self.now_us, LONGEST_STEP_US)

    def _step(self, remaining_us: int, longest_us: int) -> Segment:
        return self._accepted_step(min(self._step_us, longest_us, 1 << (remaining_us.bit_length() - 1)))

    def _accepted_step(self, length: int) -> Segment:
        while True:
            try:
                middle, end, error = self._attempt(length)
            except NoSolutionError:
                if length == 1:
                    raise
                length >>= 1
                continue
            if error <= 1.0 or length == 1:
                break
            length = max(1, length >> max(1, math.ceil(math.log2(min(error, 1e6)) / 2)))
        first = self._first_probes(middle, end)
        begin = self.now_us
        self.now_us += length
        self._result, self._laws, self._guess = end.result, end.laws, end.guess
        self._jumped = False
        self._step_us = length * 2 if error < 0.2 else length
        return Segment(begin, self.now_us, first, end.result[self._states :])

    def _first_probes(self, middle: _Stage, end: _Stage) -> Array:
        """Probes at the beginning of the step: after a jump, back along the line through its two stages."""
        s = self._states
        if not self._jumped:
            return self._result[s:]
        return (middle.result[s:] - GAMMA * end.result[s:]) / (1 - GAMMA)

    def _attempt(self, length: int) -> tuple[_Stage, _Stage, float]:
        """(middle, end, error as a multiple of what is allowed) of one step of `length` µs."""
        form = self._network.reduced(self._positions, length, GAMMA)
        before = self._result
        states = before[: self._states]
        middle = self._stage(form, states, self._laws, self._guess)
        base = states + SECOND_BASE * (middle.result[: self._states] - states)
        laws = [t + SECOND_BASE * (m - t) for t, m in zip(self._laws, middle.laws, strict=True)]
        end = self._stage(form, base, laws, middle.guess)
        off_line = np.abs(middle.result - before - GAMMA * (end.result - before))
        excess = off_line / (self._tolerance + self._share * np.abs(end.result))
        if self._jumped:
            excess = excess[: self._states]
        error = float(excess.max(initial=0.0))
        for t, m, e in zip(self._laws, middle.laws, end.laws, strict=True):
            error = max(error, abs(m - t - GAMMA * (e - t)) / LAW_ERROR)
        return middle, end, error

    def _stage(self, form: Reduced, states: Array, laws: list[float], guess: list[float]) -> _Stage:
        self._input[:-1] = states
        result = form.open.dot(self._input)
        if not form.laws:
            return _Stage(result, laws, guess)
        places = form.law_at
        count = len(places)
        amperes, volts, kept = solve_ports(
            form, result[:count].tolist(), [laws[i] for i in places], [guess[i] for i in places]
        )
        result -= form.ports_in.dot(np.array(amperes))
        new_laws, new_guess = list(laws), list(guess)
        for j, place in enumerate(places):
            new_laws[place], new_guess[place] = kept[j], volts[j]
        return _Stage(result[count:], new_laws, new_guess)
