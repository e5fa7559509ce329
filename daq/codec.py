"""Lossless packing of one lead's counts for a row of the capture file. Pure: arrays in, bytes out.

A blob is a header of eleven bytes, `<BBBiI`: residual, packing, escape width, base, step; then a zlib
stream.

1. Residual. MEDIAN: counts minus their median (the base). DIFFERENCE: each count minus the one before it,
   the first minus itself (the base is the first count). Arithmetic is modulo 2^32, so any int32 comes back.
2. Step: the residuals' greatest common divisor, by which they are divided. It is 1 for a converter's own
   codes; text files bring microvolts in steps of the converter that made them.
3. Zigzag: 0, -1, 1, -2, ... become 0, 1, 2, 3, ...
4. Packing. NIBBLES: two residuals to a byte, the earlier in the high half; 15 is an escape whose value less
   15 follows in byte planes of `escape width` bytes after all nibbles. 1 to 4: that many byte planes, the
   lowest first. 0: every residual is zero and no stream follows.
5. zlib with run-length matching (Z_RLE): the residuals of a noisy converter hardly repeat, so Huffman coding
   does the work and searching for longer matches would only cost time.

Every combination that can win is tried and the smallest kept. Decoding never allocates more than the row's
own size: the caller says how many counts there are, and the stream may not yield more than they need.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
import numpy.typing as npt

LeadCounts = npt.NDArray[np.int32]  # (n,): one lead

MAX_COUNTS = 1 << 16  # most counts in a row; bounds what a damaged or hostile row can ask for

MEDIAN, DIFFERENCE = 0, 1
NIBBLES = 15
ESCAPE = 15  # the nibble that says "look in the escapes"

_HEADER = struct.Struct("<BBBiI")
_Residuals = npt.NDArray[np.uint32]


class CodecError(ValueError):
    """The blob is not something `encode` can have written."""


def encode(counts: LeadCounts) -> bytes:
    """Pack (n,) int32 counts, 1 <= n <= MAX_COUNTS, into the smallest blob of those tried."""
    middle = len(counts) // 2
    median = np.int32(np.partition(counts, middle)[middle])
    plain = counts.view(np.uint32)
    offsets = plain - median.view(np.uint32)
    steps = np.diff(plain, prepend=plain[:1])
    return min(_pack(MEDIAN, int(median), offsets), _pack(DIFFERENCE, int(counts[0]), steps), key=len)


def decode(blob: bytes, n: int) -> LeadCounts:
    """Unpack a blob of `n` counts to (n,) int32; raises CodecError when it cannot be one."""
    if not 1 <= n <= MAX_COUNTS:
        raise CodecError(f"a row cannot hold {n} counts")
    if len(blob) < _HEADER.size:
        raise CodecError("the header is cut short")
    residual, packing, width, base, step = _HEADER.unpack_from(blob)
    signed = _unpack(blob[_HEADER.size :], packing, width, n)
    if step != 1:
        signed *= np.uint32(step)
    start = np.int32(base).view(np.uint32)
    if residual == DIFFERENCE:
        signed = np.cumsum(signed, dtype=np.uint32)
    elif residual != MEDIAN:
        raise CodecError(f"unknown residual {residual}")
    signed += start
    return signed.view(np.int32)


def _zigzag(residuals: _Residuals) -> _Residuals:
    sign: _Residuals = (residuals.view(np.int32) >> 31).view(np.uint32)
    return (residuals << np.uint32(1)) ^ sign


def _unzigzag(values: _Residuals) -> _Residuals:
    one = np.uint32(1)
    return (values >> one) ^ (~(values & one) + one)


def _divided(residuals: _Residuals) -> tuple[int, _Residuals]:
    """(step, residuals / step as their zigzag values)."""
    signed = residuals.view(np.int32).astype(np.int64)  # room for -2^31 without its sign
    step = int(np.gcd.reduce(np.abs(signed))) or 1
    return step, _zigzag((signed // step).astype(np.int32).view(np.uint32))


def _pack(residual: int, base: int, residuals: _Residuals) -> bytes:
    step, values = _divided(residuals)
    largest = int(values.max())
    if largest == 0:
        return _HEADER.pack(residual, 0, 0, base, step)
    width = _width(largest)
    planes = _HEADER.pack(residual, width, 0, base, step) + _squeeze(_planes(values, width))
    if np.count_nonzero(values >= ESCAPE) * 2 > len(values):
        return planes  # mostly escapes: nibbles would only be added to the planes
    escape_width, nibbles = _nibbles(values)
    packed = _HEADER.pack(residual, NIBBLES, escape_width, base, step) + _squeeze(nibbles)
    return min(planes, packed, key=len)


_SIGNED = _unzigzag(np.arange(16, dtype=np.uint32))
_TWO_SIGNED = (
    np.stack((_SIGNED[np.arange(256) >> 4], _SIGNED[np.arange(256) & 15]), axis=1).view(np.uint64).ravel()
)
"""For every byte the two residuals that it holds, side by side in memory."""


def _unpack(stream: bytes, packing: int, width: int, n: int) -> _Residuals:
    """The residuals with their sign, to be written to."""
    if packing == NIBBLES and width <= 4:
        return _from_nibbles(_expand(stream, (n + 1) // 2 + width * n), width, n)
    if width != 0 or packing > 4:
        raise CodecError(f"unknown packing {packing}, {width}")
    if packing == 0:
        if stream:
            raise CodecError("bytes after an empty packing")
        return np.zeros(n, np.uint32)
    return _unzigzag(_from_planes(_expand(stream, packing * n), packing, n))


def _width(largest: int) -> int:
    return (largest.bit_length() + 7) // 8


def _planes(values: _Residuals, width: int) -> bytes:
    return values.astype("<u4").view(np.uint8).reshape(-1, 4)[:, :width].T.tobytes()


def _from_planes(raw: bytes, width: int, n: int) -> _Residuals:
    if len(raw) != width * n:
        raise CodecError("the byte planes have the wrong length")
    whole = np.zeros((n, 4), np.uint8)
    whole[:, :width] = np.frombuffer(raw, np.uint8).reshape(width, n).T
    return whole.view("<u4").ravel().astype(np.uint32)


def _nibbles(values: _Residuals) -> tuple[int, bytes]:
    """(escape width, nibble bytes then escapes)."""
    small = np.zeros(len(values) + len(values) % 2, np.uint8)
    small[: len(values)] = np.minimum(values, ESCAPE)
    pairs = (small[0::2] << 4) | small[1::2]
    escapes = values[values >= ESCAPE] - np.uint32(ESCAPE)
    if not len(escapes):
        return 0, pairs.tobytes()
    width = max(1, _width(int(escapes.max())))
    return width, pairs.tobytes() + _planes(escapes, width)


def _from_nibbles(raw: bytes, width: int, n: int) -> _Residuals:
    half = (n + 1) // 2
    if len(raw) < half:
        raise CodecError("the nibbles are cut short")
    signed = _TWO_SIGNED.take(np.frombuffer(raw, np.uint8, half)).view(np.uint32)[:n]
    if width or len(raw) > half:
        escaped = np.flatnonzero(signed == _SIGNED[ESCAPE])
        signed[escaped] = _unzigzag(_from_planes(raw[half:], width, len(escaped)) + np.uint32(ESCAPE))
    return signed


def _squeeze(raw: bytes) -> bytes:
    packer = zlib.compressobj(6, zlib.DEFLATED, 15, 9, zlib.Z_RLE)
    return packer.compress(raw) + packer.flush()


def _expand(stream: bytes, at_most: int) -> bytes:
    """Inflate to no more than `at_most` bytes, whatever the stream claims."""
    unpacker = zlib.decompressobj()
    try:
        raw = unpacker.decompress(stream, at_most + 1)
    except zlib.error as error:
        raise CodecError("the packed bytes are broken") from error
    if len(raw) > at_most or not unpacker.eof or unpacker.unused_data:
        raise CodecError("the packed bytes have the wrong length")
    return raw
