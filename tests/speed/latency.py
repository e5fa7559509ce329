"""From a sample to what the screen can show: how long until an edge is in `session.latest`.

    python -m tests.speed.latency [SECONDS]

A load is switched at uneven moments; its pairs come over a pseudo-terminal from a process of their own, at
4000 pairs/s in frames of 31. Counted from the moment the first pair of the new state was taken (so the wait
for its frame, 7.75 ms, is inside) until a thread that looks every millisecond sees
  leads      the lead that moved reads its new level;
  edge       the edge in the list, and the load's new state;
  verdict    (once) the first definite verdict, counted from the edge that settles it.
The plain alternative, in the same run on the same line: read, decode, and a threshold on every pair, without
noise limits, settling, bounce or pulses.
Goal: 99 of 100 within 150 ms.
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daq.framing import Deframer, Kind
from daq.messages import Start, encode_message, parse_message
from daq.pairs import DataFrame
from daq.pipeline import Pipeline
from daq.serial_port import SerialConnection, SerialSource
from daq.session import Session
from daq.snapshot import Snapshot
from tests.speed.line import RATE_HZ, Line, Switching

LOOK_S = 0.001

Floats = npt.NDArray[np.float64]


class Watch:
    """Looks at `latest` every millisecond and notes when what it shows has changed."""

    def __init__(self, session: Session) -> None:
        self._session, self._end = session, threading.Event()
        self.leads: list[int] = []
        self.edges: list[int] = []
        self.definite: tuple[int, int] | None = None  # edges seen, and when
        self._thread = threading.Thread(target=self._look)
        self._thread.start()

    def close(self) -> None:
        self._end.set()
        self._thread.join()

    def _look(self) -> None:
        seen: Snapshot | None = None
        low = False
        while not self._end.wait(LOOK_S):
            now = self._session.latest
            if now is seen:
                continue
            seen, at = now, time.perf_counter_ns()
            if now.samples and (now.leads[1].volts < 6.0) != low:
                low = not low
                self.leads.append(at)
            self.edges += [at] * (now.edge_count - len(self.edges))
            if self.definite is None and now.judgement.confidence >= 0.9:
                self.definite = now.edge_count, at


def whole_way(folder: Path, signal: Switching, seconds: float) -> tuple[Watch, int]:
    """What was seen when, and when the run began."""
    with Line(folder, signal) as line:
        session = Session(SerialSource(line.port), Pipeline()).start()
        watch = Watch(session)
        time.sleep(seconds)
        begun = line.started_ns()
        watch.close()
        session.close()
    return watch, begun


def plain_way(folder: Path, signal: Switching, seconds: float) -> tuple[list[int], int]:
    """The named alternative: decode, and a threshold on lead 1 - lead 2."""
    seen: list[int] = []
    with Line(folder, signal) as line:
        connection, deframer, on = SerialConnection(line.port, 500_000), Deframer(), False
        connection.write(b"\0" + encode_message(Start(2000, 0, 31), 1))
        end = time.perf_counter() + seconds
        while time.perf_counter() < end:
            arrival = connection.read(0.05)
            for frame in deframer.push(arrival.data if arrival else b""):
                if frame.type != Kind.DATA:
                    continue
                data = parse_message(frame)
                assert isinstance(data, DataFrame)
                for one, two in data.counts.tolist():
                    if (one - two > 128) != on:
                        on = not on
                        seen.append(time.perf_counter_ns())
        begun = line.started_ns()
        connection.close()
    return seen, begun


def delays_ms(seen: list[int], signal: Switching, begun_ns: int) -> Floats:
    """Of each turn, in order; every turn must have been seen, once."""
    happened = begun_ns + signal.turns[: len(seen)] * (1e9 / RATE_HZ)
    return np.asarray((np.array(seen) - happened) / 1e6)


def line_of(name: str, ms: Floats) -> str:
    p50, p99 = np.percentile(ms, [50, 99])
    return f"{name:10} {len(ms):6} {p50:8.1f} {p99:8.1f} {ms.max():8.1f}"


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 120.0
    signal = Switching(int(seconds / 0.5) + 100)
    os.environ["XDG_CONFIG_HOME"] = tempfile.mkdtemp()
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        watch, begun = whole_way(Path(one), signal, seconds)
        plain, plain_begun = plain_way(Path(two), signal, seconds / 4)
    print(f"{'ms':10} {'turns':>6} {'p50':>8} {'p99':>8} {'worst':>8}")
    print(line_of("leads", delays_ms(watch.leads, signal, begun)))
    print(line_of("edge", delays_ms(watch.edges, signal, begun)))
    print(line_of("plain", delays_ms(plain, signal, plain_begun)))
    if watch.definite is not None:
        edges, at = watch.definite
        ms = (
            delays_ms([at], Switching(0), begun)
            if edges == 0
            else (at - begun) / 1e6 - signal.turns[edges - 1] / RATE_HZ * 1000
        )
        print(f"verdict at edge {edges}, {float(ms):.1f} ms after it")


if __name__ == "__main__":
    main()
