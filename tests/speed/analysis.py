"""How fast a recording is analysed again, beside a plain alternative in the same run.

    python -m tests.speed.analysis [SECONDS]

Signals: calm (a load switched every few seconds), ignition spikes, and pulsed at 100 Hz. The alternative is
the loop one would write first: a threshold with hysteresis on each sample in Python.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from daq.pipeline import Pipeline
from daq.samples import Block, Layout, Scale
from tests.analysis.waves import Volts, levels, pulsed

RATE = 4000.0
SCALE = Scale((48 / 1024, 48 / 1024), (-8.0, -8.0))


def calm(seconds: float) -> Volts:
    return levels([(4.0, 12.6, 12.6), (4.0, 12.5, 0.1)] * max(1, round(seconds / 8)))


def spiky(seconds: float) -> Volts:
    volts = calm(seconds).copy()
    volts[::80] += 3.0
    return volts


def pulsing(seconds: float) -> Volts:
    return pulsed(100.0, 0.4, seconds)


SIGNALS = {"calm": calm, "spikes": spiky, "pulsed 100 Hz": pulsing}


def analysed(volts: Volts, pairs: int = 32_768) -> float:
    counts = np.round((volts + 8) * 1024 / 48).astype(np.int32)
    layout = Layout(RATE, SCALE)
    begin = time.perf_counter()
    pipeline = Pipeline()
    for at in range(0, len(counts), pairs):
        pipeline.push(Block(at, counts[at : at + pairs], layout))
    pipeline.finish()
    pipeline.findings()
    return len(counts) / (time.perf_counter() - begin)


def plain_loop(volts: Volts) -> float:
    begin = time.perf_counter()
    on, edges = False, 0
    for a, b in volts.tolist():
        d = abs(a - b)
        if (on and d < 4) or (not on and d > 8):
            on = not on
            edges += 1
    return len(volts) / (time.perf_counter() - begin)


def live_cost(volts: Volts) -> float:
    """Share of a core for live analysis: 25 ms blocks, a snapshot twice a block."""
    counts = np.round((volts + 8) * 1024 / 48).astype(np.int32)
    layout = Layout(RATE, SCALE)
    pipeline = Pipeline()
    begin = time.process_time()
    for at in range(0, len(counts), 100):
        pipeline.push(Block(at, counts[at : at + 100], layout))
        if at % 200 == 0:
            pipeline.snapshot()
    return (time.process_time() - begin) / (len(counts) / RATE)


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    print(f"{'signal':16} {'analysis':>14} {'Python loop':>14} {'live, share of a core':>24}")
    for name, make in SIGNALS.items():
        volts = make(seconds)
        fast, slow = analysed(volts), plain_loop(volts)
        live = live_cost(volts[: int(30 * RATE)])
        print(f"{name:16} {fast / 1e6:9.2f} M/s {slow / 1e6:10.2f} M/s {100 * live:20.1f} %")


if __name__ == "__main__":
    main()
