"""Rows out of a SQLite file by looking at every page alone: for files whose structure is lost. Pure.

Only what https://www.sqlite.org/fileformat2.html says of table leaves (section 1.6), overflow pages and
records (section 2) is used; no page needs another to be found, apart from the overflow of long rows. Stale
pages give rows too: whoever uses them must know a right row from a wrong one (ours carry checksums).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Protocol

Value = int | float | str | bytes | None
Found = tuple[int, tuple[Value, ...]]
"""(row number, columns)"""

_LEAF = 13
_FILE_HEADER = 100  # bytes before the first page's own
_CELLS_AT = 8  # in a leaf page: where the cell pointers begin
_INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}  # serial type -> bytes


class _BrokenError(Exception):
    """These bytes are no cell."""


class Pages(Protocol):
    """A file's pages, all of one size, page 1 at index 0."""

    def __len__(self) -> int: ...
    def __getitem__(self, index: int, /) -> bytes: ...


def rows_in(pages: Pages, longest: int) -> Iterator[Found]:
    """The rows of every table leaf among `pages`; none over `longest` bytes."""
    for index in range(len(pages)):
        page = pages[index]
        start = _FILE_HEADER if index == 0 else 0
        if len(page) < start + _CELLS_AT or page[start] != _LEAF:
            continue
        count = int.from_bytes(page[start + 3 : start + 5], "big")
        end = min(start + _CELLS_AT + 2 * count, len(page) - 1)
        for at in range(start + _CELLS_AT, end, 2):
            try:
                yield _cell(pages, page, int.from_bytes(page[at : at + 2], "big"), longest)
            except (_BrokenError, IndexError, struct.error):
                continue


def _cell(pages: Pages, page: bytes, at: int, longest: int) -> Found:
    size, at = _varint(page, at)
    row, at = _varint(page, at)
    if not 0 < size <= longest:
        raise _BrokenError
    payload = _payload(pages, page, at, size)
    return row - (1 << 64) if row >> 63 else row, _record(payload)


def _payload(pages: Pages, page: bytes, at: int, size: int) -> bytes:
    """What is in the page itself, then the chain of overflow pages."""
    usable = len(page)
    local = _local(size, usable)
    parts = [bytes(page[at : at + local])]
    if len(parts[0]) < local:
        raise _BrokenError
    missing = size - local
    following = int.from_bytes(page[at + local : at + local + 4], "big") if missing else 0
    while missing:
        if not 0 < following <= len(pages):
            raise _BrokenError
        more = pages[following - 1]
        parts.append(bytes(more[4 : 4 + min(missing, usable - 4)]))
        missing -= len(parts[-1])
        following = int.from_bytes(more[:4], "big")
        if missing and len(parts[-1]) < usable - 4:
            raise _BrokenError
    return b"".join(parts)


def _local(size: int, usable: int) -> int:
    """Bytes of a row that stay in its leaf."""
    if size <= usable - 35:
        return size
    least = (usable - 12) * 32 // 255 - 23
    fitting = least + (size - least) % (usable - 4)
    return fitting if fitting <= usable - 35 else least


def _record(payload: bytes) -> tuple[Value, ...]:
    header, at = _varint(payload, 0)
    if not at <= header <= len(payload):
        raise _BrokenError
    values: list[Value] = []
    body = header
    while at < header:
        kind, at = _varint(payload, at)
        value, width = _value(kind, payload, body)
        values.append(value)
        body += width
    if body != len(payload):
        raise _BrokenError
    return tuple(values)


def _value(kind: int, payload: bytes, at: int) -> tuple[Value, int]:
    """(value, bytes it took) of a serial type."""
    if kind == 0:
        return None, 0
    if kind in (8, 9):
        return kind - 8, 0
    if kind == 7:
        (real,) = struct.unpack_from(">d", payload, at)
        return float(real), 8
    width = _INTEGERS.get(kind) or (kind - 12) // 2
    raw = payload[at : at + width]
    if len(raw) < width or kind in (10, 11):
        raise _BrokenError
    if kind in _INTEGERS:
        return int.from_bytes(raw, "big", signed=True), width
    return (raw.decode("utf-8", "replace") if kind % 2 else raw), width


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """(value, where the next begins): seven bits a byte, all eight of a ninth."""
    value = 0
    for _ in range(8):
        byte = data[at]
        at += 1
        value = value << 7 | byte & 127
        if byte < 128:
            return value, at
    return value << 8 | data[at], at + 1
