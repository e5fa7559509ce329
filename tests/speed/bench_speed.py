"""How fast the bench is, and what it costs at real time.

    python -m tests.speed.bench_speed [SECONDS]

Every second of bench time is 4000 pairs through circuit, filter, converter, frames, COBS, CRC and host link.
The plain alternative is the circuit alone, stepped every 8 µs as one would first write it: without it there
is no front end and no wire in that figure.
"""

from __future__ import annotations

import sys
import time

from daq.bench import BenchSource
from daq.bench_catalog import find
from daq.bench_transient import Transient
from daq.bench_workbench import Workbench
from daq.samples import Block
from daq.source import Operate

CIRCUITS = (
    "trailer-lamp",
    "horn-relay",
    "strip-light",
    "radiator-fan",
    "cabin-blower",
    "coolant-pump",
    "fuel-valve",
)


def switched(seconds: float) -> list[tuple[float, Operate]]:
    """On and off every two seconds."""
    return [(float(at), Operate("control", "on" if at % 4 else "off")) for at in range(2, int(seconds), 2)]


def times_real_time(name: str, seconds: float) -> float:
    source = BenchSource(name, speed=None, script=switched(seconds), duration_s=seconds)
    begin = time.process_time()
    pairs = sum(len(item.counts) for item in source if isinstance(item, Block))
    assert pairs == round(seconds * 4000)
    return seconds / (time.process_time() - begin)


def plain_steps(name: str, seconds: float) -> float:
    bench = Workbench(find(name), 1)
    motion: Transient = bench.transient
    begin = time.process_time()
    while motion.now_us < seconds * 1e6:
        motion.step(motion.now_us + 8)
    return seconds / (time.process_time() - begin)


def paced_cpu(name: str, seconds: float) -> float:
    source = BenchSource(name, script=[(0.5, Operate("control", "on"))], duration_s=seconds)
    begin = time.process_time()
    for _ in source:
        pass
    return (time.process_time() - begin) / seconds


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    print(f"{'circuit':18} {'unpaced':>10} {'8 µs steps':>12} {'CPU at real time':>18}")
    for name in CIRCUITS:
        fast, plain = times_real_time(name, seconds), plain_steps(name, 0.3)
        print(f"{name:18} {fast:8.0f} x {plain:10.2f} x {paced_cpu(name, 4.0):17.1%}")


if __name__ == "__main__":
    main()
