"""What the device answers: the results of commands, and who it is. Bytes: firmware/README.md.

Each class turns its payload into bytes and back; `parse` gives the result or raises MalformedError.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntFlag
from typing import ClassVar

from daq.framing import Kind
from daq.pairs import MalformedError, unpack_exactly

PROTOCOL_VERSION = 1


class ResetCause(IntFlag):
    """Why the device started, as its chip tells it."""

    UNKNOWN = 0
    POWER_ON = 1
    RESET_PIN = 2
    BROWN_OUT = 4
    WATCHDOG = 8


class Feature(IntFlag):
    """What kinds of bias the board has, and that its codes have 12 bits instead of 10."""

    NONE = 0
    WHISPER = 1
    UP_AND_DOWN = 2
    TWELVE_BITS = 4


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the device is: the hello after a boot, and the result of Identify."""

    KIND: ClassVar = Kind.HELLO
    LAYOUT: ClassVar = struct.Struct("<4BIBBBIHHB10s")
    firmware: tuple[int, int, int]
    boot_id: int
    reset_cause: ResetCause
    board: int
    features: Feature
    clock_hz: int
    shortest_interval: int
    longest_interval: int
    highest_range: int = 0
    serial_number: str = ""
    protocol: int = PROTOCOL_VERSION

    @property
    def firmware_version(self) -> str:
        return ".".join(map(str, self.firmware))

    @property
    def code_bits(self) -> int:
        """Bits of one code of its converter."""
        return 12 if self.features & Feature.TWELVE_BITS else 10

    @property
    def most_sum_shift(self) -> int:
        """2^this codes fill the 16 bits of a sum."""
        return 16 - self.code_bits

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.protocol,
            *self.firmware,
            self.boot_id,
            self.reset_cause,
            self.board,
            self.features,
            self.clock_hz,
            self.shortest_interval,
            self.longest_interval,
            self.highest_range,
            self.serial_number.encode("ascii"),
        )

    @classmethod
    def parse(cls, payload: bytes) -> Identity:
        """MalformedError also when the protocol version is another: see `protocol_version`."""
        if protocol_version(payload) != PROTOCOL_VERSION or len(payload) != cls.LAYOUT.size:
            raise MalformedError("no identity of this protocol version")
        protocol, major, minor, patch, boot, cause, board, features, *rest = cls.LAYOUT.unpack(payload)
        clock_hz, shortest, longest, highest_range, serial = rest
        if clock_hz == 0 or not 0 < shortest <= longest:
            raise MalformedError("an identity without a clock")
        name = serial.rstrip(b"\0")
        if any(not 0x20 < byte < 0x7F for byte in name):
            raise MalformedError("a serial number that cannot be printed")
        return cls(
            (major, minor, patch),
            boot,
            ResetCause(cause & 15),
            board,
            Feature(features & 7),
            clock_hz,
            shortest,
            longest,
            highest_range,
            name.decode("ascii"),
            protocol,
        )


def protocol_version(identity: bytes) -> int:
    """The protocol version in a hello or identity of any version; 0 when there is none."""
    return identity[0] if identity else 0


@dataclass(frozen=True, slots=True)
class Started:
    """What a run really does."""

    LAYOUT: ClassVar = struct.Struct("<BHBBB")
    run: int
    interval: int
    sum_shift: int
    pairs_per_frame: int
    adc_divider: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.run, self.interval, self.sum_shift, self.pairs_per_frame, self.adc_divider
        )

    @classmethod
    def parse(cls, payload: bytes) -> Started:
        started = cls(*unpack_exactly(cls.LAYOUT, payload))
        if started.run == 0 or started.interval == 0 or started.sum_shift not in (0, 2, 4, 6):
            raise MalformedError("a run that cannot be")
        return started


@dataclass(frozen=True, slots=True)
class Stopped:
    """The run that ended and how many pairs it made, sent or lost."""

    LAYOUT: ClassVar = struct.Struct("<BI")
    run: int
    pairs: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.run, self.pairs)

    @classmethod
    def parse(cls, payload: bytes) -> Stopped:
        return cls(*unpack_exactly(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class SupplySum:
    """64 conversions of the bandgap reference, summed."""

    sum: int

    def payload(self) -> bytes:
        return self.sum.to_bytes(2, "little")

    @classmethod
    def parse(cls, payload: bytes) -> SupplySum:
        if len(payload) != 2:
            raise MalformedError("no sum of two bytes")
        return cls(int.from_bytes(payload, "little"))

    def supply_v(self, bandgap_v: float) -> float:
        """The supply, V; infinite when the sum is 0."""
        return bandgap_v * 65536 / self.sum if self.sum else float("inf")


@dataclass(frozen=True, slots=True)
class Tally:
    """The device's counters since boot; the 16-bit ones stay at 65535."""

    LAYOUT: ClassVar = struct.Struct("<IHHHHI")
    lost_pairs: int
    missed_triggers: int
    damaged_frames: int
    receive_overruns: int
    deepest_transmit: int
    uptime_ms: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.lost_pairs,
            self.missed_triggers,
            self.damaged_frames,
            self.receive_overruns,
            self.deepest_transmit,
            self.uptime_ms,
        )

    @classmethod
    def parse(cls, payload: bytes) -> Tally:
        return cls(*unpack_exactly(cls.LAYOUT, payload))


@dataclass(frozen=True, slots=True)
class EepromWritten:
    LAYOUT: ClassVar = struct.Struct("<HB")
    address: int
    length: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.address, self.length)

    @classmethod
    def parse(cls, payload: bytes) -> EepromWritten:
        return cls(*unpack_exactly(cls.LAYOUT, payload))
