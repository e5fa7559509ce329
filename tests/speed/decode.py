"""How fast bytes from the wire become counts: MB/s, beside a byte-by-byte decoder in plain Python.

    python tests/speed/decode.py [seconds]

Four rows, all on the same bytes, in the same run:
  plain loop     COBS byte by byte, the CRC from a table, samples unpacked with shifts
  framing        daq.framing alone: frames out
  whole, bulk    daq.framing and daq.pair_stream, 64 KiB at a time (a capture of the line re-read)
  whole, live    the same, 256 bytes at a time (as a port delivers at 4000 pairs/s, twice a frame time)
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from daq.calibration import scale_of
from daq.framing import Deframer
from daq.messages import encode_message
from daq.pair_stream import PairStream, Run
from daq.pairs import DataFrame
from daq.results import Started
from daq.samples import Block, Layout, Scale

PAIRS = 31
STARTED = Started(1, 2000, 0, PAIRS, 128)


def wire_bytes(frames: int) -> bytes:
    """Data frames of noisy 12-bit codes, as the logger sends them."""
    counts = np.random.default_rng(1).integers(0, 1024, (frames, PAIRS, 2), dtype=np.int32)
    return b"".join(encode_message(DataFrame(n * PAIRS, 1, block), n) for n, block in enumerate(counts))


def crc_table() -> list[int]:
    table = []
    for top in range(256):
        crc = top << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
        table.append(crc)
    return table


CRC_TABLE = crc_table()


def plain_loop(data: bytes) -> int:
    """The named alternative: what one writes first. Gives the number of pairs."""
    body, pairs = bytearray(), 0
    left, full = 0, True
    for byte in data:
        if byte == 0:
            pairs += len(plain_samples(body))
            body.clear()
            left, full = 0, True
        elif left == 0:
            if not full:
                body.append(0)
            left, full = byte - 1, byte == 255
        else:
            body.append(byte)
            left -= 1
    return pairs


def plain_samples(body: bytearray) -> list[tuple[int, int]]:
    crc = 0xFFFF
    for byte in body:
        crc = (crc << 8 & 0xFFFF) ^ CRC_TABLE[crc >> 8 ^ byte]
    if crc or len(body) < 12:
        return []
    found = []
    for at in range(10, len(body) - 2, 3):
        low, middle, high = body[at : at + 3]
        found.append((low | (middle & 15) << 8, middle >> 4 | high << 4))
    return found


def framing(data: bytes) -> int:
    return len(Deframer().push(data)) * PAIRS


def whole(data: bytes, step: int) -> int:
    def scale_for(ranges: tuple[int, int]) -> Scale:
        return scale_of(None, ranges, STARTED, 16_000_000)

    deframer, stream, pairs = Deframer(), PairStream(), 0
    stream.begin(Run(1, Layout(4000.0, scale_for((0, 0))), scale_for, 0, 0.0))
    for at in range(0, len(data), step):
        payloads = [frame.payload for frame in deframer.push(data[at : at + step])]
        for item in stream.take(payloads, at):
            assert isinstance(item, Block)
            pairs += len(item.counts)
    return pairs


def measure(decode: Callable[[bytes], int], data: bytes, seconds: float) -> tuple[float, float]:
    """Best of several runs: MB/s and million pairs/s."""
    best, pairs, end = float("inf"), 0, time.perf_counter() + seconds
    while time.perf_counter() < end:
        begin = time.perf_counter()
        pairs = decode(data)
        best = min(best, time.perf_counter() - begin)
    return len(data) / best / 1e6, pairs / best / 1e6


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 3.0
    large, small = wire_bytes(40_000), wire_bytes(4_000)
    rows: list[tuple[str, Callable[[bytes], int], bytes]] = [
        ("plain loop", plain_loop, small),
        ("framing", framing, large),
        ("whole, bulk", partial(whole, step=1 << 16), large),
        ("whole, live", partial(whole, step=256), small),
    ]
    for _, decode, data in rows:
        assert decode(data) == len(data) // len(wire_bytes(1)) * PAIRS
    slowest = None
    print(f"{'':14}{'MB/s':>8}{'M pairs/s':>12}{'times plain':>14}")
    for name, decode, data in rows:
        speed, pairs = measure(decode, data, seconds)
        slowest = slowest or speed
        print(f"{name:14}{speed:8.1f}{pairs:12.2f}{speed / slowest:14.1f}")


if __name__ == "__main__":
    main()
