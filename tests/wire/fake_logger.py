"""A logger for tests: answers the protocol on bytes, with its own idea of time.

Unless told otherwise, lead 1 of pair i reads i modulo 1024 and lead 2 reads 7 i modulo 1024, so that any pair
tells which one it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from daq.framing import Deframer, Frame, Kind
from daq.messages import (
    BiasState,
    Echo,
    EepromBytes,
    EepromRead,
    Heartbeat,
    Message,
    Reply,
    Start,
    Status,
    encode_message,
    parse_message,
)
from daq.pairs import DataFrame
from daq.results import EepromWritten, Feature, Identity, ResetCause, Started, Stopped, SupplySum
from daq.samples import Bias, Counts

CLOCK_HZ = 16_000_000


def pair_counts(first: int, count: int) -> Counts:
    """What the fake logger's pairs `first` and on read."""
    index = np.arange(first, first + count)
    return np.stack([index % 1024, index * 7 % 1024], axis=1).astype(np.int32)


class FakeLogger:
    """Give it bytes and time with `at`; take what it sends."""

    def __init__(
        self,
        serial_number: str = "WS01",
        protocol: int = 1,
        board: int = 1,
        counts: Callable[[int, int], Counts] = pair_counts,
    ) -> None:
        self.counts = counts  # what the pairs (first, how many) read
        self.started_ns: int | None = None  # when the last run began
        self.identity = Identity(
            firmware=(1, 2, 3),
            boot_id=41,
            reset_cause=ResetCause.POWER_ON,
            board=board,
            features=Feature.WHISPER | Feature.UP_AND_DOWN,
            clock_hz=CLOCK_HZ,
            shortest_interval=1978,
            longest_interval=65535,
            serial_number=serial_number,
            protocol=protocol,
        )
        self.eeprom = bytearray(b"\xff" * 1024)
        self.commands: list[Frame] = []
        self.deaf = False  # answers no command
        self.worn = False  # its EEPROM keeps nothing
        self.overflow_pairs = 0  # drop so many before the next frame
        self.pairs = 0  # taken in this run
        self._run = 0
        self._started: Started | None = None
        self._beat_ns = 0
        self._bias = (Bias.OFF, Bias.OFF)
        self._sequence = 0
        self._deframer = Deframer()

    def boot(self, now_ns: int) -> bytes:
        """Reset: a new boot id, no run; gives the hello."""
        self.identity = replace(self.identity, boot_id=self.identity.boot_id + 1)
        self._run, self._started, self._sequence, self._bias = 0, None, 0, (Bias.OFF, Bias.OFF)
        self._deframer = Deframer()
        self._beat_ns = now_ns
        return b"\0" + self._say(self.identity)

    def at(self, now_ns: int, received: bytes = b"") -> bytes:
        """What the logger sends up to `now_ns`, given what it hears then."""
        out = self._data(now_ns)
        for frame in self._deframer.push(received):
            self.commands.append(frame)
            if not self.deaf:
                out += self._answer(frame, now_ns)
        if now_ns - self._beat_ns >= 1_000_000_000:
            self._beat_ns = now_ns
            running = int(self._started is not None)
            out += self._say(Heartbeat(self.identity.boot_id, self._run, running, self.pairs & 0xFFFFFFFF))
        return out

    def _say(self, message: Message) -> bytes:
        self._sequence += 1
        return encode_message(message, self._sequence - 1)

    def _data(self, now_ns: int) -> bytes:
        run = self._started
        if run is None or self.started_ns is None:
            return b""
        rate = CLOCK_HZ / (2 * run.interval * (1 << run.sum_shift))
        due = int((now_ns - self.started_ns) * rate / 1e9)
        out = b""
        while due - self.pairs >= run.pairs_per_frame:
            out += self._frame(run.pairs_per_frame)
        return out

    def _frame(self, count: int) -> bytes:
        run, lost, self.overflow_pairs = self._started, self.overflow_pairs, 0
        assert run is not None
        self.pairs += lost
        frame = DataFrame(
            self.pairs & 0xFFFFFFFF,
            run.run,
            self.counts(self.pairs, count),
            sums=run.sum_shift > 0,
            overflow=lost > 0,
            bias=self._bias,
        )
        self.pairs += count
        return self._say(frame)

    def _answer(self, frame: Frame, now_ns: int) -> bytes:
        status, result = self._obey(frame, now_ns)
        return self._say(Reply(frame.type, frame.sequence, status, result))

    def _obey(self, frame: Frame, now_ns: int) -> tuple[int, bytes]:
        message = parse_message(frame)
        if isinstance(message, Start):
            return self._start(message, now_ns)
        if isinstance(message, BiasState):
            self._bias = (message.lead1, message.lead2)
            return Status.DONE, frame.payload
        if isinstance(message, EepromRead):
            data = bytes(self.eeprom[message.address : message.address + message.length])
            return Status.DONE, EepromBytes(message.address, data).payload()
        if isinstance(message, EepromBytes):
            return self._write(message)
        if isinstance(message, Echo):
            return Status.DONE, message.data
        if frame.type == Kind.STOP:
            self._started = None
            return Status.DONE, Stopped(self._run, self.pairs & 0xFFFFFFFF).payload()
        if frame.type == Kind.SUPPLY:
            return Status.DONE, SupplySum(14418).payload()
        return Status.DONE, self.identity.payload()

    def _write(self, message: EepromBytes) -> tuple[int, bytes]:
        if self.worn:
            return Status.FAILED, b""
        self.eeprom[message.address : message.address + len(message.data)] = message.data
        return Status.DONE, EepromWritten(message.address, len(message.data)).payload()

    def _start(self, start: Start, now_ns: int) -> tuple[int, bytes]:
        if self._started is not None:
            return Status.RUNNING, b""
        self._run = self._run % 255 + 1
        self.pairs, self.started_ns = 0, now_ns
        self._started = Started(self._run, start.interval, start.sum_shift, start.pairs_per_frame, 128)
        return Status.DONE, self._started.payload()
