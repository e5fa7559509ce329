"""The sound rows of a capture, found page by page where SQLite finds nothing; none in what is no capture.

A row is known by its columns, and is right where its checksum fits.
"""

from __future__ import annotations

import mmap
from collections.abc import Generator
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path

from daq import capture_schema as schema
from daq.capture_schema import LONGEST_VALUE, PAGE_SIZE, Row, Table
from daq.page_scan import Found, rows_in
from daq.samples import GapReason

_KEPT = (
    schema.META, schema.LAYOUT, schema.CHANNEL, schema.SEGMENT, schema.CLOCK, schema.BLOCK, schema.GAP,
    schema.CHANGE, schema.NOTE,
)  # fmt: skip  # pyramid and finding follow from these
_REASONS = {"start", "layout", *(reason.value for reason in GapReason)}
_WAL_HEADER, _FRAME_HEADER = 32, 24


def has_rows(path: Path) -> bool:
    """Whether anything of a capture is in the file: then it is a damaged one, else none at all."""
    with closing(sound_rows(path)) as rows:
        return next(rows, None) is not None


def sound_rows(path: Path) -> Generator[tuple[Table, Row], None, None]:
    """Every row of ours that can be read, of the tables that others do not follow from; stale ones too."""
    with path.open("rb") as file:
        if not path.stat().st_size:
            return
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
            for found in rows_in(_Pages(content, _newer_pages(path)), LONGEST_VALUE):
                if (known := _recognized(found)) is not None:
                    yield known


class _Pages:
    """The pages of a file, those in its -wal in place of the older ones."""

    def __init__(self, content: mmap.mmap, newer: dict[int, bytes]) -> None:
        self._content = content
        self._newer = newer
        self._count = max(len(content) // PAGE_SIZE, max(newer, default=0))

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, index: int) -> bytes:
        if not 0 <= index < self._count:
            raise IndexError(index)
        newer = self._newer.get(index + 1)
        return self._content[index * PAGE_SIZE : (index + 1) * PAGE_SIZE] if newer is None else newer


def _newer_pages(path: Path) -> dict[int, bytes]:
    """Pages in a -wal that SQLite could not take in, by https://www.sqlite.org/fileformat2.html, section 4.

    Rows carry their own checksums, so those of the frames are not looked at.
    """
    wal = path.with_name(path.name + "-wal")
    content = wal.read_bytes() if wal.exists() else b""
    salts = content[16:24]
    pages = {}
    for at in range(_WAL_HEADER, len(content) - _FRAME_HEADER - PAGE_SIZE + 1, _FRAME_HEADER + PAGE_SIZE):
        if content[at + 8 : at + 16] != salts:
            break
        begin = at + _FRAME_HEADER
        pages[int.from_bytes(content[at : at + 4], "big")] = content[begin : begin + PAGE_SIZE]
    return pages


def _recognized(found: Found) -> tuple[Table, Row] | None:
    """The table a row is of, by its columns and its checksum; None where it is no sound row of ours."""
    number, columns = found
    for table in _KEPT:
        if len(columns) != len(table.columns) + 1:
            continue
        values: list[schema.Value] = list(columns)
        if table.keyed and values[0] is None:
            values[0] = number
        for at, kinds in enumerate(table.types):
            if float in kinds and isinstance(values[at], int):  # how SQLite keeps a whole REAL
                values[at] = float(values[at])  # type: ignore[arg-type]
        if table.intact(values) and _belongs(table, values):
            return table, tuple(values)
    return None


def _belongs(table: Table, values: list[schema.Value]) -> bool:
    """Rows of segment and clock have the same types: what the text says tells them apart."""
    if table is schema.SEGMENT:
        return values[4] in _REASONS
    if table is schema.CLOCK:
        with suppress(ValueError):
            return datetime.fromisoformat(str(values[4])) is not None
        return False
    return True
