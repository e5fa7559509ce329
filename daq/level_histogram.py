"""How often each lead stood at which level while the load was on.

A connection that heats up or frets shows as a second heap or a tail, where a mean hides it. Levels are
those of the samples (histogram of states, as in IEEE 181). Long on times are looked at in pieces spread
evenly over them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from daq.capture_reader import CaptureSource
from daq.findings import Edge, Event, EventKind, LoadState
from daq.samples import Volts

PIECES, PIECE_S = 200, 0.5
"""At most this many pieces of this length (s) are looked at: about a quarter of a second of work."""

SETTLING_S = 0.005
"""Left out at the ends of an on time (s): contacts bounce, and a pair may lie in the middle of the change."""

STILL_ON = frozenset({EventKind.DROP_DRIFT, EventKind.PULSES_CHANGED, EventKind.STUCK})
"""Events during which the load is on as ever, and whose levels are what one wants to see."""

_ROUNDING = 1e-9  # of a bar

Times = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True, eq=False)
class LevelHistogram:
    """`shares[n]` (of 1) of the samples lie from `edges_v[n]` to `edges_v[n + 1]`; ascending."""

    edges_v: Volts
    shares: npt.NDArray[np.float64]
    mean_v: float
    usual_v: float  # the middle of the fullest bar


@dataclass(frozen=True, slots=True)
class OnLevels:
    """Both leads over `on_s` seconds on, of which `looked_s` were looked at; `leads` is None without any."""

    on_s: float
    looked_s: float
    leads: tuple[LevelHistogram, LevelHistogram] | None


def histogram(volts: npt.NDArray[np.floating], bars: int, step_v: float) -> LevelHistogram:
    """Of at least one value, in at most `bars` bars of whole steps of the converter (V > 0).

    Bars that were no whole number of steps wide would show the converter's steps as heaps and holes.
    """
    low, high = float(volts.min()) - step_v / 2, float(volts.max()) + step_v / 2
    steps = max(1, round((high - low) / step_v))
    width = -(-steps // bars)
    edges = low + float(step_v * width) * np.arange(-(-steps // width) + 1)
    at = np.clip(np.floor((volts - low) / (step_v * width) + _ROUNDING), 0, len(edges) - 2)
    counts = np.bincount(at.astype(np.int64), minlength=len(edges) - 1)
    fullest = int(np.argmax(counts))
    return LevelHistogram(
        edges.astype(np.float64),
        counts / len(volts),
        float(volts.mean()),
        float(edges[fullest : fullest + 2].mean()),
    )


def on_times(initial: LoadState, edges: Sequence[Edge], whole_s: float) -> Times:
    """When the load was on (either way) in a recording of `whole_s`."""
    states = [(0.0, initial), *((edge.t_s, edge.state) for edge in edges), (whole_s, LoadState.OFF)]
    return [
        (at, until)
        for (at, state), (until, _) in pairwise(states)
        if state not in (LoadState.OFF, LoadState.UNKNOWN) and at < until
    ]


def within(times: Times, begin_s: float, end_s: float) -> Times:
    """The parts of `times` between two moments."""
    cut = [(max(begin, begin_s), min(end, end_s)) for begin, end in times]
    return [(begin, end) for begin, end in cut if begin < end]


def steadily(times: Times, events: Sequence[Event]) -> Times:
    """`times` without their first and last milliseconds, and without events that are no level of being on."""
    out: list[tuple[float, float]] = []
    breaks = sorted((e.t_s, e.t_s + e.duration_s) for e in events if e.kind not in STILL_ON)
    at = 0
    for begin, end in times:
        while at < len(breaks) and breaks[at][1] <= begin:
            at += 1
        start = begin
        for from_s, to_s in breaks[at:]:
            if from_s >= end:
                break
            out.append((start, from_s))
            start = max(start, to_s)
        out.append((start, end))
    return [(a + SETTLING_S, b - SETTLING_S) for a, b in out if b - a > 2 * SETTLING_S]


def spread(times: Times, pieces: int = PIECES, piece_s: float = PIECE_S) -> Times:
    """The times themselves where they are short enough, else pieces that lie evenly over them."""
    total_s = sum(end - begin for begin, end in times)
    if total_s <= pieces * piece_s:
        return times
    starts = np.cumsum([0.0, *(end - begin for begin, end in times)])
    wanted = (np.arange(pieces) + 0.5) * total_s / pieces - piece_s / 2
    at = np.searchsorted(starts, wanted, "right") - 1
    out = []
    for n, offset in zip(at.tolist(), (wanted - starts[at]).tolist(), strict=True):
        begin = times[n][0] + offset
        out.append((begin, min(begin + piece_s, times[n][1])))
    return out


def on_levels(source: CaptureSource, times: Times, bars: int) -> OnLevels:
    """Histograms of both leads over `times` of a capture."""
    on_s = sum(end - begin for begin, end in times)
    found: list[Volts] = []
    looked_s, step_v = 0.0, [0.0, 0.0]
    for begin, end in spread(times):
        for block in source.samples(source.sample_at(begin), source.sample_at(end)):
            found.append(block.layout.scale.volts(block.counts))
            looked_s += len(block.counts) / block.layout.rate_hz
            step_v = [max(s, abs(v)) for s, v in zip(step_v, block.layout.scale.volts_per_count, strict=True)]
    if not found:
        return OnLevels(on_s, 0.0, None)
    volts = np.concatenate(found)
    one, two = (histogram(volts[:, lead], bars, step_v[lead]) for lead in (0, 1))
    return OnLevels(on_s, looked_s, (one, two))
