"""What frames mean: typed messages and their payload bytes, both ways. Bytes: firmware/README.md.

The computer sends commands and reads the rest; the simulated device does it the other way round with the
same classes. `parse_message` gives a message or raises MalformedError, nothing else.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar, Self, get_args

from daq.framing import Frame, Kind, encode_frame
from daq.pairs import DataFrame, MalformedError, bias_bits, bias_pair, unpack_exactly
from daq.results import Identity
from daq.samples import Bias

LONGEST_TRANSFER = 64  # bytes in one EEPROM read, EEPROM write or echo


class Status(IntEnum):
    """How a command ended."""

    DONE = 0
    UNKNOWN = 1
    LENGTH = 2
    VALUE = 3
    RUNNING = 4
    FAILED = 5


@dataclass(frozen=True, slots=True)
class _Empty:
    """A command without payload."""

    def payload(self) -> bytes:
        return b""

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        if payload:
            raise MalformedError(f"{len(payload)} bytes where none belong")
        return cls()


class Identify(_Empty):
    """Who are you? Answered by Identity."""

    KIND: ClassVar = Kind.IDENTIFY


class Stop(_Empty):
    """End the run. Answered by Stopped."""

    KIND: ClassVar = Kind.STOP


class Supply(_Empty):
    """Measure the supply. Answered by SupplySum."""

    KIND: ClassVar = Kind.SUPPLY


class Statistics(_Empty):
    """What was lost on your side? Answered by Tally."""

    KIND: ClassVar = Kind.STATISTICS


@dataclass(frozen=True, slots=True)
class Start:
    """Begin a run. `interval` in device clock cycles (1 to 65535), `sum_shift` 0, 2, 4 or 6."""

    KIND: ClassVar = Kind.START
    LAYOUT: ClassVar = struct.Struct("<HBB")
    interval: int
    sum_shift: int
    pairs_per_frame: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.interval, self.sum_shift, self.pairs_per_frame)

    @classmethod
    def parse(cls, payload: bytes) -> Start:
        return cls(*unpack_exactly(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class BiasState:
    """The bias of both leads: the command, and its result."""

    KIND: ClassVar = Kind.BIAS
    lead1: Bias
    lead2: Bias

    def payload(self) -> bytes:
        return bytes((bias_bits((self.lead1, self.lead2)),))

    @classmethod
    def parse(cls, payload: bytes) -> BiasState:
        if len(payload) != 1 or payload[0] > 15:
            raise MalformedError("no bias of two leads")
        return cls(*bias_pair(payload[0]))


@dataclass(frozen=True, slots=True)
class EepromRead:
    KIND: ClassVar = Kind.EEPROM_READ
    LAYOUT: ClassVar = struct.Struct("<HB")
    address: int
    length: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.address, self.length)

    @classmethod
    def parse(cls, payload: bytes) -> EepromRead:
        return cls(*unpack_exactly(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class EepromBytes:
    """Bytes and where they stand: the write command, and the result of a read."""

    KIND: ClassVar = Kind.EEPROM_WRITE
    address: int
    data: bytes

    def payload(self) -> bytes:
        return self.address.to_bytes(2, "little") + self.data

    @classmethod
    def parse(cls, payload: bytes) -> EepromBytes:
        if not 3 <= len(payload) <= 2 + LONGEST_TRANSFER:
            raise MalformedError("no address with 1 to 64 bytes")
        return cls(int.from_bytes(payload[:2], "little"), payload[2:])


@dataclass(frozen=True, slots=True)
class Echo:
    """Send this back: the command, and its result."""

    KIND: ClassVar = Kind.ECHO
    data: bytes = b""

    def payload(self) -> bytes:
        return self.data

    @classmethod
    def parse(cls, payload: bytes) -> Echo:
        if len(payload) > LONGEST_TRANSFER:
            raise MalformedError("an echo of more than 64 bytes")
        return cls(payload)


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """Still here: once a second."""

    KIND: ClassVar = Kind.HEARTBEAT
    LAYOUT: ClassVar = struct.Struct("<IBBI")
    boot_id: int
    run: int
    running: int
    next: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.boot_id, self.run, self.running, self.next)

    @classmethod
    def parse(cls, payload: bytes) -> Heartbeat:
        return cls(*unpack_exactly(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to one command; `result` is parsed with the class that the command's docstring names."""

    KIND: ClassVar = Kind.REPLY
    command: int
    tag: int
    status: int
    result: bytes = b""

    def payload(self) -> bytes:
        return bytes((self.command, self.tag, self.status)) + self.result

    @classmethod
    def parse(cls, payload: bytes) -> Reply:
        if len(payload) < 3:
            raise MalformedError("a reply without a status")
        return cls(payload[0], payload[1], payload[2], payload[3:])


Command = Identify | Start | Stop | BiasState | Supply | EepromRead | EepromBytes | Statistics | Echo
Report = Identity | DataFrame | Heartbeat | Reply
Message = Command | Report

_CLASSES: tuple[type[Message], ...] = (*get_args(Command), *get_args(Report))
_PARSERS: Mapping[int, Callable[[bytes], Message]] = {kind.KIND: kind.parse for kind in _CLASSES}


def parse_message(frame: Frame) -> Message:
    """The message in a frame; MalformedError when its type is unknown or its payload does not fit."""
    parse = _PARSERS.get(frame.type)
    if parse is None:
        raise MalformedError(f"no message has type {frame.type:02X}")
    return parse(frame.payload)


def encode_message(message: Message, sequence: int) -> bytes:
    """The bytes to send, ready framed; `sequence` is taken modulo 256."""
    return encode_frame(message.KIND, sequence & 0xFF, message.payload())
