"""CaptureWriter: takes the ordered log as it comes and has it on the disk within a second.

Samples wait in memory until a second has passed, a row is full, or the layout changes; then both leads are
packed into a row. Once a second everything new goes into one transaction that is on the disk when it
returns, so that a crash or a power cut costs at most the last second.
"""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from daq import capture_schema as schema
from daq.capture_files import create
from daq.capture_records import Note
from daq.capture_schema import Row, Table
from daq.codec import MAX_COUNTS, encode
from daq.errors import WorkError
from daq.findings import ANALYSIS_VERSION
from daq.new_file import appearing
from daq.pyramid import Bins, PyramidBuilder, encode_lead
from daq.samples import Block, Change, Counts, DeviceInfo, Gap, Item, Layout
from daq.wall_clock import ClockPoint, from_epoch

RESERVE_BYTES = 64 << 20
"""The recording stops when less than this is free on its disk: a full disk harms more than the recording."""

COMMIT_EVERY_S = 1.0
ANCHOR_EVERY_S = 10.0
"""How often the clocks are noted; a ceramic resonator warming up needs about this many knots."""

LEAST_FULL_ROW = 1 << 14
"""Pairs a row may grow to at any rate where samples come faster than real time (imports)."""


def _now_utc() -> datetime:
    return datetime.now(UTC)


class CaptureWriter:
    """Records into a new file; raises WorkError where it exists or cannot be made.

    Args:
        path: the file to make. One that exists is never touched.
        info: who is measuring.
        reserve_bytes: stop, with everything kept, when less is free on the disk.
        clock: seconds that never jump, for the commits and the clock anchors.
        utc: the wall clock; None where the samples were not taken now (imports).
        facts: further entries of meta, or other values for those there are.

    Use from one thread at a time. After a WorkError the file is closed and holds all that was committed.
    """

    def __init__(
        self,
        path: Path | str,
        info: DeviceInfo,
        *,
        reserve_bytes: int = RESERVE_BYTES,
        clock: Callable[[], float] = time.monotonic,
        utc: Callable[[], datetime] | None = _now_utc,
        facts: Mapping[str, str] | None = None,
    ) -> None:
        self.path = Path(path)
        self.saved_end = 0  # index after the last pair that is on the disk
        self._reserve_bytes = reserve_bytes
        self._clock = clock
        self._utc = utc
        self._stopped = ""  # why nothing more can be recorded
        self._log = _LogRows()
        self._committed_at = clock()
        self._anchored_at = -math.inf
        if (free := self._missing_room()) is not None:
            raise WorkError(
                f"The disk is nearly full ({free >> 20} MB left): make room or choose another one."
            )
        self._connection = create(self.path)
        self._log.rows += [
            (schema.META, schema.META.row(*pair)) for pair in _meta(info, utc, facts or {}).items()
        ]
        self._commit()

    def __enter__(self) -> CaptureWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close(complete=kind is None)

    def append(self, item: Item) -> None:
        """Add the next item of the log; commits when it is time to.

        Raises WorkError when the disk is full or gone, ValueError when a block does not follow the last one.
        """
        if self._stopped:
            raise WorkError(self._stopped)
        self._log.append(item)
        self.tick()

    def tick(self, now: float | None = None) -> None:
        """Commit if a second has passed; call it now and then while nothing arrives. `now` is of `clock`."""
        now = self._clock() if now is None else now
        if self._stopped or now - self._committed_at < COMMIT_EVERY_S:
            return
        self._committed_at = now
        self._log.flush()
        self._anchor(now)
        self._commit()
        self._check_reserve()

    def has_come_to(self, time_s: float) -> bool:
        """Whether pairs were added up to that moment, s from the first one."""
        return self._log.has_come_to(time_s)

    def add_clock(self, point: ClockPoint) -> None:
        """Note what the clocks said at a moment of the newest segment; one in a gap before it is dropped."""
        sample = self._log.sample_at(point.time_s)
        if sample is not None:
            self._log.add_anchor(sample, point.host_s, from_epoch(point.utc_s).isoformat())

    def add_note(self, note: Note) -> None:
        """Notes are no part of the log; here they come along from another capture."""
        self._log.add_note(note)

    def close(self, complete: bool = True) -> None:
        """Write what is left and leave one clean file; idempotent. `complete` False: it was cut short."""
        if self._stopped:
            return
        self._log.finish()
        self._commit()
        if complete:
            self._mark_complete()
        self._leave(f"{self.path} is closed: start a new recording.")

    def _anchor(self, now: float) -> None:
        if self._utc is None or now - self._anchored_at < ANCHOR_EVERY_S:
            return
        self._anchored_at = now
        self._log.add_anchor(self._log.next or 0, now, self._utc().isoformat())

    def _commit(self) -> None:
        rows, self._log.rows = self._log.rows, []
        if not rows:
            return
        self._transaction([(table.insert, row) for table, row in rows])
        self.saved_end = self._log.next or 0

    def _mark_complete(self) -> None:
        update = "UPDATE meta SET value = ?, crc = ? WHERE name = ?"
        facts = {"complete": "yes", "end": str(self._log.next or 0)}
        self._transaction(
            [(update, (value, schema.checksum((name, value)), name)) for name, value in facts.items()]
        )

    def _transaction(self, statements: list[tuple[str, Row]]) -> None:
        run = self._connection.execute
        try:
            run("BEGIN IMMEDIATE")
            for sql, row in statements:
                run(sql, row)
            run("COMMIT")
        except sqlite3.Error as error:
            with suppress(sqlite3.Error):
                run("ROLLBACK")
            self._leave(
                f"{self.path} cannot be written any more ({error}): all but the last second is kept; make "
                "room or choose another disk, then start a new recording."
            )
            raise WorkError(self._stopped) from error

    def _check_reserve(self) -> None:
        if (free := self._missing_room()) is None:
            return
        self.close(complete=False)
        self._stopped = (
            f"The disk is nearly full ({free >> 20} MB left): everything recorded so far is kept in "
            f"{self.path}; make room or choose another disk, then start a new recording."
        )
        raise WorkError(self._stopped)

    def _missing_room(self) -> int | None:
        """The bytes free on the disk where they are fewer than the reserve, else None."""
        try:
            free = shutil.disk_usage(self.path.absolute().parent).free
        except OSError:
            return None  # an unknown amount of room is no reason to stop
        return free if free < self._reserve_bytes else None

    def _leave(self, why: str) -> None:
        """Fold the -wal into the file and close it; where a reader or a full disk forbids that, it stays."""
        self._stopped = why
        with suppress(sqlite3.Error):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            self._connection.execute("PRAGMA journal_mode=DELETE").fetchone()
        self._connection.close()


@dataclass(frozen=True, slots=True)
class Heritage:
    """What a capture made from another takes over beside the log.

    `facts` are names and values for meta; `clock` are in order, in the new capture's time.
    """

    facts: Mapping[str, str] = field(default_factory=dict)
    clock: Sequence[ClockPoint] = ()
    notes: Sequence[Note] = ()


def write_capture(
    path: Path | str, items: Iterable[Item], info: DeviceInfo, heritage: Heritage = Heritage()
) -> None:
    """A finished capture of a log that was not taken now (an import, a trimmed recording).

    Where `items` or the disk fails, no half capture is left: what it was made from is still there. Raises
    WorkError where `path` exists or cannot be made.
    """
    path = Path(path)
    with appearing(path) as aside:
        try:
            _write_whole(aside, items, info, heritage)
        except WorkError as error:
            reason = error.__cause__ or "nearly full"
            raise WorkError(
                f"{path} cannot be written ({reason}): make room or choose another disk; nothing is left "
                "of it."
            ) from error


def _write_whole(path: Path, items: Iterable[Item], info: DeviceInfo, heritage: Heritage) -> None:
    writer = CaptureWriter(path, info, utc=None, facts=heritage.facts)
    points = deque(heritage.clock)
    try:
        for item in items:
            writer.append(item)
            while points and writer.has_come_to(points[0].time_s):
                writer.add_clock(points.popleft())
        for note in heritage.notes:
            writer.add_note(note)
        writer.close()
    except BaseException:
        with suppress(WorkError):
            writer.close(complete=False)
        raise


def _meta(info: DeviceInfo, utc: Callable[[], datetime] | None, facts: Mapping[str, str]) -> dict[str, str]:
    own = {
        "about": schema.ABOUT,
        "codec": schema.CODEC,
        "device": schema.device_text(info),
        "started_utc": utc().isoformat() if utc else "",
        "analysis_version": str(ANALYSIS_VERSION),
        "complete": "no",
        "end": "",
    }
    return {**own, **{schema.clean(name): schema.clean(value) for name, value in facts.items()}}


class _LogRows:
    """Turns the log into rows; pure, apart from remembering where it is."""

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

    def has_come_to(self, time_s: float) -> bool:
        if self._layout is None or self.next is None:
            return False
        return time_s < self._time_s + (self.next - self._segment_first + 0.5) / self._layout.rate_hz

    def sample_at(self, time_s: float) -> int | None:
        """The pair of the newest segment at that moment; None before the segment."""
        if self._layout is None:
            return None
        sample = self._segment_first + round((time_s - self._time_s) * self._layout.rate_hz)
        return sample if sample >= self._segment_first else None

    def add_anchor(self, sample: int, monotonic_s: float, utc: str) -> None:
        """Of the segment that is being recorded."""
        self._anchors += 1
        self._add(schema.CLOCK, self._anchors, self._segments, sample, monotonic_s, utc)

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
            self._time_s += (self.next - self._segment_first) / self._layout.rate_hz
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
