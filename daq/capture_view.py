"""Hours of a capture in as many columns as a screen has: from the pyramid, and from samples close up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq import pyramid
from daq.capture_store import CaptureStore
from daq.pyramid import Bins
from daq.samples import Block, Volts


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """Volts per column and lead, each (columns, 2); NaN where there are no samples."""

    low: Volts
    high: Volts
    mean: Volts


def overview(store: CaptureStore, first: int, last: int, columns: int) -> Overview:
    """Pairs first .. last - 1 in `columns` >= 1 equal columns.

    A bin of the pyramid goes to the column its first pair is in, so no spike is lost and none shows twice;
    it may show up to a quarter of a column early.
    """
    last = max(last, first + 1)
    edges = first + (last - first) * np.arange(columns + 1, dtype=np.int64) // columns
    return overview_between(store, edges, pyramid.level_for(last - first, columns))


def overview_between(store: CaptureStore, edges: npt.NDArray[np.int64], level: int | None) -> Overview:
    """Columns between the ascending pair numbers `edges`, from bins of `level` (None: from samples).

    Columns may differ in width; one without pairs, or narrower than a bin, may stay empty.
    """
    first, last, columns = int(edges[0]), int(edges[-1]), len(edges) - 1
    total = _Columns(columns)
    if level is None:
        for piece in store.pieces(first, last):
            if isinstance(piece, Block):
                total.add(_cut(piece, edges))
    else:
        size = pyramid.bin_pairs(level)
        begin, end = max(first, store.first) // size, -(-min(last, store.end) // size)
        for bins in _bins(store, level, begin, end):
            column = np.searchsorted(edges, bins.number * size, "right") - 1
            total.add(_numbered(bins, np.clip(column, 0, columns - 1)))
    return total.done()


def totals(store: CaptureStore, first: int, last: int) -> tuple[int, Overview]:
    """How many of the pairs first .. last - 1 there are, and all of them as one column."""
    total = _Columns(1)
    for level, begin, end in pyramid.tiles(max(first, store.first), min(last, store.end)):
        for bins in _tile(store, level, begin, end):
            total.add(_numbered(bins, np.zeros(len(bins), np.int64)))
    return total.pairs, total.done()


def _tile(store: CaptureStore, level: int | None, begin: int, end: int) -> Iterator[Bins]:
    if level is not None:
        yield from _bins(store, level, begin, end)
        return
    for piece in store.pieces(begin, end):
        if isinstance(piece, Block):
            yield pyramid.bins_of(piece.first, piece.counts, piece.layout.scale)


class _Columns:
    """Columns that fill bin by bin."""

    def __init__(self, columns: int) -> None:
        self._low = np.full((columns, 2), np.inf)
        self._high = np.full((columns, 2), -np.inf)
        self._sum = np.zeros((columns, 2))
        self._pairs = np.zeros(columns, np.int64)

    def add(self, bins: Bins) -> None:
        """Take in bins whose numbers are columns; a number may come again, also in another call."""
        bins = pyramid.merged(bins)
        at = bins.number
        self._low[at] = np.minimum(self._low[at], bins.low)
        self._high[at] = np.maximum(self._high[at], bins.high)
        self._sum[at] += bins.mean * bins.pairs[:, None]
        self._pairs[at] += bins.pairs

    @property
    def pairs(self) -> int:
        return int(self._pairs.sum())

    def done(self) -> Overview:
        empty = self._pairs == 0
        for values in (self._low, self._high, self._sum):
            values[empty] = np.nan
        return Overview(self._low, self._high, self._sum / np.maximum(self._pairs, 1)[:, None])


def _cut(block: Block, edges: npt.NDArray[np.int64]) -> Bins:
    """A block's samples as bins numbered by the columns between `edges`; a column of no width gets none."""
    begin = int(np.searchsorted(edges, block.first, "right")) - 1
    end = int(np.searchsorted(edges, block.end - 1, "right"))
    number = np.arange(begin, end, dtype=np.int64)
    starts = np.maximum(edges[begin:end], block.first) - block.first
    wide = np.diff(starts, append=len(block.counts)) > 0
    return pyramid.reduce_counts(number[wide], starts[wide], block.counts, block.layout.scale)


def _bins(store: CaptureStore, level: int, begin: int, end: int) -> Iterator[Bins]:
    """Bins begin .. end - 1 of a level: stored rows, and what is not stored made from the level below.

    Nothing is stored yet of the newest part of a running recording, nor of the end of one cut off.
    """
    at = begin
    for row in store.pyramid(level, begin, end):
        if row.number[0] > at:
            yield from _derived(store, level, at, int(row.number[0]))
        part = row.slice(max(0, at - int(row.number[0])), end - int(row.number[0]))
        if len(part):
            yield part
            at = int(part.number[-1]) + 1
    if at < end:
        yield from _derived(store, level, at, end)


def _derived(store: CaptureStore, level: int, begin: int, end: int) -> Iterator[Bins]:
    if level > 0:
        below = _bins(store, level - 1, begin * pyramid.FACTOR, end * pyramid.FACTOR)
        yield from (pyramid.coarser(bins) for bins in below)
        return
    size = pyramid.FIRST_BIN
    for piece in store.pieces(begin * size, end * size):
        if isinstance(piece, Block):
            yield pyramid.bins_of(piece.first, piece.counts, piece.layout.scale)


def _numbered(bins: Bins, number: npt.NDArray[np.int64]) -> Bins:
    return Bins(number, bins.low, bins.high, bins.mean, bins.pairs)
