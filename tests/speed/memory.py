"""Memory and the cost of looking over a long run: whether either grows while it is recorded.

    python -m tests.speed.memory [HOURS] [headless]

A session takes simulated samples as fast as it can, in frames of 31 pairs, records them into a capture
(whose clock is the samples' own, so that it commits every second of them) and makes its snapshots: as many
as the dashboard asks for, or with `headless` as many as `record` does. Twelve times in a run: resident
memory of the process (MB), and CPU time of one snapshot (ms). Each signal runs in a process of its own. The
plain alternative, in the same run: the same samples kept in a list, as a program would that analyses a
recording at its end.
Goal: flat over an hour, but for the edges found (about 0.3 kB each).
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from daq.calibration import scale_of
from daq.capture import CaptureWriter
from daq.picture_pace import PICTURE_EVERY_S
from daq.pipeline import Pipeline
from daq.record_command import PICTURE_S
from daq.results import Started
from daq.samples import Block, Counts, DeviceInfo, Item, Layout
from daq.session import Session
from daq.source import Capability, Command
from tests.speed.line import RATE_HZ, Signal, Switching, calm, pulsed

FRAME = 31
CHUNK = FRAME * 1000
ROWS = 12
LAYOUT = Layout(RATE_HZ, scale_of(None, (0, 0), Started(1, 2000, 0, FRAME, 128), 16_000_000))


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


class Simulated:
    """A source of `signal` for some time; measures every EVERY_S, between two blocks."""

    info = DeviceInfo("memory")
    capabilities: frozenset[Capability] = frozenset()

    def __init__(self, signal: Signal, seconds: float) -> None:
        self.session: Session | None = None
        self.rows: list[tuple[float, float]] = []
        self._signal, self._seconds = signal, seconds

    def __iter__(self) -> Iterator[Item]:
        due_s = every_s = self._seconds / ROWS
        for at in range(0, int(self._seconds * RATE_HZ), CHUNK):
            counts = self._signal(at, CHUNK)
            for i in range(0, CHUNK, FRAME):
                yield Block(at + i, counts[i : i + FRAME], LAYOUT)
            if (at + CHUNK) / RATE_HZ >= due_s:
                due_s += every_s
                self._measure()

    def _measure(self) -> None:
        assert self.session is not None
        begin = time.thread_time()
        self.session.refresh()
        self.rows.append((resident_mb(), (time.thread_time() - begin) * 1e3))

    def command(self, command: Command) -> None:
        """It obeys none."""

    def close(self) -> None:
        pass


def run(name: str, signal: Signal, seconds: float, look_s: float) -> None:
    """One row of each table, in this process."""
    source = Simulated(signal, seconds)
    with tempfile.TemporaryDirectory() as folder:

        def recorder(path: Path, info: DeviceInfo) -> CaptureWriter:
            return CaptureWriter(path, info, clock=lambda: session._time_s)

        session = Session(
            source, Pipeline(), recorder, record_to=Path(folder) / "run.whichside", snapshot_every_s=look_s
        )
        source.session = session
        begin = time.process_time()
        session.start().join()
        share = (time.process_time() - begin) / seconds
        assert session.error is None, session.error
        edges = session.latest.edge_count
    _print(name, [mb for mb, _ in source.rows], f"{edges} edges, {share:.1%} of a core")
    _print("  ms", [ms for _, ms in source.rows], "a snapshot")


def run_plain(seconds: float) -> None:
    """The named alternative."""
    kept, rows = list[Counts](), list[float]()
    for at in range(0, int(seconds * RATE_HZ), CHUNK):
        kept.append(calm(at, CHUNK))
        if (at + CHUNK) / RATE_HZ >= seconds / ROWS * (len(rows) + 1):
            rows.append(resident_mb())
    _print("plain list", rows, f"{sum(len(c) for c in kept) / 1e6:.1f} M pairs")


def _print(name: str, row: list[float], more: str) -> None:
    print(f"{name:12}" + "".join(f"{x:7.1f}" for x in row) + f"   {more}", flush=True)


def main() -> None:
    seconds = 3600 * float(sys.argv[1]) if len(sys.argv) > 1 else 3600.0
    look_s = PICTURE_S if sys.argv[2:] == ["headless"] else PICTURE_EVERY_S
    print(f"{'MB at minute':12}" + "".join(f"{(i + 1) * seconds / ROWS / 60:7.0f}" for i in range(ROWS)))
    context = multiprocessing.get_context("spawn")
    signals: dict[str, Signal] = {"calm": calm, "switching": Switching(int(3 * seconds)), "pulsed": pulsed}
    for name, signal in signals.items():
        process = context.Process(target=run, args=(name, signal, seconds, look_s))
        process.start()
        process.join()
    process = context.Process(target=run_plain, args=(seconds,))
    process.start()
    process.join()


if __name__ == "__main__":
    main()
