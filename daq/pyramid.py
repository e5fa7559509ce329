"""Minimum, maximum and mean of ever larger bins of samples, so that hours can be drawn at once. Pure.

Level L has bins of 256 * 8^L pairs, locked to the absolute sample index: bin k covers the pairs from
k * size to (k + 1) * size. Bins are in volts, so that they may span a change of range or scale. A view of
`columns` columns takes the coarsest level with at least four bins a column; finer than level 0, samples.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.samples import Counts, Scale, Volts

FIRST_BIN = 256  # pairs; a row of level 0 then spans about 16 s at 4000 pairs/s
FACTOR = 8
LEVELS = 6  # the coarsest bins are 35 minutes at 4000 pairs/s
ROW_BINS = 256
BINS_A_COLUMN = 4  # a bin at a column's edge then shifts by at most a quarter of a column

_BYTES_A_BIN = 3 * 4  # least, greatest, mean as float32


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """Bins with ascending numbers; `low`, `high`, `mean` are (n, 2) volts, `pairs` (n,) how many went in."""

    number: npt.NDArray[np.int64]
    low: Volts
    high: Volts
    mean: Volts
    pairs: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.number)

    def slice(self, begin: int, end: int | None) -> Bins:
        part = np.s_[begin:end]
        return Bins(self.number[part], self.low[part], self.high[part], self.mean[part], self.pairs[part])


def bin_pairs(level: int) -> int:
    return int(FIRST_BIN * FACTOR**level)


def level_for(pairs: int, columns: int) -> int | None:
    """The coarsest level with at least BINS_A_COLUMN bins a column; None where samples are needed."""
    fitting = [lv for lv in range(LEVELS) if bin_pairs(lv) * BINS_A_COLUMN * columns <= pairs]
    return fitting[-1] if fitting else None


def tiles(first: int, last: int, level: int = LEVELS - 1) -> Iterator[tuple[int | None, int, int]]:
    """Pairs first .. last - 1 as the fewest whole bins: (level, first bin, end), or (None, pairs) between."""
    if level < 0:
        if first < last:
            yield None, first, last
        return
    size = bin_pairs(level)
    begin, end = -(-first // size), last // size
    if begin >= end:
        yield from tiles(first, last, level - 1)
        return
    yield from tiles(first, begin * size, level - 1)
    yield level, begin, end
    yield from tiles(end * size, last, level - 1)


def bins_of(first: int, counts: Counts, scale: Scale, size: int = FIRST_BIN) -> Bins:
    """Bins of `size` pairs from counts (n, 2), n >= 1, the first of which is pair `first`."""
    number = np.arange(first // size, (first + len(counts) - 1) // size + 1, dtype=np.int64)
    starts = np.maximum(number * size - first, 0)
    return reduce_counts(number, starts, counts, scale)


def reduce_counts(
    number: npt.NDArray[np.int64], starts: npt.NDArray[np.int64], counts: Counts, scale: Scale
) -> Bins:
    """Bins that begin at the ascending offsets `starts` into `counts` and reach to the next one."""
    pairs = np.diff(starts, append=len(counts))
    one = scale.volts(np.minimum.reduceat(counts, starts, axis=0))
    other = scale.volts(np.maximum.reduceat(counts, starts, axis=0))
    mean = scale.volts(np.add.reduceat(counts, starts, axis=0, dtype=np.int64) / pairs[:, None])
    # a front end may invert: the least counts are then the greatest volts
    return Bins(number, np.minimum(one, other), np.maximum(one, other), mean, pairs)


def joined(parts: list[Bins]) -> Bins:
    """One Bins from several; a number that occurs on both sides of a seam stays double (see `merged`)."""
    return Bins(
        np.concatenate([p.number for p in parts]),
        np.concatenate([p.low for p in parts]),
        np.concatenate([p.high for p in parts]),
        np.concatenate([p.mean for p in parts]),
        np.concatenate([p.pairs for p in parts]),
    )


def merged(bins: Bins) -> Bins:
    """Neighbours with the same number become one bin."""
    starts = np.flatnonzero(np.diff(bins.number, prepend=bins.number[0] - 1))
    pairs = np.add.reduceat(bins.pairs, starts)
    total = np.add.reduceat(bins.mean * bins.pairs[:, None], starts, axis=0)
    return Bins(
        bins.number[starts],
        np.minimum.reduceat(bins.low, starts, axis=0),
        np.maximum.reduceat(bins.high, starts, axis=0),
        total / pairs[:, None],
        pairs,
    )


def coarser(bins: Bins) -> Bins:
    """The same, one level up."""
    return merged(Bins(bins.number // FACTOR, bins.low, bins.high, bins.mean, bins.pairs))


class PyramidBuilder:
    """Takes samples in order and gives away rows of ROW_BINS bins as they fill.

    The last bin of each level stays open until a later one begins. Cost: 6 numpy reductions a call, so feed
    it a second at a time, not a frame.
    """

    def __init__(self) -> None:
        self._waiting: list[list[Bins]] = [[] for _ in range(LEVELS)]

    def push(self, first: int, counts: Counts, scale: Scale) -> Iterator[tuple[int, Bins]]:
        """Add counts (n, 2), n >= 1, and yield the (level, row) that are now full."""
        fresh: Bins | None = bins_of(first, counts, scale)
        for level in range(LEVELS):
            if fresh is None:
                return
            bins = merged(joined([*self._waiting[level], fresh]))
            done = (len(bins) - 1) // ROW_BINS * ROW_BINS
            for at in range(0, done, ROW_BINS):
                yield level, bins.slice(at, at + ROW_BINS)
            self._waiting[level] = [bins.slice(done, None)]
            fresh = coarser(fresh)

    def finish(self) -> Iterator[tuple[int, Bins]]:
        """The rows that are not full, at the end of the recording."""
        for level, waiting in enumerate(self._waiting):
            if waiting:
                yield level, waiting[0]


def encode_lead(bins: Bins, lead: int) -> bytes:
    """One lead (0 or 1) of a row: float32 least, greatest, mean of all bins, as byte planes, with zlib."""
    values = np.stack([bins.low[:, lead], bins.high[:, lead], bins.mean[:, lead]]).astype("<f4")
    return zlib.compress(values.view(np.uint8).reshape(-1, 4).T.tobytes(), 6)


def decode_lead(blob: bytes, bins: int) -> Volts | None:
    """(3, bins) volts: least, greatest, mean; None when the blob is not what `encode_lead` writes."""
    size = _BYTES_A_BIN * bins
    unpacker = zlib.decompressobj()
    try:
        raw = unpacker.decompress(blob, size + 1)
    except zlib.error:
        return None
    if len(raw) != size or not unpacker.eof or unpacker.unused_data:
        return None
    planes = np.frombuffer(raw, np.uint8).reshape(4, 3 * bins)
    values = np.ascontiguousarray(planes.T).view("<f4").reshape(3, bins).astype(np.float64)
    return values if np.isfinite(values).all() else None
