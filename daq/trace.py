"""TraceRing: the last minutes as min/max bins, for drawing only.

A bin is a fixed number of consecutive positions, locked to the absolute position, so that the picture of
a bin never changes once it is full, whatever the chunking and whatever the zoom: a column of the screen
is a whole number of bins. The position counts the pairs that exist and the time that was lost, so the
horizontal axis is time and a gap is seen as one.

Cost: two `reduceat` a second, or a look where somebody looks more often; a minute at 4000 pairs/s takes 1 MB.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from daq.samples import Block, Counts, Gap, Scale, Volts

BIN_S = 0.001
"""A bin is about this long (s): four pairs at 4000 pairs/s. Finer is never drawn; coarser would blur 1 s."""

KEPT_S = 64.0
"""How much is kept (s): the longest window that the screens offer is a minute."""

WAIT_S = 1.0
"""How long blocks wait for somebody to look (s): folding a block alone costs as much as folding a second."""

NOTED = "note"
"""How a note, or a mark with a label, stands among the marks."""

MARKS_KEPT = 200
"""More than a person makes in the time that is kept."""


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Consecutive columns: lowest and highest volts of each lead, (n, 2); NaN where nothing was sampled."""

    first: int  # absolute index of the first column
    low: Volts
    high: Volts
    lost: npt.NDArray[np.bool_]  # (n,): time was lost in this column
    marks: tuple[tuple[int, str], ...] = ()  # (column, what the user marked), oldest first


@dataclass(frozen=True, slots=True, eq=False)
class _Drawn:
    """What was asked for last: a picture asks for nearly the same again with every frame."""

    bins_per_column: int
    newest: int  # newest bin then: it and what came after may have changed
    columns: Columns


class TraceRing:
    """Push blocks and gaps, read columns. Not locked: the session guards it."""

    def __init__(self, kept_s: float = KEPT_S) -> None:
        self._kept_s = kept_s
        self.rate_hz = 0.0
        self.bin_pairs = 1
        self._drawn: _Drawn | None = None
        self._waiting: list[Block] = []  # of one layout, not folded yet
        self._waiting_pairs = 0
        self._allocate()

    @property
    def bins(self) -> int:
        """Bins begun so far, the last one perhaps not full: one more than the newest bin's index."""
        self._fold_waiting()
        return self._newest + 1

    def push(self, item: Block | Gap) -> None:
        """Take the next block or gap. A block with another rate starts a new picture."""
        if isinstance(item, Gap):
            self._fold_waiting()
            self._lose(item.seconds)
            return
        if self._waiting and item.layout != self._waiting[0].layout:
            self._fold_waiting()
        if item.layout.rate_hz != self.rate_hz:
            self._restart(item.layout.rate_hz)
        if len(item.counts):
            self._waiting.append(item)
            self._waiting_pairs += len(item.counts)
        if self._waiting_pairs >= WAIT_S * self.rate_hz:
            self._fold_waiting()

    def columns(self, first: int, last: int, bins_per_column: int) -> Columns:
        """Columns with absolute index `first` <= i < `last`, each of `bins_per_column` bins."""
        self._fold_waiting()
        before = self._whole_before(first, last, bins_per_column)
        begin = first if before is None else first + len(before.low)
        found = self._gathered(begin, last, bins_per_column)
        if before is not None:
            found = Columns(
                first,
                np.concatenate((before.low, found.low)),
                np.concatenate((before.high, found.high)),
                np.concatenate((before.lost, found.lost)),
            )
        self._drawn = _Drawn(bins_per_column, self._newest, found)
        marks = tuple((at // bins_per_column, what) for at, what in self._marks)
        return replace(found, marks=tuple(mark for mark in marks if first <= mark[0] < last))

    def _whole_before(self, first: int, last: int, bins_per_column: int) -> Columns | None:
        """The columns from `first` on that were whole when last asked for: they never change."""
        drawn = self._drawn
        if drawn is None or drawn.bins_per_column != bins_per_column or drawn.columns.first > first:
            return None
        if first * bins_per_column <= self._newest - len(self._lost):
            return None  # the oldest of them is no longer kept
        old, begin = drawn.columns, first - drawn.columns.first
        end = min(drawn.newest // bins_per_column, last, old.first + len(old.low)) - old.first
        if end <= begin:
            return None
        return Columns(first, old.low[begin:end], old.high[begin:end], old.lost[begin:end])

    def _gathered(self, first: int, last: int, bins_per_column: int) -> Columns:
        index = np.arange(first * bins_per_column, last * bins_per_column)
        kept = (index >= 0) & (index <= self._newest) & (index > self._newest - len(self._lost))
        slot = index % len(self._lost)
        shape = (last - first, bins_per_column)
        low = np.where(kept[:, None], self._low[slot], np.nan).reshape(*shape, 2)
        high = np.where(kept[:, None], self._high[slot], np.nan).reshape(*shape, 2)
        lost = np.logical_or.reduce((self._lost[slot] & kept).reshape(shape), axis=1)
        return Columns(first, np.fmin.reduce(low, axis=1), np.fmax.reduce(high, axis=1), lost)

    def mark(self, what: str, later_s: float = 0.0) -> None:
        """The user marked `what`, `later_s` after the newest pair (before it, where negative)."""
        self._fold_waiting()
        at = self._head + round(later_s * self.rate_hz)
        self._marks.append((max(0, at) // self.bin_pairs, what))

    def _allocate(self) -> None:
        self._drawn = None
        count = int(np.ceil(self._kept_s * self.rate_hz / self.bin_pairs)) + 1
        self._low = np.full((count, 2), np.nan)
        self._high = np.full((count, 2), np.nan)
        self._lost = np.zeros(count, dtype=np.bool_)
        self._head = 0  # position after the last pair
        self._newest = -1  # newest bin begun
        self._marks: deque[tuple[int, str]] = deque(maxlen=MARKS_KEPT)

    def _restart(self, rate_hz: float) -> None:
        self.rate_hz = rate_hz
        self.bin_pairs = max(1, round(rate_hz * BIN_S))
        self._allocate()

    def _fold_waiting(self) -> None:
        blocks, self._waiting, self._waiting_pairs = self._waiting, [], 0
        if blocks:
            counts = blocks[0].counts if len(blocks) == 1 else np.concatenate([b.counts for b in blocks])
            self._fold(counts, blocks[0].layout.scale)

    def _fold(self, counts: Counts, scale: Scale) -> None:
        begin, self._head = self._head, self._head + len(counts)
        bins = np.arange(begin // self.bin_pairs, (self._head - 1) // self.bin_pairs + 1)
        starts = np.maximum(bins * self.bin_pairs - begin, 0)
        one = scale.volts(np.minimum.reduceat(counts, starts, axis=0))
        other = scale.volts(np.maximum.reduceat(counts, starts, axis=0))
        self._open(int(bins[-1]))
        room = len(self._lost)
        slot = bins[-room:] % room
        # A negative scale turns the lowest count into the highest voltage.
        self._low[slot] = np.fmin(self._low[slot], np.minimum(one, other)[-room:])
        self._high[slot] = np.fmax(self._high[slot], np.maximum(one, other)[-room:])

    def _lose(self, seconds: float) -> None:
        if self._newest < 0:
            return  # nothing drawn yet
        begin = self._head // self.bin_pairs
        self._head += round(seconds * self.rate_hz)
        self._open(self._head // self.bin_pairs)
        room = len(self._lost)
        self._lost[np.arange(max(begin, self._newest - room + 1), self._newest + 1) % room] = True

    def _open(self, newest: int) -> None:
        """Empty the bins up to `newest` that are new."""
        room = len(self._lost)
        slot = np.arange(max(self._newest, newest - room) + 1, newest + 1) % room
        self._low[slot] = np.nan
        self._high[slot] = np.nan
        self._lost[slot] = False
        self._newest = max(self._newest, newest)
