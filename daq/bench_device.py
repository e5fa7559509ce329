"""The simulated logger: it takes bytes, it sends bytes, as firmware/README.md says. No clock of its own.

It samples a workbench, and lives in the workbench's time: `advance` lets that go by.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import Any

import numpy as np

from daq.bench_front import COUNT_V, LOWEST_V
from daq.bench_sampler import CLOCK_HZ, BiasPair, Sampler
from daq.bench_workbench import Workbench
from daq.calibration import SETTINGS_ADDRESS, SLOT_ADDRESSES, Calibration, Line, Settings
from daq.framing import Deframer, Frame
from daq.messages import (
    BiasState,
    Echo,
    EepromBytes,
    EepromRead,
    Heartbeat,
    Identify,
    Message,
    Reply,
    Start,
    Statistics,
    Status,
    Stop,
    Supply,
    encode_message,
    parse_message,
)
from daq.pairs import MOST_RAW_PAIRS, MOST_SUM_PAIRS, MalformedError
from daq.results import (
    EepromWritten,
    Feature,
    Identity,
    ResetCause,
    Started,
    Stopped,
    SupplySum,
    Tally,
)
from daq.samples import Bias

FIRMWARE = (1, 0, 0)
BOARD_BENCH = 127
SHORTEST_INTERVAL, FULL_ACCURACY_INTERVAL, LONGEST_INTERVAL = 1000, 1978, 65535
HEARTBEAT_US = 1_000_000
HOLD_US = 5_000_000
NEVER_US = 1 << 62
EEPROM_SIZE = 1024
BANDGAP_SUM = 14_361  # 1.100 V against a supply of 5.02 V

OFF: BiasPair = (Bias.OFF, Bias.OFF)
BENCH_LINE = Line(COUNT_V, LOWEST_V, offset_error_v=0.01, gain_error=0.003)
BENCH_CALIBRATION = Calibration({(0, 1): BENCH_LINE, (0, 2): BENCH_LINE}, datetime.date(2026, 1, 5))

Answer = tuple[Status, bytes]


class SimulatedLogger:
    """`receive` what the computer sent, `advance` in time, `take` what there is to send."""

    def __init__(self, bench: Workbench, seed: int, boot_id: int = 1) -> None:
        self._bench = bench
        self._noise = tuple(np.random.default_rng([seed, 1000 + lead]) for lead in (1, 2))
        self._eeprom = _fresh_eeprom()
        settings = Settings.decode(bytes(self._eeprom[SETTINGS_ADDRESS : SETTINGS_ADDRESS + 16]))
        self._identity = Identity(
            FIRMWARE,
            boot_id,
            ResetCause.POWER_ON,
            BOARD_BENCH,
            Feature.WHISPER | Feature.UP_AND_DOWN,
            CLOCK_HZ,
            SHORTEST_INTERVAL,
            LONGEST_INTERVAL,
            serial_number=settings.serial_number,
        )
        self._deframer = Deframer()
        self._sequence = 0
        self._sending = bytearray(b"\0")
        self._deepest = 0
        self._bias = OFF
        self._hold_until_us = NEVER_US
        self._heartbeat_us = HEARTBEAT_US
        self._sampler: Sampler | None = None
        self._last_run = Stopped(0, 0)
        self._answers: dict[type, Callable[[Any], Answer]] = {
            Identify: lambda _: (Status.DONE, self._identity.payload()),
            Start: self._start,
            Stop: self._stop,
            BiasState: self._set_bias,
            Supply: self._supply,
            EepromRead: self._eeprom_read,
            EepromBytes: self._eeprom_write,
            Statistics: self._statistics,
            Echo: lambda echo: (Status.DONE, echo.payload()),
        }
        self._send(self._identity)

    @property
    def now_us(self) -> int:
        return self._bench.horizon_us

    @property
    def running(self) -> bool:
        """Whether a run goes on."""
        return self._sampler is not None

    def take(self) -> bytes:
        """The bytes sent since the last time."""
        data = bytes(self._sending)
        self._sending.clear()
        return data

    def receive(self, data: bytes) -> None:
        """Bytes from the computer arrive now."""
        for frame in self._deframer.push(data):
            self._command(frame)

    def advance(self, until_us: int) -> None:
        """Let time go by."""
        while self.now_us < until_us:
            self._run_to(min(until_us, self._heartbeat_us, self._hold_until_us))
            if self.now_us == self._hold_until_us:
                self._apply_bias(OFF)
            if self.now_us == self._heartbeat_us:
                self._heartbeat_us += HEARTBEAT_US
                self._send(self._heartbeat())

    def _run_to(self, until_us: int) -> None:
        self._bench.run(until_us)
        if self._sampler is not None:
            self._sampler.convert(until_us)
            self._send_frames()
        self._bench.forget_before(until_us)

    def _send_frames(self, everything: bool = False) -> None:
        assert self._sampler is not None
        for frame in self._sampler.frames(everything):
            self._send(frame)

    def _send(self, message: Message) -> None:
        self._sending += encode_message(message, self._sequence)
        self._sequence = (self._sequence + 1) & 0xFF
        self._deepest = max(self._deepest, min(len(self._sending), 0xFFFF))

    def _heartbeat(self) -> Heartbeat:
        sampler = self._sampler
        run = sampler.run.run if sampler else self._last_run.run
        following = sampler.next_index if sampler else self._last_run.pairs
        return Heartbeat(self._identity.boot_id, run, int(self.running), following & 0xFFFFFFFF)

    def _command(self, frame: Frame) -> None:
        if self._hold_until_us != NEVER_US:
            self._hold_until_us = self.now_us + HOLD_US
        try:
            message = parse_message(frame)
        except MalformedError:
            self._reply(frame, (_complaint(frame), b""))
            return
        answer = self._answers.get(type(message))
        self._reply(frame, answer(message) if answer else (Status.UNKNOWN, b""))

    def _reply(self, frame: Frame, answer: Answer) -> None:
        status, result = answer
        self._send(Reply(frame.type, frame.sequence, status, result if status is Status.DONE else b""))

    def _start(self, start: Start) -> Answer:
        if self._sampler is not None:
            return Status.RUNNING, b""
        if start.sum_shift not in (0, 2, 4, 6):
            return Status.VALUE, b""
        interval = min(max(start.interval, SHORTEST_INTERVAL), LONGEST_INTERVAL)
        most = MOST_SUM_PAIRS if start.sum_shift else MOST_RAW_PAIRS
        started = Started(
            self._last_run.run % 255 + 1,
            interval,
            start.sum_shift,
            min(max(start.pairs_per_frame, 1), most),
            128 if interval >= FULL_ACCURACY_INTERVAL else 64,
        )
        self._sampler = Sampler(self._bench, started, self._bias, self._noise)
        return Status.DONE, started.payload()

    def _stop(self, _: Stop) -> Answer:
        if self._sampler is not None:
            self._send_frames(everything=True)
            self._last_run = Stopped(self._sampler.run.run, self._sampler.made)
            self._sampler = None
        return Status.DONE, self._last_run.payload()

    def _set_bias(self, wanted: BiasState) -> Answer:
        self._apply_bias((wanted.lead1, wanted.lead2))
        return Status.DONE, wanted.payload()

    def _apply_bias(self, bias: BiasPair) -> None:
        at_us = self._sampler.set_bias(bias) if self._sampler else self.now_us
        self._bias = bias
        self._bench.set_bias(bias, at_us)
        held = Bias.UP in bias or Bias.DOWN in bias
        self._hold_until_us = self.now_us + HOLD_US if held else NEVER_US

    def _supply(self, _: Supply) -> Answer:
        return (Status.RUNNING, b"") if self.running else (Status.DONE, SupplySum(BANDGAP_SUM).payload())

    def _eeprom_read(self, read: EepromRead) -> Answer:
        end = read.address + read.length
        if not 1 <= read.length <= 64 or end > EEPROM_SIZE:
            return Status.VALUE, b""
        return Status.DONE, EepromBytes(read.address, bytes(self._eeprom[read.address : end])).payload()

    def _eeprom_write(self, write: EepromBytes) -> Answer:
        if self.running:
            return Status.RUNNING, b""
        end = write.address + len(write.data)
        if end > EEPROM_SIZE:
            return Status.VALUE, b""
        self._eeprom[write.address : end] = write.data
        return Status.DONE, EepromWritten(write.address, len(write.data)).payload()

    def _statistics(self, _: Statistics) -> Answer:
        damaged = min(self._deframer.damaged, 0xFFFF)
        tally = Tally(0, 0, damaged, 0, self._deepest, self.now_us // 1000 & 0xFFFFFFFF)
        return Status.DONE, tally.payload()


def _complaint(frame: Frame) -> Status:
    """Why a command could not be read."""
    if frame.type == BiasState.KIND and len(frame.payload) == 1:
        return Status.VALUE
    known = (Identify, Start, Stop, BiasState, Supply, EepromRead, EepromBytes, Statistics, Echo)
    return Status.LENGTH if frame.type in {k.KIND for k in known} else Status.UNKNOWN


def _fresh_eeprom() -> bytearray:
    memory = bytearray(b"\xff" * EEPROM_SIZE)
    for address, record in (
        (SETTINGS_ADDRESS, Settings(serial_number="BENCH").encode()),
        (SLOT_ADDRESSES[0], BENCH_CALIBRATION.encode()),
    ):
        memory[address : address + len(record)] = record
    return memory
