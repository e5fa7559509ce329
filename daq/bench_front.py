"""The bench's front end: the 1 kHz filter behind each lead, and the converter.

The circuit gives straight pieces of voltage; a one-pole filter answers a straight piece in closed form, so
any instant can be read exactly however long the piece is. The filter's capacitor is clamped just outside the
converter's span, as a real one is.
"""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

import numpy as np

from daq.bench_network import Array
from daq.bench_transient import Condition, Segment

FILTER_US = 1e6 / (2 * math.pi * 1000.0)
LOWEST_V, SPAN_V, CODES = -8.0, 48.0, 1024
CLAMP_BEYOND_V = 0.6
NOISE_V = 0.02  # rms, at the converter, in volts of the lead
COUNT_V = SPAN_V / CODES

Pair = tuple[float, float]


class Piece(NamedTuple):
    """A segment with the filters' voltages at its beginning, and the circuit's condition there."""

    begin_us: int
    end_us: int
    first: Pair
    last: Pair
    filtered: Pair
    condition: Condition


def filtered_after(piece: Piece) -> Pair:
    """Both filters' voltages at the end of the piece."""
    length = piece.end_us - piece.begin_us
    fade = math.exp(-length / FILTER_US)
    one, two = (
        _answer(first, (last - first) / length, before, length, fade)
        for first, last, before in zip(piece.first, piece.last, piece.filtered, strict=True)
    )
    return one, two


def _answer(first: float, slope: float, before: float, elapsed: float, fade: float) -> float:
    """v(s) = u(s) - bτ + (v0 - u0 + bτ) exp(-s/τ) for u(s) = u0 + b s: first-order step and ramp answers."""
    lag = slope * FILTER_US
    volt = first + slope * elapsed - lag + (before - first + lag) * fade
    return min(max(volt, LOWEST_V - CLAMP_BEYOND_V), LOWEST_V + SPAN_V + CLAMP_BEYOND_V)


class Table:
    """Consecutive pieces as arrays, to be read at many instants at once."""

    def __init__(self, pieces: list[Piece]) -> None:
        begin = np.array([p.begin_us for p in pieces], dtype=np.float64)
        length = np.array([p.end_us - p.begin_us for p in pieces], dtype=np.float64)
        self.begin_us = begin
        self._first = np.array([p.first for p in pieces]).T
        self._slope = (np.array([p.last for p in pieces]).T - self._first) / length
        self._lag = self._slope * FILTER_US
        self._decaying = np.array([p.filtered for p in pieces]).T - self._first + self._lag

    def volts(self, lead: int, times_us: Array) -> Array:
        """The filtered voltage of lead index 0 or 1 at instants from the first piece on."""
        at = np.maximum(np.searchsorted(self.begin_us, times_us, side="right") - 1, 0)
        elapsed = times_us - self.begin_us[at]
        volts: Array = (
            self._first[lead, at]
            + self._slope[lead, at] * elapsed
            - self._lag[lead, at]
            + self._decaying[lead, at] * np.exp(-elapsed / FILTER_US)
        )
        return volts


class Trail:
    """What the leads did lately: pieces in order, ready to be read."""

    def __init__(self, filtered: Pair) -> None:
        self.filtered = filtered
        self._pieces: deque[Piece] = deque()
        self._table: Table | None = None

    def follow(self, segment: Segment, before: Condition) -> None:
        """Append a segment; `before` is the circuit's condition at its beginning."""
        one, two = segment.first.tolist()
        three, four = segment.last.tolist()
        piece = Piece(segment.begin_us, segment.end_us, (one, two), (three, four), self.filtered, before)
        self._pieces.append(piece)
        self.filtered = filtered_after(piece)
        self._table = None

    def take_back(self) -> Piece:
        """Remove the last piece; the filters stand at its beginning again."""
        piece = self._pieces.pop()
        self.filtered = piece.filtered
        self._table = None
        return piece

    def forget_before(self, at_us: float) -> None:
        while self._pieces and self._pieces[0].end_us <= at_us:
            self._pieces.popleft()
            self._table = None

    def since(self, begin_us: int) -> list[Piece]:
        """The pieces that begin at `begin_us` or later."""
        return [p for p in self._pieces if p.begin_us >= begin_us]

    def restart(self, filtered: Pair) -> None:
        self._pieces.clear()
        self._table = None
        self.filtered = filtered

    def volts(self, lead: int, times_us: Array) -> Array:
        """As `Table.volts`; the times must lie within what has been followed and not been forgotten."""
        if self._table is None:
            self._table = Table(list(self._pieces))
        return self._table.volts(lead, times_us)


def codes(volts: Array, noise: np.random.Generator) -> Array:
    """Converter codes 0 to 1023 (as int32) of filtered volts; noise is added before rounding."""
    noisy = volts + noise.normal(0.0, NOISE_V, len(volts))
    counts = np.rint((noisy - LOWEST_V) / COUNT_V)
    return np.clip(counts, 0, CODES - 1).astype(np.int32)
