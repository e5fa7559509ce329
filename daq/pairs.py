"""Data frames: the head, and pairs packed as 12-bit codes or 16-bit sums. Bytes: firmware/README.md, Data.

The link decodes many frames at once (`read_head` for each, one `unpack_pairs` for all their samples);
`DataFrame` is the same for one frame, both ways, for the simulated device and the tests.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import ClassVar, NamedTuple

import numpy as np

from daq.framing import Kind
from daq.samples import Bias, Counts

HEAD = struct.Struct("<IBBBB")
SUMS, MISSED, OVERFLOW, RESERVED = 1, 2, 4, 8
MOST_RAW_PAIRS, MOST_SUM_PAIRS = 80, 60
RAW_LIMIT, SUM_LIMIT = 1 << 12, 1 << 16


class MalformedError(ValueError):
    """A frame whose CRC is right and whose content is not as the protocol says."""


def unpack_exactly(layout: struct.Struct, payload: bytes) -> tuple[int, ...]:
    """The integers of a payload of one fixed size; MalformedError when it has another."""
    if len(payload) != layout.size:
        raise MalformedError(f"{len(payload)} bytes where {layout.size} belong")
    return layout.unpack(payload)


class Head(NamedTuple):
    """The first eight bytes of a data frame."""

    first: int  # index of the first pair in its run, modulo 2^32
    run: int
    pairs: int
    flags: int
    ranges: int

    @property
    def layout_key(self) -> tuple[int, int]:
        """What frames must share to be joined: format, bias and ranges."""
        return self.flags & ~(MISSED | OVERFLOW), self.ranges


def read_head(payload: bytes) -> Head:
    """Check a data frame's head and length; MalformedError when they do not fit together."""
    if len(payload) < HEAD.size:
        raise MalformedError("a data frame shorter than its head")
    head = Head(*HEAD.unpack_from(payload))
    size = 4 if head.flags & SUMS else 3
    if head.pairs == 0 or head.flags & RESERVED or len(payload) != HEAD.size + size * head.pairs:
        raise MalformedError("a data frame whose length and head disagree")
    return head


def unpack_pairs(samples: bytes, sums: bool | int) -> Counts:
    """(n, 2) counts of the sample bytes of any number of data frames with the same format."""
    if sums:
        return np.frombuffer(samples, dtype="<u2").reshape(-1, 2).astype(np.int32)
    triples = np.frombuffer(samples, dtype=np.uint8).reshape(-1, 3)
    counts = np.empty((len(triples), 2), dtype=np.int32)
    # Bytes to int32 once and in columns: strided access is what costs here, not the arithmetic.
    low, middle, high = triples.T.astype(np.int32, order="C")
    np.bitwise_or(low, (middle & 0x0F) << 8, out=counts[:, 0])
    np.bitwise_or(middle >> 4, high << 4, out=counts[:, 1])
    return counts


def pack_pairs(counts: Counts, sums: bool) -> bytes:
    """The reverse of `unpack_pairs`; ValueError when a count does not fit."""
    limit = SUM_LIMIT if sums else RAW_LIMIT
    if counts.size and (counts.min() < 0 or counts.max() >= limit):
        raise ValueError(f"counts outside 0 to {limit - 1}")
    if sums:
        return counts.astype("<u2").tobytes()
    words = counts[:, 0].astype("<u4") | counts[:, 1].astype("<u4") << 12
    packed: bytes = words.astype("<u4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    return packed


def bias_bits(bias: tuple[Bias, Bias]) -> int:
    """Both leads in four bits, lead 1 lowest."""
    return bias[0].value | bias[1].value << 2


def bias_pair(bits: int) -> tuple[Bias, Bias]:
    """The reverse of `bias_bits`; higher bits are ignored."""
    return Bias(bits & 3), Bias(bits >> 2 & 3)


@dataclass(frozen=True, slots=True, eq=False)
class DataFrame:
    """One data frame in full."""

    KIND: ClassVar = Kind.DATA
    first: int
    run: int
    counts: Counts
    sums: bool = False
    missed: bool = False
    overflow: bool = False
    bias: tuple[Bias, Bias] = (Bias.OFF, Bias.OFF)
    ranges: tuple[int, int] = (0, 0)

    def payload(self) -> bytes:
        flags = self.sums * SUMS | self.missed * MISSED | self.overflow * OVERFLOW | bias_bits(self.bias) << 4
        ranges = self.ranges[0] | self.ranges[1] << 4
        head = HEAD.pack(self.first & 0xFFFFFFFF, self.run, len(self.counts), flags, ranges)
        return head + pack_pairs(self.counts, self.sums)

    @classmethod
    def parse(cls, payload: bytes) -> DataFrame:
        head = read_head(payload)
        sums = bool(head.flags & SUMS)
        return cls(
            head.first,
            head.run,
            unpack_pairs(payload[HEAD.size :], sums),
            sums,
            bool(head.flags & MISSED),
            bool(head.flags & OVERFLOW),
            bias_pair(head.flags >> 4),
            (head.ranges & 15, head.ranges >> 4),
        )
