"""When a switch moves: operations, contact bounce, fretting gaps; as conductance over time.

Bounce figures: 18 switch types bounced 1.6 ms on average and 6.2 ms at worst (Ganssle's measurements, as
commonly quoted; from memory), and mostly on closing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.physics.netlist import LN_OPEN

Spans = tuple[tuple[float, float], ...]  # ((closed from, closed until), ...), s


@dataclass(frozen=True)
class Moves:
    """A contact's life: closed spans in order, and the moments its operator meant.

    Attributes:
        spans: when the contact conducts, bounce included.
        commands: (moment, closed?, end of the bounce) per operation.
    """

    spans: Spans
    commands: tuple[tuple[float, bool, float], ...]


def clean(spans: Spans) -> Moves:
    """No bounce: the contact follows the command."""
    return bouncing(spans, None, 0.0)


def bouncing(spans: Spans, rng: np.random.Generator | None, longest_s: float) -> Moves:
    """Each closing bounces up to `longest_s`, each opening up to a quarter of it."""
    pieces: list[tuple[float, float]] = []
    commands: list[tuple[float, bool, float]] = []
    for begin, end in spans:
        closing = _bounce_gaps(rng, longest_s) if begin > 0 else []
        opening = _bounce_gaps(rng, longest_s / 4) if math.isfinite(end) else []
        settled = begin + (closing[-1][1] if closing else 0.0)
        released = end + (opening[-1][1] if opening else 0.0)
        at = begin
        for gap_from, gap_to in closing:
            pieces.append((at, begin + gap_from))
            at = begin + gap_to
        pieces.append((at, end))
        pieces += [(end + a, end + b) for a, b in opening]
        commands.append((begin, True, settled))
        if math.isfinite(end):
            commands.append((end, False, released))
    return Moves(tuple(pieces), tuple(commands))


def _bounce_gaps(rng: np.random.Generator | None, longest_s: float) -> list[tuple[float, float]]:
    """Alternating instants after first touch, as (from, to) pairs inside a random length."""
    if rng is None or longest_s < 1e-4:
        return []
    length = longest_s * rng.beta(1.5, 3.0)
    flips = 2 * int(rng.integers(1, 5))
    moments = np.sort(rng.uniform(5e-5, max(length, 2e-4), flips))
    pairs = [(float(moments[i]), float(moments[i + 1])) for i in range(0, flips, 2)]
    return [(a, b) for a, b in pairs if b - a > 3e-5]


def without(spans: Spans, gaps: Sequence[tuple[float, float]]) -> Spans:
    """The spans minus the gaps."""
    pieces = list(spans)
    for gap_from, gap_to in gaps:
        cut: list[tuple[float, float]] = []
        for begin, end in pieces:
            if gap_to <= begin or gap_from >= end:
                cut.append((begin, end))
                continue
            if gap_from > begin:
                cut.append((begin, gap_from))
            if gap_to < end:
                cut.append((gap_to, end))
        pieces = cut
    return tuple(pieces)


def ln_conductance(
    spans: Spans, closed_ohm: float, travel_s: float = 1e-5, open_ohm: float | None = None
) -> list[tuple[float, float]]:
    """Points for `Netlist.conductance`: a move begins at its moment and takes `travel_s`."""
    low = LN_OPEN if open_ohm is None else -math.log(open_ohm)
    return levels([(a, b, -math.log(closed_ohm)) for a, b in spans], low, travel_s)


def gate(spans: Spans, travel_s: float = 1e-6) -> list[tuple[float, float]]:
    """0..1 points of the same spans."""
    return levels([(a, b, 1.0) for a, b in spans], 0.0, travel_s)


def levels(
    pieces: Sequence[tuple[float, float, float]], rest: float, travel_s: float
) -> list[tuple[float, float]]:
    """Straight-line points that stand at `rest` except inside each (from, until, level)."""
    points: list[tuple[float, float]] = []
    for begin, end, level in pieces:
        if begin <= 0:
            points.append((0.0, level))
        else:
            points += [(begin, rest), (begin + min(travel_s, (end - begin) / 2), level)]
        if math.isfinite(end):
            points += [(end, level), (end + travel_s, rest)]
    if not points or points[0][0] > 0:
        points.insert(0, (0.0, rest))
    return points


def operations(
    rng: np.random.Generator,
    length_s: float,
    on_s: tuple[float, float],
    off_s: tuple[float, float],
    starts_on: bool = False,
    settle_s: float = 0.12,
) -> Spans:
    """A person (or a relay) at the control: alternating random on and off times until the end."""
    spans: list[tuple[float, float]] = []
    at = -1.0 if starts_on else float(rng.uniform(0.6, 1.4) * off_s[0]) + settle_s
    first = starts_on
    while at < length_s - settle_s:
        begin_from = 0.0 if first else at
        end = begin_from + float(rng.uniform(*on_s))
        first = False
        if end > length_s - settle_s:
            spans.append((at, math.inf))
            break
        spans.append((at, end))
        at = end + float(rng.uniform(*off_s))
    return tuple(spans)
