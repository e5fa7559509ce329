"""How long the disk lasts for a recording."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

RESERVE_BYTES = 64 << 20
"""A recording stops when less than this is free on its disk: a full disk harms more than the recording."""

BYTES_A_SAMPLE = 0.6
"""What a sample takes until it is known: nearly twice what a noisy 12-bit converter was measured to take."""

MEASURED_AFTER_S = 60.0


@dataclass(frozen=True, slots=True)
class Room:
    """Bytes free above the reserve, and how long they last at `bytes_a_second`."""

    free_bytes: int
    bytes_a_second: float

    @property
    def left_s(self) -> float:
        return max(0, self.free_bytes) / max(self.bytes_a_second, 1.0)


def free_bytes(path: Path) -> int | None:
    """Free on the disk that `path` is, or would be, on; None where it cannot be told."""
    try:
        return shutil.disk_usage(path.absolute().parent).free
    except OSError:
        return None


def forecast(path: Path, rate_hz: float, reserve_bytes: int = RESERVE_BYTES) -> Room | None:
    """Before a recording of `rate_hz` pairs a second begins."""
    free = free_bytes(path)
    return None if free is None else Room(free - reserve_bytes, 2 * rate_hz * BYTES_A_SAMPLE)


def bytes_a_second(path: Path, recorded_s: float, rate_hz: float) -> float:
    """While a recording runs: by what it took so far, once that is long enough to mean something."""
    if recorded_s < MEASURED_AFTER_S:
        return 2 * rate_hz * BYTES_A_SAMPLE
    return size_bytes(path) / recorded_s


def size_bytes(path: Path) -> int:
    """What a recording takes so far, with what waits beside it to be folded in."""
    files = (path, path.with_name(path.name + "-wal"))
    return sum(file.stat().st_size for file in files if file.exists())
