"""What the tables of a capture mean: segments, samples, bins of the pyramid, gaps and changes.

Every row is checked for sense as well as for its checksum, since a capture may come from anyone. Indices
here are those of the file, also behind a damaged place.
"""

from __future__ import annotations

import heapq
import json
import math
import sqlite3
import threading
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path

import numpy as np

from daq import capture_schema as schema
from daq.capture_rows import BATCH, LAST_KEY, RowReader, StoredRow
from daq.capture_schema import Table, Value
from daq.codec import MAX_COUNTS, decode
from daq.pyramid import ROW_BINS, Bins, bin_pairs, decode_lead
from daq.samples import Block, BlockFlag, Change, Gap, Layout


@dataclass(frozen=True, slots=True)
class Segment:
    """Samples that follow each other in one layout; `start_s` counts from the file's first pair."""

    number: int
    first: int
    start_s: float
    layout: Layout
    reason: str  # "start", "layout", or the reason of the gap before it

    def time_of(self, sample: int) -> float:
        return self.start_s + (sample - self.first) / self.layout.rate_hz


@dataclass(frozen=True, slots=True)
class Lost:
    """Pairs first .. end - 1 should be there and are not."""

    first: int
    end: int


@dataclass(frozen=True, slots=True)
class Entry:
    """A gap or change, `number`-th to arrive, when pair `position` was next."""

    number: int
    position: int
    item: Gap | Change


class CaptureStore(RowReader):
    """One open capture. Every method may be called from any thread."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._indexing = threading.Lock()  # segments are found by whoever needs them first
        self._segments: list[Segment] = []
        self._by_number: dict[int, Segment] = {}
        self._layouts: dict[int, Layout] = {}
        self._channels: dict[tuple[int, int], Sequence[Value]] = {}
        self._next_segment = self._next_layout = self._next_channel = 0  # rows not looked at yet
        self.meta: dict[str, str] = {row[1]: row[2] for row in self.scan(schema.META)}

    # Segments and their layouts

    def segments(self) -> list[Segment]:
        """All segments so far, in order; while someone records, later calls find more."""
        with self._indexing:
            self._read_segments()
            return self._segments

    def _read_segments(self) -> None:
        for row in self.scan(schema.SEGMENT, self._next_segment):
            number, first, layout_id, start_s, reason = row[1:6]
            layout = self._layout(layout_id)
            before = self._segments[-1] if self._segments else None
            disorder = before and (first <= before.first or start_s < before.start_s)
            if layout is None or disorder or not math.isfinite(start_s):
                self.note_damage(schema.SEGMENT, row[0], "its layout is missing or it is out of order")
            else:
                self._segments.append(Segment(number, first, start_s, layout, reason))
                self._by_number[number] = self._segments[-1]
            self._next_segment = row[0] + 1

    def segment_at(self, sample: int) -> Segment | None:
        """The segment that pair `sample` is in, or the nearest; None where there is none at all."""
        segments = self._segments or self.segments()
        at = bisect_right(segments, sample, key=lambda segment: segment.first) - 1
        return segments[max(at, 0)] if segments else None

    def time_of(self, sample: int) -> float:
        """Seconds from the file's first pair, gaps included."""
        segment = self.segment_at(sample)
        return segment.time_of(sample) if segment else 0.0

    def time_behind(self, end: int) -> float:
        """The time at which pair `end` - 1 is over, s from the file's first pair."""
        segment = self.segment_at(end - 1)
        return segment.time_of(end) if segment else 0.0

    def sample_at(self, time_s: float) -> int:
        """The pair at or after a time; inside a gap, the first behind it."""
        segments = self.segments()
        at = bisect_right(segments, time_s, key=lambda segment: segment.start_s) - 1
        if at < 0:
            return self.first
        pairs = (time_s - segments[at].start_s) * segments[at].layout.rate_hz
        inside = segments[at].first + math.ceil(pairs - 1e-6)  # a pair's own time must find it again
        return min(inside, segments[at + 1].first if at + 1 < len(segments) else self.end)

    def segment_number(self, number: int) -> Segment | None:
        if number not in self._by_number:
            self.segments()
        return self._by_number.get(number)

    def _layout(self, layout_id: int) -> Layout | None:
        if layout_id not in self._layouts:
            self._read_layouts()
        return self._layouts.get(layout_id)

    def _read_layouts(self) -> None:
        own = list(self.scan(schema.LAYOUT, self._next_layout))  # before channel: both came in one commit
        for row in self.scan(schema.CHANNEL, self._next_channel):
            self._channels[row[1], row[2]] = row[1:]
            self._next_channel = row[0] + 1
        for row in own:
            channels = [self._channels.get((row[1], lead)) for lead in (1, 2)]
            self._next_layout = row[0] + 1
            try:
                self._layouts[row[1]] = schema.layout_of(row[1:], [c for c in channels if c])
            except ValueError as error:
                self.note_damage(schema.LAYOUT, row[0], str(error))

    # Samples

    @property
    def complete(self) -> bool:
        """Whether the recorder closed the file itself, at the end of the recording."""
        return self.meta.get("complete") == "yes"

    @property
    def first(self) -> int:
        segments = self._segments or self.segments()
        return segments[0].first if segments else 0

    @property
    def end(self) -> int:
        """The index after the last pair (so far)."""
        return self._declared_end() or self._found_end()

    def _declared_end(self) -> int:
        """What the recorder wrote when it closed the file; 0 where it did not."""
        text = self.meta.get("end", "")
        return int(text) if self.complete and text.isdecimal() and len(text) < 19 else 0

    def _found_end(self) -> int:
        """Behind the last intact row; damaged ones after it were not acknowledged as far as anyone knows."""
        sql = f"{schema.BLOCK.select} ORDER BY rowid DESC LIMIT ?"
        with suppress(sqlite3.DatabaseError):
            for limit in (1, BATCH):
                for row in self.query(sql, limit):
                    if schema.BLOCK.intact(row[1:]) and self.segment_number(row[3]):
                        return int(row[1] + row[2])
        return self.first

    def pieces(self, first: int, end: int = LAST_KEY) -> Iterator[Block | Lost]:
        """The samples first .. end - 1 in order, as Blocks with the file's indices, and what is Lost of them.

        Blocks are cut where flags change. Behind the last pair there is nothing, neither Block nor Lost.
        """
        at = max(first, self.first)
        for row in self.scan(schema.BLOCK, self._row_with(at), end):
            for block in self._blocks(row):
                if block.end <= at or block.first >= end:
                    continue
                if block.first > at:
                    yield Lost(at, block.first)
                yield block.part(max(block.first, at), min(block.end, end))
                at = block.end
        last = min(end, self._declared_end())
        if at < last:
            yield Lost(at, last)

    def _row_with(self, sample: int) -> int:
        """The number of the row that holds `sample`, or one before it."""
        try:
            ((found,),) = self.query("SELECT max(rowid) FROM block WHERE rowid <= ?", sample)
        except sqlite3.DatabaseError:
            return max(0, sample - MAX_COUNTS)
        return max(0, found) if found is not None else sample

    def _blocks(self, row: StoredRow) -> list[Block]:
        key, first, pairs, number, flags, lead1, lead2, _ = row
        segment = self.segment_number(number)
        if segment is None or first < segment.first:
            self.note_damage(schema.BLOCK, key, "its segment is missing")
            return []
        try:
            counts = np.stack((decode(lead1, pairs), decode(lead2, pairs))).T  # each lead contiguous
            runs = _runs(flags, pairs)
        except ValueError as error:  # a CodecError is one
            self.note_damage(schema.BLOCK, key, str(error))
            return []
        return [Block(first + begin, counts[begin:end], segment.layout, flag) for begin, end, flag in runs]

    def pyramid(self, level: int, begin: int, end: int) -> Iterator[Bins]:
        """The stored rows that touch bins begin .. end - 1 of a level, whole, in order."""
        sql = f"{schema.PYRAMID.select} WHERE level = ? AND bin > ? AND bin < ? ORDER BY bin"
        try:
            rows = self.query(sql, level, begin - ROW_BINS, end)
            first, last = self.first, self.end
        except sqlite3.DatabaseError:
            self.note_damage(schema.PYRAMID, level, "the page cannot be read")
            return
        for row in rows:
            bins = _bins(row, first, last)
            if bins is None:
                self.note_damage(schema.PYRAMID, row[0], "the checksum does not fit")
            else:
                yield bins

    # Gaps and changes

    def entries(self, begin: int) -> Iterator[Entry]:
        """Entries from number `begin` on, as far as committed now."""
        end = LAST_KEY if self.complete else self._entries_end()
        gaps = self._made(schema.GAP, schema.gap_of, begin, end)
        changes = self._made(schema.CHANGE, schema.change_of, begin, end)
        return heapq.merge(gaps, changes, key=attrgetter("number"))

    def _made(
        self, table: Table, maker: Callable[[Sequence[Value]], Gap | Change], begin: int, end: int
    ) -> Iterator[Entry]:
        for row in self.scan(table, begin, end):
            try:
                yield Entry(row[1], row[2], maker(row[1:]))
            except ValueError as error:
                self.note_damage(table, row[0], str(error))

    def _entries_end(self) -> int:
        """Both tables must be read to the same entry, though a recorder may be adding to them."""
        sql = "SELECT (SELECT max(rowid) FROM gap), (SELECT max(rowid) FROM change)"
        try:
            ((gap, change),) = self.query(sql)
        except sqlite3.DatabaseError:
            return LAST_KEY
        return max(gap or 0, change or 0) + 1


def _bins(row: StoredRow, first: int, last: int) -> Bins | None:
    if not schema.PYRAMID.intact(row[1:]) or not 1 <= row[3] <= ROW_BINS:
        return None
    leads = [decode_lead(blob, row[3]) for blob in row[4:6]]
    if leads[0] is None or leads[1] is None:
        return None
    low, high, mean = np.stack([leads[0], leads[1]], axis=2)
    number = row[2] + np.arange(row[3], dtype=np.int64)
    size = bin_pairs(row[1])
    pairs = np.minimum((number + 1) * size, last) - np.maximum(number * size, first)
    return Bins(number, low, high, mean, np.maximum(pairs, 1))


def _runs(text: str, pairs: int) -> list[tuple[int, int, BlockFlag]]:
    """(begin, end, flags) that cover a row of `pairs`; raises ValueError where the text makes no sense."""
    runs: list[tuple[int, int, BlockFlag]] = []
    at = 0
    for begin, count, flags in _flagged(text):
        if begin < at or count < 1 or begin + count > pairs or not 0 < flags < 256:
            raise ValueError("the flags make no sense")
        if begin > at:
            runs.append((at, begin, BlockFlag.NONE))
        at = begin + count
        runs.append((begin, at, BlockFlag(flags)))
    if at < pairs:
        runs.append((at, pairs, BlockFlag.NONE))
    return runs


def _flagged(text: str) -> list[tuple[int, int, int]]:
    if not text:
        return []
    try:
        return [(int(begin), int(count), int(flags)) for begin, count, flags in json.loads(text)]
    except (TypeError, OverflowError, RecursionError) as error:
        raise ValueError("the flags cannot be read") from error
