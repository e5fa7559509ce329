"""What a recording costs on the disk and in time, beside int16 with zlib and CSV in the same run.

    python -m tests.speed.store [MINUTES] [FOLDER]

Signals of two leads: calm (a load switched every few seconds, a converter's noise), pulsed at 100 Hz, sums
of 16 bits, and text in microvolts. `live` commits as a recording does, a second of samples at a time;
`import` as fast as it can. MB are of int16 samples (4 bytes a pair), the same for all.
"""

from __future__ import annotations

import gzip
import sys
import tempfile
import time
import zlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from daq.capture import CaptureSource, CaptureWriter
from daq.samples import Block, Counts, DeviceInfo, Layout, Scale

RATE = 4000.0
LAYOUT = Layout(RATE, Scale((48 / 4096, 48 / 4096), (-8.0, -8.0)))
FRAME = 32
INFO = DeviceInfo("speed")


def noisy(levels: Counts, spread: float, seed: int = 1) -> Counts:
    noise = np.random.default_rng(seed).normal(0, spread, levels.shape)
    return np.rint(levels + noise).astype(np.int32)


def calm(pairs: int) -> Counts:
    on = (np.arange(pairs) / RATE // 3.7) % 2 > 0
    return noisy(np.stack([np.where(on, 1740, 1760), np.where(on, 690, 1760)], axis=1), 0.7)


def pulsed(pairs: int) -> Counts:
    on = (np.arange(pairs) / RATE * 100) % 1 < 0.4
    return noisy(np.stack([np.full(pairs, 1740), np.where(on, 690, 1760)], axis=1), 0.7)


def sums(pairs: int) -> Counts:
    return noisy(calm(pairs) * 16, 12.0)


def text(pairs: int) -> Counts:
    return calm(pairs) * 11_718  # microvolts in the converter's steps


SIGNALS: dict[str, Callable[[int], Counts]] = {
    "calm 12 bit": calm,
    "pulsed 12 bit": pulsed,
    "16-bit sums": sums,
    "text, microvolts": text,
}


def record(path: Path, counts: Counts, size: int, live: bool) -> None:
    """Live, the clock moves with the samples, so that every second is committed."""
    now = 0.0

    def utc() -> datetime:
        return datetime(2026, 3, 1, tzinfo=UTC) + timedelta(seconds=now)

    with CaptureWriter(
        path, INFO, clock=(lambda: now) if live else time.monotonic, utc=utc if live else None
    ) as writer:
        for at in range(0, len(counts), size):
            now = at / RATE
            writer.append(Block(at, counts[at : at + size], LAYOUT))


def read(path: Path) -> int:
    with CaptureSource(path) as source:
        return sum(len(item.counts) for item in source if isinstance(item, Block))


def int16_zlib(path: Path, counts: Counts) -> None:
    """A second at a time, as a recorder that wants to keep what it has would do it."""
    wide = np.int16 if np.abs(counts).max() < 32768 else np.int32
    with path.open("wb") as file:
        for at in range(0, len(counts), int(RATE)):
            packed = zlib.compress(counts[at : at + int(RATE)].astype(wide).tobytes())
            file.write(len(packed).to_bytes(4, "little") + packed)


def read_int16_zlib(path: Path) -> int:
    raw, at, pairs = path.read_bytes(), 0, 0
    while at < len(raw):
        length = int.from_bytes(raw[at : at + 4], "little")
        pairs += len(np.frombuffer(zlib.decompress(raw[at + 4 : at + 4 + length]), np.int16)) // 2
        at += 4 + length
    return pairs


def csv(path: Path, counts: Counts) -> None:
    volts = LAYOUT.scale.volts(counts)
    with gzip.open(path, "wt") as file:
        file.write("time_s,lead1_v,lead2_v\n")
        file.writelines(f"{i / RATE:.5f},{a:.4f},{b:.4f}\n" for i, (a, b) in enumerate(volts.tolist()))


def read_csv(path: Path) -> int:
    with gzip.open(path, "rt") as file:
        return len(np.loadtxt(file, delimiter=",", skiprows=1))


def timed(run: Callable[[], object]) -> tuple[float, float]:
    """(wall, CPU) seconds."""
    wall, cpu = time.perf_counter(), time.process_time()
    run()
    return time.perf_counter() - wall, time.process_time() - cpu


def line(name: str, path: Path, pairs: int, write: tuple[float, float], reading: tuple[float, float]) -> str:
    megabytes = pairs * 4 / 1e6
    return (
        f"  {name:14s} {path.stat().st_size / pairs / 2:6.3f} bytes/sample   "
        f"write {megabytes / write[0]:6.1f} MB/s, {write[1] / pairs * 5e8:6.0f} ms CPU/M samples   "
        f"read {megabytes / reading[0]:6.1f} MB/s"
    )


def entropy(counts: Counts) -> float:
    """An estimate of what no packing of single samples goes below, bytes a sample.

    Shannon's entropy of the residuals of a second, of two kinds the better: against the median, or against
    the sample before; averaged over seconds and leads. What a histogram itself would take is left out.
    """
    second = int(RATE)
    whole = counts[: len(counts) // second * second].reshape(-1, second, 2)
    bits = [
        min(_bits(lead - int(np.median(lead))), _bits(np.diff(lead, prepend=lead[:1])))
        for part in whole[::10]
        for lead in (part[:, 0], part[:, 1])
    ]
    return float(np.mean(bits)) / 8


def _bits(residuals: np.ndarray) -> float:
    share = np.unique(residuals, return_counts=True)[1] / len(residuals)
    return float(-(share * np.log2(share)).sum())


def compared(folder: Path, counts: Counts) -> Iterator[str]:
    pairs = len(counts)
    for name, size, live in (("capture live", FRAME, True), ("capture import", 32_768, False)):
        path = folder / f"{name}.whichside"
        write = timed(lambda: record(path, counts, size, live))  # noqa: B023
        yield line(name, path, pairs, write, timed(lambda: read(path)))  # noqa: B023
    path = folder / "plain.zlib"
    write = timed(lambda: int16_zlib(path, counts))
    yield line("int16 + zlib", path, pairs, write, timed(lambda: read_int16_zlib(path)))
    few = counts[: min(pairs, 200_000)]
    path = folder / "plain.csv.gz"
    write = timed(lambda: csv(path, few))
    yield line("CSV + gzip", path, len(few), write, timed(lambda: read_csv(path)))


def looked_at(path: Path) -> str:
    """How long a screen waits for an overview, cold and warm, and for a second from the middle."""
    begin = time.perf_counter()
    with CaptureSource(path) as source:
        source.overview(0, source.end, 200)
        cold = time.perf_counter() - begin
        warm = [timed(lambda n=n: source.overview(0, source.end, n))[0] for n in (200, 2000)]  # type: ignore[misc]
        middle = source.end // 2
        second = timed(lambda: list(source.samples(middle, middle + int(RATE))))[0]
    return (
        f"  open and overview in 200 columns {cold * 1e3:.1f} ms; again {warm[0] * 1e3:.1f}, "
        f"2000 columns {warm[1] * 1e3:.1f} ms; a second of samples {second * 1e3:.2f} ms"
    )


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    where = sys.argv[2] if len(sys.argv) > 2 else None
    for name, make in SIGNALS.items():
        with tempfile.TemporaryDirectory(dir=where) as folder:
            counts = make(int(minutes * 60 * RATE))
            print(f"{name}, {minutes:g} minutes of {RATE:g} pairs/s")
            print(f"  entropy estimate {entropy(counts):.3f} bytes/sample")
            for text_line in compared(Path(folder), counts):
                print(text_line)
            print(looked_at(Path(folder) / "capture live.whichside"))


if __name__ == "__main__":
    main()
