"""What it takes to check, trim, repair and export an hour of recording, beside plain alternatives.

    python -m tests.speed.files [MINUTES] [FOLDER]

Alternatives, on the same hour in the same run: SQLite's own integrity check (which sees no flipped bit),
a copy of the file, `numpy.savetxt`, and int16 in one piece with zlib.
"""

from __future__ import annotations

import shutil
import sqlite3
import sys
import tempfile
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np

from daq.capture import check_capture, salvage_capture, trim_capture, write_capture
from daq.export_csv import export_csv
from daq.export_parquet import export_parquet
from daq.samples import Block, Counts
from tests.speed.store import INFO, LAYOUT, RATE, calm

PIECE_MINUTES = 10.0  # of signal, repeated


def recording(path: Path, minutes: float) -> Counts:
    """A capture of repeated signal, in rows of 0.7 s as a recorder writes them; one piece of its counts."""
    counts = calm(int(min(minutes, PIECE_MINUTES) * 60 * RATE))

    def blocks() -> Iterator[Block]:
        for begin in range(0, int(minutes * 60 * RATE), len(counts)):
            for at in range(0, len(counts), 2800):
                yield Block(begin + at, counts[at : at + 2800], LAYOUT)

    write_capture(path, blocks(), INFO)
    return counts


def report(name: str, run: Callable[[], object], made: Path | None = None) -> None:
    wall, cpu = time.perf_counter(), time.process_time()
    run()
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    size = f", {made.stat().st_size / 1e6:.1f} MB" if made is not None else ""
    print(f"  {name:34s} {wall:7.2f} s, {cpu:7.2f} s CPU{size}", flush=True)


def integrity(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA integrity_check").fetchall()


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as name:
        folder = Path(name)
        path = folder / "hour.whichside"
        counts = recording(path, minutes)
        print(f"{minutes:g} minutes of {RATE:g} pairs/s, {path.stat().st_size / 1e6:.1f} MB")
        report("check", lambda: check_capture(path))
        report("SQLite's integrity_check", lambda: integrity(path))
        trimmed, half_s = folder / "trimmed.whichside", minutes * 30
        report("trim to the second half", lambda: trim_capture(path, trimmed, half_s), trimmed)
        saved = folder / "saved.whichside"
        report("check --repair", lambda: salvage_capture(path, saved), saved)
        report("a copy", lambda: shutil.copyfile(path, folder / "copy"))
        table = folder / "hour.csv"
        report("export --csv", lambda: export_csv(path, table), table)
        parquet = folder / "hour.parquet"
        report("export --parquet", lambda: export_parquet(path, parquet), parquet)
        part = counts[: int(60 * RATE)]
        rows = np.column_stack([np.arange(len(part)) / RATE, LAYOUT.scale.volts(part)])
        plain = folder / "plain.csv"
        report("savetxt, one minute of it", lambda: np.savetxt(plain, rows, "%.6f", ","), plain)
        packed = folder / "plain.zlib"
        raw = counts.astype(np.int16).tobytes()
        report("int16 + zlib, a piece of it", lambda: packed.write_bytes(zlib.compress(raw)), packed)


if __name__ == "__main__":
    main()
