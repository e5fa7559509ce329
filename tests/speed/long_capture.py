"""A capture of hours at 4000 pairs/s with known faults, made in seconds: what the look-back is measured on.

    python -m tests.speed.long_capture FILE [HOURS]

A lamp on the ground side goes on and off every ten seconds, with the front end's noise. Every quarter of an
hour the feed opens for 1 to 5 ms while the lamp is on; in the middle the logger is away for two minutes.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from daq.calibration import scale_of
from daq.capture import CaptureWriter
from daq.results import Started
from daq.samples import Block, Counts, DeviceInfo, Gap, GapReason, Item, Layout
from tests.speed.line import RATE_HZ, count_of, ground_side

HOURS = 10.0
HOLD_S, FAULT_EVERY_S, AWAY_S = 10.0, 900.0, 120.0
BLOCK = 4000
LAYOUT = Layout(RATE_HZ, scale_of(None, (0, 0), Started(1, 2000, 0, 31, 128), 16_000_000))


def faults(hours: float) -> list[tuple[int, int]]:
    """First pair and length (pairs) of every feed dropout; each lies inside an on time."""
    count = int(hours * 3600 / FAULT_EVERY_S)
    return [(int((n * FAULT_EVERY_S + 13.0) * RATE_HZ), 4 + 4 * (n % 5)) for n in range(count)]


def log(hours: float) -> Iterator[Item]:
    """The capture's items in order."""
    dropouts, pairs = faults(hours), int(hours * 3600 * RATE_HZ)
    middle = pairs // 2 // BLOCK * BLOCK
    for first in range(0, pairs, BLOCK):
        if first == middle:
            yield Gap(first, AWAY_S, 0.01, None, GapReason.UNPLUGGED)
        yield Block(first, _counts(first, dropouts), LAYOUT)


def _counts(first: int, dropouts: list[tuple[int, int]]) -> Counts:
    index = np.arange(first, first + BLOCK)
    counts = ground_side(index // int(HOLD_S * RATE_HZ) % 2 == 1, index)
    for begin, length in dropouts:
        if first <= begin < first + BLOCK:
            counts[begin - first : begin - first + length] = round(count_of(0.0))
    return counts


def make(path: Path, hours: float = HOURS) -> None:
    """Record it, a commit for every second of the samples."""
    time_s = 0.0
    begun = datetime(2026, 1, 1, 8, tzinfo=UTC)

    def utc() -> datetime:
        return begun + timedelta(seconds=time_s)

    with CaptureWriter(path, DeviceInfo("long capture"), clock=lambda: time_s, utc=utc) as writer:
        for item in log(hours):
            time_s += len(item.counts) / RATE_HZ if isinstance(item, Block) else AWAY_S
            writer.append(item)


if __name__ == "__main__":
    make(Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else HOURS)
