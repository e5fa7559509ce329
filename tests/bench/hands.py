"""Running bench circuits in tests: without noise, with steady hands, at exact times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from daq.bench_catalog import find
from daq.bench_drives import Drive, Set
from daq.bench_rig import BenchCircuit
from daq.bench_workbench import Workbench
from daq.samples import Bias, Block, Counts, Item

Volts = npt.NDArray[np.float64]
Script = Sequence[tuple[float, str, str]]  # (s, what, to)


def steady(name: str) -> BenchCircuit:
    """The circuit with contacts that do not bounce, so that another program can be told when they move."""
    circuit = find(name)
    controls = {
        what: {to: tuple(map(_without_bounce, drives)) for to, drives in choices.items()}
        for what, choices in circuit.controls.items()
    }
    return replace(circuit, controls=controls)


def _without_bounce(drive: Drive) -> Drive:
    return replace(drive, bounce_s=0.0) if isinstance(drive, Set) else drive


def filtered(circuit: BenchCircuit, script: Script, times_s: Volts, seed: int = 1) -> Volts:
    """(n, 2) filtered volts of both leads at `times_s`, as the converter would see them without noise."""
    bench = Workbench(circuit, seed)
    for at_s, what, to in sorted(script):
        bench.run(round(at_s * 1e6))
        bench.operate(what, to, round(at_s * 1e6))
    bench.run(round(times_s[-1] * 1e6) + 1)
    return np.stack([bench.volts(lead, times_s * 1e6) for lead in (0, 1)], axis=1)


def levels(
    circuit: BenchCircuit,
    moves: Sequence[tuple[str, str]] = (),
    bias: tuple[Bias, Bias] = (Bias.OFF, Bias.OFF),
    wait_s: float = 3.0,
) -> tuple[float, float]:
    """Both leads, V, `wait_s` after the moves."""
    bench = Workbench(circuit, 1)
    for what, to in moves:
        bench.operate(what, to, 0)
    bench.set_bias(bias, 0)
    bench.run(round(wait_s * 1e6))
    at_us = np.array([wait_s * 1e6 - 1])
    return float(bench.volts(0, at_us)[0]), float(bench.volts(1, at_us)[0])


def counts_of(items: Sequence[Item]) -> Counts:
    """All pairs of a log, in order."""
    return np.concatenate([item.counts for item in items if isinstance(item, Block)])
