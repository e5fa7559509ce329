"""Reading rows of a capture, trusting nothing: what cannot be read is noted, passed over, never guessed."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.capture_files import open_for_reading, rows_of
from daq.capture_schema import Table

BATCH = 32  # rows fetched at once: half a minute of a live recording
LAST_KEY = (1 << 63) - 1  # SQLite's greatest row number

StoredRow = tuple[Any, ...]  # row number, columns, checksum; typed once `intact` has seen it


class ClosedError(Exception):
    """The store was closed, perhaps from another thread, while it was being read."""


def plain(text: str) -> str:
    """Words that may quote a damaged file, fit for any terminal."""
    return "".join(c if c.isprintable() else "?" for c in text[:200])


@dataclass(frozen=True, slots=True)
class Damage:
    """A place that cannot be used: `table`, the row's number there, and what is wrong with it."""

    table: str
    row: int
    why: str


class RowReader:
    """One open capture, row by row. Every method may be called from any thread."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._opened = open_for_reading(path)
        self._lock = threading.Lock()
        self._closed = False
        self._damages: dict[tuple[str, int], Damage] = {}

    def close(self) -> None:
        with self._lock:
            if not self._closed:
                self._closed = True
                self._opened.close()

    @property
    def damages(self) -> tuple[Damage, ...]:
        """What was found damaged so far; reading everything finds everything."""
        return tuple(self._damages.values())

    def note_damage(self, table: Table, row: int, why: str) -> None:
        self._damages.setdefault((table.name, row), Damage(table.name, row, plain(why)))

    def query(self, sql: str, *values: object) -> list[StoredRow]:
        """All rows at once, so that no reading transaction stays open behind our back."""
        with self._lock:
            if self._closed:
                raise ClosedError
            return rows_of(self._opened.connection, sql, values)

    def faults(self) -> list[str]:
        """What SQLite itself finds wrong with the file's structure (it does not see flipped bits in data)."""
        try:
            return [plain(text) for (text,) in self.query("PRAGMA quick_check(20)") if text != "ok"]
        except sqlite3.DatabaseError as error:
            return [plain(str(error))]

    def scan(self, table: Table, begin: int = 0, end: int = LAST_KEY) -> Iterator[StoredRow]:
        """The intact rows numbered begin .. end - 1, in order; damaged ones are noted and passed over."""
        while begin < end:
            before = begin
            bad: list[int] = []
            for row in self._fetch(table, begin, end):
                if row[0] >= begin and table.intact(row[1:]):
                    yield row
                    begin = row[0] + 1
                else:
                    self.note_damage(table, row[0], "the checksum does not fit, or it is out of order")
                    bad.append(row[0])
            if begin == before:  # go on behind the damaged rows; one with a wild number must not take us far
                ahead = sorted(key for key in bad if key >= begin)
                if not ahead:
                    return
                begin = ahead[len(ahead) // 2] + 1

    def _fetch(self, table: Table, begin: int, end: int) -> list[StoredRow]:
        """The next rows; behind a place SQLite cannot read, the first that it can."""
        sql = f"{table.select} WHERE rowid >= ? AND rowid < ? ORDER BY rowid LIMIT ?"
        for limit in (BATCH, 1):
            try:
                return self.query(sql, begin, end, limit)
            except sqlite3.DatabaseError:
                continue
        self.note_damage(table, begin, "the page cannot be read")
        return self._behind(sql, begin, end)

    def _behind(self, sql: str, begin: int, end: int) -> list[StoredRow]:
        """The first readable row after `begin`: doubled steps out, then halved steps back."""

        def attempt(at: int) -> list[StoredRow]:
            try:
                return self.query(sql, at, end, 1)
            except sqlite3.DatabaseError:
                return []

        bad, step = begin, 1
        while not (found := attempt(min(bad + step, end - 1))):
            bad, step = bad + step, step * 2
            if bad >= end - 1:
                return []
        good = found[0][0]
        while good - bad > 1:
            middle = (bad + good) // 2
            if rows := attempt(middle):
                found, good = rows, middle
            else:
                bad = middle
        return found
