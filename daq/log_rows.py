"""The ordered log as rows of the capture's tables. Pure, apart from remembering where it is.

Samples wait until `flush`, a full row or a new layout; then both leads are packed into a row.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np

from daq import capture_schema as schema
from daq.capture_records import Note
from daq.capture_schema import Row, Table
from daq.codec import MAX_COUNTS, encode
from daq.pyramid import Bins, PyramidBuilder, encode_lead
from daq.samples import Block, Change, Counts, Gap, Item, Layout

LEAST_FULL_ROW = 1 << 14
"""Pairs a row may grow to at any rate where samples come faster than real time (imports)."""


class LogRows:
    """Append the log item by item; take what is in `rows`."""

    def __init__(self) -> None:
        self.rows: list[tuple[Table, Row]] = []
        self.next: int | None = None  # index of the next pair; None before the first
        self._pyramid = PyramidBuilder()
        self._pending: list[Block] = []  # of one segment, not yet in a row
        self._pending_pairs = 0
        self._layouts: dict[Layout, int] = {}
        self._layout: Layout | None = None  # of the current segment; None: the next block starts one
        self._reason = "start"
        self._segments = 0
        self._entries = 0
        self._anchors = 0
        self._notes = 0
        self._segment_first = 0
        self._time_s = 0.0  # of the segment's first pair, then of the next one to come

    def append(self, item: Item) -> None:
        if isinstance(item, Block):
            self._add_block(item)
        elif isinstance(item, Gap):
            self._add_gap(item)
        else:
            self._add_change(item)

    @property
    def segment(self) -> int:
        """The number of the newest segment; 0 before the first."""
        return self._segments

    @property
    def time_s(self) -> float:
        """The moment at which the next pair is due, s from the first one."""
        if self._layout is None or self.next is None:
            return self._time_s
        return self._time_s + (self.next - self._segment_first) / self._layout.rate_hz

    @property
    def waiting_s(self) -> float:
        """How much of the recording waits to be packed."""
        return self._pending_pairs / self.rate_hz if self._pending_pairs else 0.0

    @property
    def rate_hz(self) -> float:
        """Of the newest segment; 0 where none is under way."""
        return self._layout.rate_hz if self._layout is not None else 0.0

    def has_come_to(self, time_s: float) -> bool:
        """Whether a segment is under way and pairs were added up to that moment."""
        return self._layout is not None and time_s < self.time_s + 0.5 / self._layout.rate_hz

    def sample_at(self, time_s: float) -> int | None:
        """The pair of the newest segment at that moment; None before the segment."""
        if self._layout is None:
            return None
        sample = self._segment_first + round((time_s - self._time_s) * self._layout.rate_hz)
        return sample if sample >= self._segment_first else None

    def add_anchor(self, segment: int, sample: int, monotonic_s: float, utc: str) -> None:
        self._anchors += 1
        self._add(schema.CLOCK, self._anchors, segment, sample, monotonic_s, utc)

    def add_note(self, note: Note) -> None:
        self._notes += 1
        written = note.written.isoformat() if note.written else ""
        self._add(schema.NOTE, self._notes, written, note.at_s, schema.clean(note.text))

    def flush(self) -> None:
        """Pack what is pending into a row."""
        if not self._pending:
            return
        first, layout = self._pending[0].first, self._pending[0].layout
        counts = np.concatenate([block.counts for block in self._pending])
        leads = [encode(np.ascontiguousarray(counts[:, lead])) for lead in (0, 1)]
        flags = _flag_text(self._pending)
        self._add(schema.BLOCK, first, len(counts), self._segments, flags, *leads)
        for level, bins in self._pyramid.push(first, counts, layout.scale):
            self._add_bins(level, bins)
        self._pending, self._pending_pairs = [], 0

    def finish(self) -> None:
        self.flush()
        for level, bins in self._pyramid.finish():
            self._add_bins(level, bins)

    def _add(self, table: Table, *values: schema.Value) -> None:
        self.rows.append((table, table.row(*values)))

    def _add_bins(self, level: int, bins: Bins) -> None:
        blobs = [encode_lead(bins, lead) for lead in (0, 1)]
        self._add(schema.PYRAMID, level, int(bins.number[0]), len(bins), *blobs)

    def _add_block(self, block: Block) -> None:
        if not len(block.counts):
            return
        if self.next is not None and block.first != self.next:
            raise ValueError(f"a block begins at {block.first} where {self.next} comes next")
        if block.layout != self._layout:
            self._start_segment(block)
        block = replace(block, counts=_as_int32(block.counts))
        room_for = min(MAX_COUNTS, max(LEAST_FULL_ROW, round(block.layout.rate_hz)))
        at = block.first
        while at < block.end:
            part = block.part(at, min(at + room_for - self._pending_pairs, block.end))
            self._pending.append(part)
            self._pending_pairs += len(part.counts)
            at = part.end
            if self._pending_pairs >= room_for:
                self.flush()
        self.next = int(block.end)

    def _end_segment(self) -> None:
        self.flush()
        if self._layout is not None and self.next is not None:
            self._time_s = self.time_s
            self._layout = None

    def _start_segment(self, block: Block) -> None:
        self._end_segment()
        layout = block.layout
        if layout not in self._layouts:
            self._layouts[layout] = len(self._layouts) + 1
            own, channels = schema.layout_rows(self._layouts[layout], layout)
            self.rows += [(schema.LAYOUT, own), *((schema.CHANNEL, channel) for channel in channels)]
            self._add(schema.META, *schema.restated(schema.LAYOUT, own, *channels))
        self._segments += 1
        self._segment_first = int(block.first)
        place = (self._segment_first, self._layouts[layout], self._time_s)
        segment = schema.SEGMENT.row(self._segments, *place, self._reason)
        self.rows.append((schema.SEGMENT, segment))
        self._add(schema.META, *schema.restated(schema.SEGMENT, segment))
        self._layout, self._reason = layout, "layout"

    def _add_gap(self, gap: Gap) -> None:
        if not 0 <= gap.seconds < math.inf or math.isnan(gap.uncertainty_s):
            raise ValueError(f"a gap cannot last {gap.seconds} ± {gap.uncertainty_s} s")
        self._end_segment()
        pairs = None if gap.pairs is None else int(gap.pairs)
        lasted = (float(gap.seconds), float(gap.uncertainty_s), pairs)
        self._add(schema.GAP, *self._place(), int(gap.sample), *lasted, gap.reason.value)
        self._reason = gap.reason.value
        self._time_s += float(gap.seconds)

    def _add_change(self, change: Change) -> None:
        at_s = None if change.at_s is None else float(change.at_s)
        value = schema.clean(change.value)
        words = (change.origin.value, change.kind.value, value, at_s)
        self._add(schema.CHANGE, *self._place(), int(change.sample), *words)

    def _place(self) -> tuple[int, int]:
        """(entry, position): before the first block, position 0, wherever that block begins."""
        self._entries += 1
        return self._entries, self.next or 0


def _as_int32(counts: Counts) -> Counts:
    return np.asarray(counts).astype(np.int32, casting="safe", copy=False)


def _flag_text(blocks: list[Block]) -> str:
    """The flagged stretches of a row as JSON; a stretch told twice would be a second loss, so one a block."""
    first = blocks[0].first
    runs = [[b.first - first, len(b.counts), int(b.flags)] for b in blocks if b.flags]
    return json.dumps(runs, separators=(",", ":")) if runs else ""
