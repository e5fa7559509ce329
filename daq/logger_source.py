"""LoggerSource: a logger at the end of some line, as a SampleSource that survives the line's loss.

The line itself (a serial port; a simulated device) is a Connector. This module opens it, keeps the
conversation of `logger_link` going, and when the line is lost finds the same logger again, for as long as
the recording lasts: hours of recording must not end because a plug was touched.
"""

from __future__ import annotations

import contextlib
import queue
import secrets
import threading
import time
from collections.abc import Iterator
from typing import NamedTuple, Protocol

import numpy as np

from daq import host_clock
from daq.calibration import MARK_BYTES
from daq.errors import DeviceError, OtherLoggerError, WorkError
from daq.logger_link import FAREWELL, LoggerLink
from daq.samples import LOGGER_AWAY, OTHER_LOGGER, Block, Counts, DeviceInfo, GapReason, Item
from daq.source import Capability, Command

READ_S = 0.05
"""Longest wait for bytes: time-outs and commands are looked at this often, and once in a `turn_s` more, s."""

SIGN_EVERY_S = 0.2
"""About so often an empty block while nothing comes: there are things to save and orders to obey, s."""

NOTHING: Counts = np.empty((0, 2), dtype=np.int32)

LAST_WORDS_S = 0.5
"""How long closing waits for the logger to confirm its stop, s."""

OTHER_S = 2.0
"""Pause while another logger is in its place: opening a port may reset what is on it, s."""

BACK_OFF_S = (0.1, 0.2, 0.5, 1.0)
"""Pauses between attempts to find the logger again; the last one repeats."""

SLEPT_NS = 2_000_000_000
"""A jump of sleeping time over this much means that the computer slept."""


class LineLostError(Exception):
    """The line is gone: unplugged, or the far end closed. Never reaches a user."""


class Arrival(NamedTuple):
    """Bytes as they came. `lost` bytes before them were dropped because nobody took them in time."""

    data: bytes
    stamp_ns: int  # perf_counter_ns
    lost: int = 0
    more: bool = False  # others wait already


class Connection(Protocol):
    """An open line."""

    port: str

    def read(self, timeout_s: float) -> Arrival | None:
        """What came next; None when nothing came in time. Raises LineLostError."""
        ...

    def write(self, data: bytes) -> None:
        """Send; raises LineLostError."""
        ...

    def close(self) -> None:
        """Idempotent; never raises."""
        ...


class Connector(Protocol):
    """How to get a line, and how to get it back."""

    port: str
    baud: int

    def connect(self) -> Connection:
        """Open the line; raises DeviceError or WorkError with what to do."""
        ...

    def find_again(self) -> Connection | None:
        """Open the line to the same device, wherever it is now; None while it is not there."""
        ...


class LoggerSource:
    """See the module. The constructor opens the line and waits for the logger's answer (up to 5 s).

    With `whisper` the leads carry the whisper bias from the first pair on: it tells a lead on nothing, and
    pins that nothing holds, from zero volts, and moves nothing else. While a run goes on, what came is taken
    every `turn_s`: where nobody watches, seldom, since each taking costs as much as hundreds of pairs do.

    Raises DeviceError (nobody or no logger answers), WorkError (rights, port in use, other firmware) or
    CommandError (a rate that the logger or the line cannot do).
    """

    def __init__(
        self, connector: Connector, rate_hz: float, whisper: bool = True, turn_s: float = 0.0
    ) -> None:
        self._connector = connector
        self._turn_s = turn_s
        self._closing = threading.Event()
        self._commands: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._attempts = 0
        self._iterating = False
        self._lost = self._more = False
        self._other: OtherLoggerError | None = None
        self._sleeping_ns = host_clock.asleep_ns()
        self._slept_ns = 0
        self._gave_s = time.monotonic()  # when something was yielded last
        self._connection: Connection | None = connector.connect()
        self.unread_bytes = 0
        mark = secrets.token_bytes(MARK_BYTES)
        self.link = LoggerLink(rate_hz, connector.port, connector.baud, self._now_ns(), whisper, mark)
        self._first: list[Item] = []
        try:
            while not self.link.running:
                self._first += self._exchange(self._connection)
        except LineLostError as error:
            self._hang_up()
            raise DeviceError(
                f"{connector.port} went away while the logger was asked: plug it in again and start anew."
            ) from error
        except BaseException:
            self._hang_up()
            raise

    @property
    def info(self) -> DeviceInfo:
        return self.link.info

    @property
    def capabilities(self) -> frozenset[Capability]:
        return self.link.capabilities

    @property
    def away(self) -> bool:
        """The logger is not there at the moment; it is looked for."""
        return self._lost

    def command(self, command: Command) -> None:
        """Ask the logger; raises CommandError when it cannot do that at all."""
        self.link.check(command)
        self._commands.put(command)

    def close(self) -> None:
        """End the iteration; idempotent, callable from any thread. The iterating thread closes the line."""
        self._closing.set()
        if not self._iterating:
            self._hang_up()

    def __iter__(self) -> Iterator[Item]:
        """The log until `close`; raises DeviceError at the end when the logger was away then."""
        if self._closing.is_set():
            return
        self._iterating = True
        try:
            yield from self._first
            self._first = []
            while not self._closing.is_set():
                yield from self._turn()
            yield from self._say_goodbye()
        finally:
            self._hang_up()
            self._iterating = False

    def _turn(self) -> list[Item]:
        """What one exchange, or one attempt to find the logger again, brings; now and then an empty block."""
        items = self._turn_once()
        now, layout = time.monotonic(), self.link.stream.layout
        if not items and layout is not None and now - self._gave_s > SIGN_EVERY_S:
            items = [Block(self.link.stream.next_sample, NOTHING, layout)]
        if items:
            self._gave_s = now
        return items

    def _turn_once(self) -> list[Item]:
        connection = self._connection
        if connection is None:
            return self._look_again()
        try:
            while not self._commands.empty():
                self.link.command(self._commands.get())
            if self._turn_s and self.link.running and not self._more:
                self._closing.wait(self._turn_s)
            return self._exchange(connection)
        except OtherLoggerError as error:
            self._hang_up()
            return [*self._gone(), *self._other_answers(error)]
        except (LineLostError, DeviceError):
            # Whatever was lost, a line opened afresh is the cure, and for a hung board a reset.
            self._hang_up()
            return self._gone()

    def _gone(self) -> list[Item]:
        self._lost = True
        return self.link.unplugged(self._now_ns())

    def _other_answers(self, error: OtherLoggerError) -> list[Item]:
        first_notice, self._other = self._other is None, error
        return [self.link.note(OTHER_LOGGER)] if first_notice else []

    def _exchange(self, connection: Connection) -> list[Item]:
        self._notice_sleep()
        now_ns = self._now_ns()
        to_send = self.link.to_send(now_ns)
        if to_send:
            connection.write(to_send)
        arrival = connection.read(READ_S)
        self._more = arrival is not None and arrival.more
        if arrival is None:
            return self.link.receive(b"", self._now_ns())
        if arrival.lost:
            self.unread_bytes += arrival.lost
            self.link.bytes_lost()
        items = self.link.receive(arrival.data, arrival.stamp_ns + self._slept_ns)
        if self.link.running:
            self._attempts, self._lost, self._other = 0, False, None
        return items

    def _look_again(self) -> list[Item]:
        pause = OTHER_S if self._other else BACK_OFF_S[min(self._attempts, len(BACK_OFF_S) - 1)]
        self._attempts += 1
        if self._closing.wait(pause):
            return []
        try:
            connection = self._connector.find_again()
        except (DeviceError, WorkError):
            # There again, but not ready: udev has yet to set its rights, or someone else is quicker.
            return []
        if connection is None:
            taken_out, self._other = self._other is not None, None
            return [self.link.note(LOGGER_AWAY)] if taken_out else []
        self._connection = connection
        self.link.plugged_in(connection.port, self._now_ns())
        return []

    def _say_goodbye(self) -> list[Item]:
        if self._other is not None:
            raise DeviceError(f"{self._other} Everything up to when it was taken out is kept.")
        if self._lost:
            raise DeviceError(
                f"The logger was away when the recording ended: plug it in again ({self.link.port}). "
                "Everything up to then is kept."
            )
        connection, items = self._connection, list[Item]()
        if connection is None:
            return items
        self.link.finish()
        end = time.monotonic() + LAST_WORDS_S
        try:
            while not self.link.finished and time.monotonic() < end:
                items += self._exchange(connection)
        except (LineLostError, DeviceError):
            self._hang_up()
        return items

    def _hang_up(self) -> None:
        connection, self._connection = self._connection, None
        if connection is None:
            return
        if not self.link.finished:
            with contextlib.suppress(LineLostError):
                connection.write(FAREWELL)
        connection.close()

    def _now_ns(self) -> int:
        return time.perf_counter_ns() + self._slept_ns

    def _notice_sleep(self) -> None:
        """perf_counter stands still while some computers sleep: lost time must not look short."""
        before, self._sleeping_ns = self._sleeping_ns, host_clock.asleep_ns()
        jump = self._sleeping_ns - before
        if jump > SLEPT_NS:
            self._slept_ns += jump
            self.link.stream.hint(GapReason.SLEPT)
