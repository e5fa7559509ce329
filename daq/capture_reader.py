"""CaptureSource: a recording as a SampleSource, and looked into at random for screens.

Iterating gives the recorded log again, item for item, except that blocks may be cut elsewhere. Where the
file is damaged, the pairs that cannot be read become a Gap (MISSING) of their known duration and the
numbering closes up behind them, as after any gap. `samples`, `overview` and `segments` speak in the file's
own indices, which are the same while nothing is missing; times agree always.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from daq import capture_schema as schema
from daq.capture_files import has_leftovers, settle_file
from daq.capture_records import Anchor, Note
from daq.capture_rows import LAST_KEY, ClosedError, Damage
from daq.capture_store import CaptureStore, Entry, Lost, Segment
from daq.capture_view import Overview, overview, overview_between, totals
from daq.errors import CommandError
from daq.samples import Block, Change, DeviceInfo, Gap, GapReason, Item
from daq.source import Capability, Command
from daq.wall_clock import ClockPoint, WallClock, fit_wall_clock, to_epoch

_RUN_ENDS = {
    reason.value for reason in (GapReason.UNPLUGGED, GapReason.RESTARTED, GapReason.SLEPT, GapReason.RATE)
}
"""Behind these gaps the recording's time rests on the computer's clock; behind others on the logger's."""


class CaptureSource:
    """Open a capture for replay and for screens; raises InputError, or WorkError for a newer version.

    Works while another process records into the file: it then ends where the recording had got to.
    One thread iterates; everything else may be called from any thread.
    """

    def __init__(self, path: Path | str) -> None:
        self._store = CaptureStore(Path(path))
        self.path = self._store.path
        self.info = self._device()
        self.capabilities = frozenset({Capability.FINITE})

    def __enter__(self) -> CaptureSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __iter__(self) -> Iterator[Item]:
        return self.log()

    def log(self, first: int | None = None, end: int | None = None) -> Iterator[Item]:
        """The log of pairs first .. end - 1 (of the file), all of it by default.

        What was done before pair `first`, or from pair `end` on, is left out, gaps there included.
        """
        with suppress(ClosedError):
            yield from _Replay(self._store, first, end).items()

    def changes_before(self, sample: int) -> Iterator[Change]:
        """The changes that `log(sample)` leaves out, in order, with the file's own positions."""
        last = _first_entry(self._store, sample)
        for entry in self._store.entries(0):
            if entry.number >= last:
                return
            if isinstance(entry.item, Change):
                yield replace(entry.item, sample=entry.position)

    def command(self, command: Command) -> None:
        raise CommandError(
            f"A recording cannot carry out {type(command).__name__}: connect the logger for that."
        )

    def close(self) -> None:
        """Stop iterating and let go of the file; idempotent, callable from any thread."""
        self._store.close()
        if has_leftovers(self.path):  # the recorder could not tidy up while we were reading
            with suppress(sqlite3.Error):
                settle_file(self.path)

    # What is known about the whole recording

    @property
    def complete(self) -> bool:
        """Whether the recording was ended properly; False too while it is still running."""
        return self._store.complete

    @property
    def started(self) -> datetime | None:
        """UTC; None where nobody knows (a text file)."""
        return _moment(self._store.meta.get("started_utc", ""))

    @property
    def analysis_version(self) -> int | None:
        """Of the program that recorded."""
        text = self._store.meta.get("analysis_version", "")
        return int(text) if text.isdecimal() and len(text) < 10 else None

    @property
    def damages(self) -> tuple[Damage, ...]:
        """What was found damaged so far; iterate to the end (or use `check_capture`) to know all."""
        return self._store.damages

    @property
    def damage_count(self) -> int:
        return len(self._store.damages)

    def notes(self) -> list[Note]:
        return [Note(_moment(row[2]), row[3], row[4]) for row in self._store.scan(schema.NOTE)]

    def anchors(self) -> list[Anchor]:
        rows = self._store.scan(schema.CLOCK)
        return [Anchor(row[3], row[4], utc) for row in rows if (utc := _moment(row[5]))]

    def clock_points(self) -> list[ClockPoint]:
        """The anchors, by the recording's time."""
        return [
            ClockPoint(segment.time_of(row[3]), row[4], to_epoch(utc))
            for row in self._store.scan(schema.CLOCK)
            if (utc := _moment(row[5])) and utc.tzinfo and (segment := self._store.segment_number(row[2]))
        ]

    def wall_clock(self) -> WallClock | None:
        """Wall time of every moment; None where no clock was noted (text files)."""
        begins = [s.start_s for n, s in enumerate(self.segments()) if n == 0 or s.reason in _RUN_ENDS]
        return fit_wall_clock(self.clock_points(), begins)

    @property
    def meta(self) -> Mapping[str, str]:
        """What the recorder noted about the file, as it stands there."""
        return self._store.meta

    def findings(self, analysis_version: int, settings: str) -> dict[str, Any] | None:
        """The document kept for this version and these settings; as trustworthy as the file's maker."""
        for row in self._store.scan(schema.FINDING):
            if row[1:3] == (analysis_version, settings):
                with suppress(ValueError, TypeError, RecursionError):
                    return dict(json.loads(row[3]))
        return None

    # Random access, in the file's own indices

    @property
    def first(self) -> int:
        """Index of the first pair."""
        return self._store.first

    @property
    def end(self) -> int:
        """Index after the last pair; grows while someone records."""
        return self._store.end

    @property
    def duration_s(self) -> float:
        """From the first pair to the end of the last, gaps included."""
        return self.time_of(self.end)

    def segments(self) -> tuple[Segment, ...]:
        return tuple(self._store.segments())

    def time_of(self, sample: int) -> float:
        """Seconds from the first pair of the file, gaps included."""
        return self._store.time_of(sample)

    def sample_at(self, time_s: float) -> int:
        """The pair at or after a time; inside a gap, the first behind it."""
        return self._store.sample_at(time_s)

    def samples(self, first: int, last: int) -> Iterator[Block]:
        """Pairs first .. last - 1; what is damaged is left out."""
        for piece in self._store.pieces(first, last):
            if isinstance(piece, Block):
                yield piece

    def overview(self, first: int, last: int, columns: int) -> Overview:
        """Least, greatest and mean volts of both leads over pairs first .. last - 1 in equal columns."""
        return overview(self._store, first, last, columns)

    def overview_between(self, edges: npt.NDArray[np.int64], level: int | None) -> Overview:
        """The same in columns between the ascending pair numbers `edges`, from bins of a level."""
        return overview_between(self._store, edges, level)

    def totals(self, first: int, last: int) -> tuple[int, list[float], list[float], list[float]]:
        """Over pairs first .. last - 1: how many there are; least, greatest, mean volts of both leads."""
        pairs, one = totals(self._store, first, last)
        return pairs, one.low[0].tolist(), one.high[0].tolist(), one.mean[0].tolist()

    def _device(self) -> DeviceInfo:
        try:
            return schema.device_of(self._store.meta.get("device", ""))
        except ValueError:
            return DeviceInfo("unknown")


class _Replay:
    """Puts the tables back into the one ordered log."""

    def __init__(self, store: CaptureStore, first: int | None, end: int | None) -> None:
        self._store = store
        self._first = store.first if first is None else max(first, store.first)
        self._end = end
        self._next_entry = _first_entry(store, self._first)
        self._entries = store.entries(self._next_entry)
        self._head: Entry | None = None  # looked at, not given away
        self._missing = 0  # pairs that could not be read so far
        self._unsaid = 0  # those of them no Gap has told of yet
        self._next = self._first  # dense index of the next pair given away
        # its time according to what was given away: a lost beginning of the file is lost time too
        self._time_s = 0.0 if self._first == store.first else store.time_of(self._first)

    def items(self) -> Iterator[Item]:
        end = self._first
        for piece in self._store.pieces(end, LAST_KEY if self._end is None else self._end):
            end = piece.end
            if isinstance(piece, Lost):
                self._missing += piece.end - piece.first
                self._unsaid += piece.end - piece.first
            else:
                yield from self._with_entries(piece)
        yield from self._entries_at(end - 1)
        yield from self._catch_up(end - 1, 1)
        if self._end is None:
            yield from self._entries_at(end)

    def _with_entries(self, block: Block) -> Iterator[Item]:
        """`block`, cut where gaps and changes belong inside it."""
        at = block.first
        yield from self._entries_at(at)
        yield from self._catch_up(at)
        while at < block.end:
            head = self._peek()
            end = min(block.end, head.position) if head else block.end
            part = block.part(at, end)
            self._next = part.first - self._missing
            yield replace(part, first=self._next) if self._missing else part
            self._next += end - at
            at = end
            self._time_s = self._store.time_behind(at)
            if at < block.end:
                yield from self._entries_at(at)

    def _entries_at(self, position: int) -> Iterator[Item]:
        """Entries that arrived before pair `position` (of the file)."""
        while (head := self._peek()) is not None and head.position <= position:
            self._head = None
            item = head.item
            if isinstance(item, Gap):
                self._time_s += item.seconds
            sample = self._next + item.sample - head.position if self._missing else item.sample
            yield replace(item, sample=sample)

    def _peek(self) -> Entry | None:
        """The next entry; asks the file again at its end, where a recorder may have gone on."""
        if self._head is None:
            self._head = next(self._entries, None)
        if self._head is None and not self._store.complete:
            self._entries = self._store.entries(self._next_entry)
            self._head = next(self._entries, None)
        if self._head is not None:
            self._next_entry = self._head.number + 1
        return self._head

    def _catch_up(self, sample: int, pairs_more: int = 0) -> Iterator[Gap]:
        """A Gap for the time that is missing before pair `sample` of the file (and more), where some is.

        The segments know when a pair was taken, so this holds also where the record of a gap was lost.
        """
        segment = self._store.segment_at(sample)
        if segment is None:
            return
        seconds = segment.time_of(sample + pairs_more) - self._time_s
        if seconds > 0.5 / segment.layout.rate_hz:
            pairs, self._unsaid = self._unsaid or None, 0
            self._time_s += seconds
            yield Gap(self._next, seconds, 0.0, pairs, GapReason.MISSING)


def _first_entry(store: CaptureStore, first: int) -> int:
    """The number of the first gap or change that belongs to a log from pair `first` on.

    A gap there is lost time before it, and so is what was done before that gap.
    """
    number = 0
    if first == store.first:
        return number
    for entry in store.entries(0):
        if entry.position > first:
            break
        if entry.position < first or isinstance(entry.item, Gap):
            number = entry.number + 1
    return number


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None
