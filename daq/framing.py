"""Frames on the serial line: COBS, a 00 at the end, a CRC inside. Pure: push bytes, get frames.

The bytes are described in firmware/README.md. COBS: Cheshire & Baker, IEEE/ACM Transactions on Networking
7(2) 1999. CRC-16: polynomial 0x1021, initial value 0xFFFF (CRC-16/IBM-3740), check value 0x29B1.

Whatever is pushed, a frame comes out or `damaged` goes up; nothing else can happen.
"""

from __future__ import annotations

from binascii import crc_hqx
from enum import IntEnum
from typing import NamedTuple

from cobs import cobs

CRC_INITIAL = 0xFFFF
SMALLEST_BODY = 4  # type, sequence, two bytes of CRC
LARGEST_BODY = 253  # below 254, so that COBS adds exactly one byte
LARGEST_PAYLOAD = LARGEST_BODY - SMALLEST_BODY
# An encoder that closes a full block with one more 01 may send two bytes beyond the body.
LARGEST_ENCODED = LARGEST_BODY + 2


class Kind(IntEnum):
    """The type byte of a frame; bit 7 is set when it comes from the device."""

    IDENTIFY = 0x10
    START = 0x11
    STOP = 0x12
    BIAS = 0x13
    SUPPLY = 0x14
    EEPROM_READ = 0x15
    EEPROM_WRITE = 0x16
    STATISTICS = 0x17
    ECHO = 0x18
    HELLO = 0x80
    DATA = 0x81
    HEARTBEAT = 0x82
    REPLY = 0x83


class Frame(NamedTuple):
    """One frame that arrived whole."""

    type: int  # u8
    sequence: int  # u8
    payload: bytes


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740 of `data`; 0 over data followed by its own CRC, high byte first."""
    return crc_hqx(data, CRC_INITIAL)


def encode_frame(kind: int, sequence: int, payload: bytes) -> bytes:
    """The bytes to send, with the 00 at the end; ValueError when the payload is over 249 bytes."""
    if len(payload) > LARGEST_PAYLOAD:
        raise ValueError(f"a payload of {len(payload)} bytes is over {LARGEST_PAYLOAD}")
    body = bytes((kind, sequence)) + payload
    encoded: bytes = cobs.encode(body + crc16(body).to_bytes(2, "big"))
    return encoded + b"\0"


class Deframer:
    """Finds the frames in a stream of bytes that may be cut anywhere, and damaged.

    Attributes:
        damaged: pieces between two 00 that were no frame.
    """

    def __init__(self) -> None:
        self.damaged = 0
        self._rest = b""

    def push(self, data: bytes) -> list[Frame]:
        """The frames that `data` completes. Linear in the length of `data`."""
        pieces = (self._rest + data).split(b"\0")
        # One byte over the limit is enough to know later that the piece was too long.
        self._rest = pieces.pop()[: LARGEST_ENCODED + 1]
        frames = []
        for piece in pieces:
            if piece:
                frame = _decode(piece)
                if frame is None:
                    self.damaged += 1
                else:
                    frames.append(frame)
        return frames

    def bytes_lost(self) -> None:
        """Bytes are missing here: what came before must not be glued to what comes next."""
        if self._rest:
            self.damaged += 1
        self._rest = b""


def _decode(piece: bytes) -> Frame | None:
    if len(piece) > LARGEST_ENCODED:
        return None
    try:
        body: bytes = cobs.decode(piece)
    except cobs.DecodeError:
        return None
    if not SMALLEST_BODY <= len(body) <= LARGEST_BODY or crc_hqx(body, CRC_INITIAL):
        return None
    return Frame(body[0], body[1], body[2:-2])
