"""The bench: a simulated circuit and logger, for trial, practice and tests.

    circuit -> front end -> simulated logger -> bytes -> the real host link -> Block | Gap | Change

Everything happens in the bench's own time, so a run is the same whether it is paced or not and however it
is read. The bench knows physics and the wire; it knows nothing of the analysis it is there to test.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from daq.bench_catalog import CATALOG, find
from daq.bench_device import SimulatedLogger
from daq.bench_line import Line, PerfectLine
from daq.bench_rig import BenchCircuit
from daq.bench_workbench import Workbench, check_operation
from daq.logger_link import LoggerLink
from daq.samples import DeviceInfo, Item
from daq.source import Capability, Command, Operate, SetBias, SetRate

TICK_US = 1 << 14
"""Hands and commands take effect on this grid, 61 times a second: too fine to be felt, and cheap."""

LATE_S = 0.5
"""A paced bench that falls this far behind (the computer slept) goes on from there instead of rushing."""

BAUD = 500_000
DEFAULT_RATE_HZ = 4000.0
PORT = "bench"

Script = Sequence[tuple[float, Command]]


def benches() -> tuple[BenchCircuit, ...]:
    """Every circuit there is, in the order to show them."""
    return CATALOG


class BenchSource:
    """A SampleSource whose circuit can be operated.

    Args:
        name: of the circuit; CommandError when there is none.
        rate_hz: pairs a second.
        speed: times real time; None as fast as it goes.
        seed: of all randomness: converter noise, contact bounce, faults that come and go.
        script: (s from the first sample, command), carried out at exactly those times.
        duration_s: the recording ends by itself after so long; None never.
        line: between logger and computer.
        whisper: the logger begins with its whisper bias on both leads.
    """

    def __init__(
        self,
        name: str,
        rate_hz: float = DEFAULT_RATE_HZ,
        speed: float | None = 1.0,
        seed: int = 1,
        script: Script = (),
        duration_s: float | None = None,
        line: Line | None = None,
        whisper: bool = True,
    ) -> None:
        self.circuit = find(name)
        self._speed = None if speed is None or math.isinf(speed) else speed
        self._script = deque(
            sorted(((round(at * 1e6), command) for at, command in script), key=lambda s: s[0])
        )
        self._finite = duration_s is not None
        self._end_us = round(duration_s * 1e6) if duration_s is not None else None
        self._bench = Workbench(self.circuit, seed)
        self._logger = SimulatedLogger(self._bench, seed)
        self._line = line or PerfectLine()
        self._link = LoggerLink(rate_hz, PORT, BAUD, 0, whisper)
        self._asked: deque[Command] = deque()
        self._closed = threading.Event()
        self._opening = self._open()
        self._zero_us = self._now_us
        for _, command in self._script:
            self._check(command)

    @property
    def info(self) -> DeviceInfo:
        return replace(self._link.info, name=f"bench: {self.circuit.title}")

    @property
    def capabilities(self) -> frozenset[Capability]:
        more = {Capability.OPERATE, Capability.FINITE} if self._finite else {Capability.OPERATE}
        return self._link.capabilities | more

    @property
    def choices(self) -> Mapping[str, str]:
        """Where every control stands."""
        return dict(self._bench.choices)

    @property
    def light(self) -> str:
        """How the test light looks now: "lit", "dim", "dark"; "" while it is away."""
        return self._bench.light

    @property
    def load(self) -> str:
        """What the load does now, as one sees or hears it: "works", "weak", "dead"."""
        return self._bench.load

    @property
    def load_alone(self) -> str:
        """What it would do unplugged, fed straight from the battery."""
        return self._bench.load_alone

    @property
    def link(self) -> LoggerLink:
        """The host link, with its counters."""
        return self._link

    def command(self, command: Command) -> None:
        """Carried out at the next tick; CommandError when this bench cannot do it."""
        self._check(command)
        self._asked.append(command)

    def close(self) -> None:
        self._closed.set()

    def __iter__(self) -> Iterator[Item]:
        yield from self._opening
        self._opening = []
        begin = time.monotonic() - self._elapsed_s
        while not self._closed.is_set() and not self._at_end:
            yield from self._carry_out()
            self._logger.advance(self._next_stop_us())
            if self._speed is not None:
                late = time.monotonic() - begin - self._elapsed_s / self._speed
                if late > LATE_S:
                    begin += late
                self._closed.wait(max(0.0, -late))
            yield from self._exchange()
        self._link.finish()
        yield from self._exchange()

    @property
    def _now_us(self) -> int:
        return self._bench.horizon_us

    @property
    def _elapsed_s(self) -> float:
        return (self._now_us - self._zero_us) * 1e-6

    @property
    def _at_end(self) -> bool:
        return self._end_us is not None and self._now_us - self._zero_us >= self._end_us

    def _next_stop_us(self) -> int:
        """The next tick, or what comes earlier: a scripted command, the end."""
        stops = [(self._now_us // TICK_US + 1) * TICK_US]
        if self._script:
            stops.append(self._zero_us + self._script[0][0])
        if self._end_us is not None:
            stops.append(self._zero_us + self._end_us)
        return min(stops)

    def _open(self) -> list[Item]:
        """Talk until samples flow. On a perfect line no time passes meanwhile."""
        items = self._exchange()
        while not self._link.running:
            self._logger.advance(self._now_us + TICK_US)
            items += self._exchange()
        return items

    def _exchange(self) -> list[Item]:
        """Carry bytes both ways until both sides are silent."""
        items: list[Item] = []
        now_us = self._now_us
        while True:
            asked = self._line.to_logger(self._link.to_send(now_us * 1000), now_us * 1e-6)
            self._logger.receive(asked)
            said = self._line.to_computer(self._logger.take(), now_us * 1e-6)
            items += self._link.receive(said, now_us * 1000)
            if not asked and not said:
                return items

    def _check(self, command: Command) -> None:
        if isinstance(command, Operate):
            check_operation(self.circuit, command.what, command.to)
        else:
            self._link.check(command)

    def _carry_out(self) -> list[Item]:
        """What was asked for until now, and what the script says for this moment."""
        items: list[Item] = []
        while self._asked:
            items += self._do(self._asked.popleft())
        while self._script and self._zero_us + self._script[0][0] <= self._now_us:
            items += self._do(self._script.popleft()[1])
        return items

    def _do(self, command: SetBias | SetRate | Operate) -> list[Item]:
        if isinstance(command, Operate):
            self._bench.operate(command.what, command.to, self._now_us)
            return []
        self._link.command(command)
        return self._exchange()
