"""CaptureWriter: takes the ordered log as it comes and has it on the disk within a second.

Samples wait in memory until COMMIT_EVERY_S has passed, a row is full, or the layout changes; then both leads
are packed into a row. Everything new goes into one transaction that is on the disk when it returns, so that
a crash or a power cut costs at most the last second.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from daq import capture_schema as schema
from daq import disk_room, host_clock
from daq.capture_files import create
from daq.capture_records import Note
from daq.capture_schema import Row
from daq.clock_notes import ClockNotes
from daq.disk_room import RESERVE_BYTES, Room
from daq.errors import WorkError
from daq.findings import ANALYSIS_VERSION
from daq.log_rows import LogRows
from daq.samples import Block, Change, ChangeKind, DeviceInfo, Item, Origin
from daq.wall_clock import ClockPoint, from_epoch

COMMIT_EVERY_S = 0.7
"""Whatever happens costs at most a second: this, and what is under way from the logger to the disk. Where
nobody watches a tenth of a second of that passes until it is taken."""

IN_A_RUSH_S = 0.1  # between commits where so much is waiting already


class CaptureWriter:
    """Records into a new file; raises WorkError where it exists or cannot be made.

    Args:
        path: the file to make. One that exists is never touched.
        info: who is measuring.
        reserve_bytes: stop, with everything kept, when less is free on the disk.
        clock: seconds that never jump and run through sleep, for the commits and the clock anchors.
        utc: the wall clock; None where the samples were not taken now (imports).
        asleep: grows by the seconds that the computer slept.
        facts: further entries of meta, or other values for those there are.

    The clocks are noted beside the samples; sleep, and a wall clock that is set, go into the log as words of
    the device. Use from one thread at a time. After a WorkError the file is closed and holds all that was
    committed.

    Attributes:
        saved_end: index after the last pair that is on the disk.
        saved_s: its moment, s from the first pair.
        room: what the disk has left, as of the last commit; None where it cannot be told.
    """

    def __init__(
        self,
        path: Path | str,
        info: DeviceInfo,
        *,
        reserve_bytes: int = RESERVE_BYTES,
        clock: Callable[[], float] = host_clock.steady_s,
        utc: Callable[[], datetime] | None = host_clock.now_utc,
        asleep: Callable[[], float] = host_clock.asleep_s,
        facts: Mapping[str, str] | None = None,
    ) -> None:
        self.path = Path(path)
        self.saved_end = 0
        self.saved_s = 0.0
        self.room: Room | None = None
        self._reserve_bytes = reserve_bytes
        self._clock = clock
        self._clocks = None if utc is None else ClockNotes(clock, utc, asleep)
        self._stopped = ""  # why nothing more can be recorded
        self._log = LogRows()
        self._committed_at = clock()
        free = disk_room.free_bytes(self.path)
        if free is not None and free < reserve_bytes:
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
        if self._clocks is not None and isinstance(item, Block) and len(item.counts):
            self._clocks.arrived(self._log.segment, self._log.next or 0, self._log.time_s)
        self.tick()

    def tick(self, now: float | None = None) -> None:
        """Commit if it is time to; call it now and then while nothing arrives. `now` is of `clock`."""
        now = self._clock() if now is None else now
        if self._stopped or now - self._committed_at < self._pause_s():
            return
        self._committed_at = now
        self._log.flush()
        self._note_clocks(now)
        self._commit()
        self._check_reserve()

    def _pause_s(self) -> float:
        """How long after a commit the next is due: soon where samples that had waited come in a rush."""
        late = self._clocks is not None and self._log.waiting_s >= COMMIT_EVERY_S
        return IN_A_RUSH_S if late else COMMIT_EVERY_S

    def has_come_to(self, time_s: float) -> bool:
        """Whether pairs were added up to that moment, s from the first one."""
        return self._log.has_come_to(time_s)

    def add_clock(self, point: ClockPoint) -> None:
        """Note what the clocks said at a moment of the newest segment; one in a gap before it is dropped."""
        sample = self._log.sample_at(point.time_s)
        if sample is not None:
            utc = from_epoch(point.utc_s).isoformat()
            self._log.add_anchor(self._log.segment, sample, point.host_s, utc)

    def add_note(self, note: Note) -> None:
        """Notes are no part of the log; here they come along from another capture."""
        self._log.add_note(note)

    def close(self, complete: bool = True) -> None:
        """Write what is left and leave one clean file; idempotent. `complete` False: it was cut short."""
        if self._stopped:
            return
        self._note_clocks(self._clock(), last=True)
        self._log.finish()
        self._commit()
        if complete:
            self._mark_complete()
        self._leave(f"{self.path} is closed: start a new recording.")

    def _note_clocks(self, now: float, last: bool = False) -> None:
        if self._clocks is None:
            return
        for a in self._clocks.anchors(now, last):
            self._log.add_anchor(a.segment, a.sample, a.host_s, a.utc.isoformat())
        for words in self._clocks.happenings():
            self._log.append(Change(self._log.next or 0, Origin.DEVICE, ChangeKind.DEVICE, words))

    def _commit(self) -> None:
        rows, self._log.rows = self._log.rows, []
        if not rows:
            return
        self._transaction([(table.insert, row) for table, row in rows])
        self.saved_end, self.saved_s = self._log.next or 0, self._log.time_s

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
        free = disk_room.free_bytes(self.path)
        if free is None:  # an unknown amount of room is no reason to stop
            self.room = None
            return
        pace = disk_room.bytes_a_second(self.path, self._log.time_s, self._log.rate_hz)
        self.room = Room(free - self._reserve_bytes, pace)
        if self.room.free_bytes >= 0:
            return
        self.close(complete=False)
        self._stopped = (
            f"The disk is nearly full ({free >> 20} MB left): everything recorded so far is kept in "
            f"{self.path}; make room or choose another disk, then start a new recording."
        )
        raise WorkError(self._stopped)

    def _leave(self, why: str) -> None:
        """Fold the -wal into the file and close it; where a reader or a full disk forbids that, it stays."""
        self._stopped = why
        with suppress(sqlite3.Error):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            self._connection.execute("PRAGMA journal_mode=DELETE").fetchone()
        self._connection.close()


def _meta(info: DeviceInfo, utc: Callable[[], datetime] | None, facts: Mapping[str, str]) -> dict[str, str]:
    own = {
        "about": schema.ABOUT,
        "codec": schema.CODEC,
        "device": schema.device_text(info),
        "started_utc": utc().isoformat() if utc else "",
        "utc_offset_s": str(host_clock.utc_offset_s()) if utc else "",
        "analysis_version": str(ANALYSIS_VERSION),
        "complete": "no",
        "end": "",
    }
    return {**own, **{schema.clean(name): schema.clean(value) for name, value in facts.items()}}
