"""Hours of a steady load with known gaps: every one of half a millisecond and half depth is caught, no other.

The recording is made piece by piece and never as a whole: white noise and 1/f noise, the ripple of a charging
system (1 V from top to bottom, 0.3 to 1.5 kHz), engines being cranked, a load that is pulsed for a while, and
gaps of 0.25 to 50 ms on either side of the load, of half to full depth, behind the front end's 1 kHz low-pass
and its 10 bits over 48 V. What a gap looks like, at a lamp or a relay with a diode, is ngspice's answer.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import lfilter

from daq.findings import to_json
from daq.pipeline import Pipeline
from tests.analysis.volts import blocks
from tests.analysis.waves import rounded
from tests.whole.gap_shapes import AFTER_S, BEFORE_S, DEPTHS, shapes

RATE = 4000.0
PIECE_S = 60.0
GAPS_MS = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
EVERY_S = 2.0
PULSED_S = (20.0, 40.0)
PULSES_HZ, PULSES_DUTY = 203.0, 0.6  # switched on the ground side
CRANK_S = 1.0
CRANK_AT_S = [0, 0.005, 0.02, 0.05, CRANK_S, CRANK_S + 0.05]  # shape of ISO 16750-2 level I, from memory
CRANK_V = [0.0, -5.5, -5.5, -4.0, -3.0, 0.0]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Gap:
    at_s: float
    length_s: float
    names: tuple[str, ...]


def pink(n: int, rms: float, rng: np.random.Generator) -> Array:
    """1/f noise: each frequency's power falls with it."""
    size = 1.0 / np.sqrt(np.arange(1, n // 2 + 1))
    spectrum = np.concatenate([[0.0], size * np.exp(2j * np.pi * rng.random(len(size)))])
    noise = np.fft.irfft(spectrum, n)
    return np.asarray(noise / noise.std() * rms)


def piece(number: int, rng: np.random.Generator) -> tuple[Array, list[Gap]]:
    """A minute: pins as the converter reads them, and its gaps (times from the minute's begin)."""
    n = round(PIECE_S * RATE)
    t = np.arange(n) / RATE
    source = 13.8 + pink(n, 0.02, rng)
    ripple_hz = (None, 300.0, 700.0, 1500.0)[number % 4]
    if ripple_hz is not None:
        source += 0.5 * np.sin(2 * np.pi * ripple_hz * t + 0.3 * np.sin(2 * np.pi * 0.2 * t))
    if number % 5 == 4:  # the engine is cranked at the end of the minute
        at = t - (PIECE_S - 2 * CRANK_S)
        source += np.interp(at, CRANK_AT_S, CRANK_V)
    source = _low_passed(source)
    load = ("lamp", "relay")[number % 2]
    known = shapes(GAPS_MS)
    parts = np.tile(known[load, "feed dropout", GAPS_MS[0]][0].parts[0], (n, 1))
    gaps = []
    pulsed = PULSED_S if number % 7 == 6 else (0.0, 0.0)
    for k, begin in enumerate(np.arange(1.0, PIECE_S - 2 * CRANK_S - 1.5, EVERY_S)):
        kind = "feed dropout" if (k // len(GAPS_MS) + number) % 2 else "ground dropout"
        ms = GAPS_MS[k % len(GAPS_MS)]
        shape = known[load, kind, ms][rng.integers(len(DEPTHS))]
        # a coil keeps its current through a bad contact: the voltage rises again by itself, as in a sag
        sags = kind == "feed dropout" and load == "relay" and shape.depth < 1
        names = (kind, "sag or feed loss") if sags else (kind,)
        gap = Gap(float(begin + 0.3 * rng.random()), shape.length_s, names)
        if pulsed[0] - 1.0 < gap.at_s < pulsed[1] + 1.0:
            continue
        a, b = (round(s * RATE) for s in (gap.at_s - BEFORE_S, gap.at_s + gap.length_s + AFTER_S))
        parts[a:b] = shape.at(t[a:b] - gap.at_s)
        gaps.append(gap)
    off = (t >= pulsed[0]) & (t < pulsed[1]) & (t * PULSES_HZ % 1 >= PULSES_DUTY)
    parts[:, 1] += _low_passed(np.where(off, parts[:, 0] - parts[:, 1], 0.0))
    return rounded(source[:, None] * parts + rng.normal(0, 0.02, parts.shape)), gaps


def _low_passed(wave: Array) -> Array:
    """By the front end, 1 kHz."""
    share = 1 - np.exp(-2 * np.pi * 1000 / RATE)
    return np.asarray(lfilter([share], [1, share - 1], wave - wave[0]) + wave[0])


def minutes(count: int, seed: int) -> Iterator[tuple[Array, list[Gap]]]:
    rng = np.random.default_rng(seed)
    for number in range(count):
        volts, gaps = piece(number, rng)
        begin = number * PIECE_S
        yield volts, [replace(g, at_s=begin + g.at_s) for g in gaps]


def caught(count: int, seed: int) -> tuple[dict[float, list[bool]], list[tuple[str, float]]]:
    """(for each length in ms: whether each gap was caught and named, every other claim of a gap)."""
    pipeline = Pipeline("steady")
    gaps: list[Gap] = []
    first = 0
    for volts, some in minutes(count, seed):
        for block in blocks(volts, RATE, range(4000, len(volts), 4000), first):
            pipeline.push(block)
        first += len(volts)
        gaps += some
    pipeline.finish()
    events = to_json(pipeline.findings(), "")["events"]
    claims = [(str(e["kind"]), float(e["t_s"])) for e in events if "dropout" in e["kind"]]
    sags = [(str(e["kind"]), float(e["t_s"])) for e in events if e["kind"] == "sag or feed loss"]
    used: set[int] = set()
    hits: dict[float, list[bool]] = {ms: [] for ms in GAPS_MS}
    times = np.array([at for _, at in claims])
    for gap in gaps:
        near = [int(i) for i in np.flatnonzero(np.abs(times - gap.at_s) < 0.003)]
        used |= set(near)
        told = [claims[i] for i in near] + [s for s in sags if abs(s[1] - gap.at_s) < 0.003]
        hits[round(1000 * gap.length_s, 3)].append(any(kind in gap.names for kind, _ in told))
    return hits, [c for i, c in enumerate(claims) if i not in used]


def check(count: int, seed: int) -> dict[float, list[bool]]:
    hits, others = caught(count, seed)
    assert others == []
    missed = {ms: found.count(False) for ms, found in hits.items() if ms >= 0.5 and not all(found)}
    assert missed == {}
    return hits


def test_every_gap_of_some_minutes_is_caught_and_nothing_else() -> None:
    check(5, seed=1)


@pytest.mark.long
def test_every_gap_of_ten_hours_is_caught_and_nothing_else() -> None:
    check(600, seed=2)
