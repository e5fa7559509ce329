"""A reader of captures by the words of recordings/README.md alone: nothing of this program is used.

It is slow and plain on purpose. Where the page and the program part, a test that compares the two fails.
"""

from __future__ import annotations

import sqlite3
import struct
import zlib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

WORD = 1 << 32


@dataclass(frozen=True)
class Pair:
    """One pair: its number, when it was taken, counts and volts of both leads."""

    number: int
    time_s: float
    counts: tuple[int, int]
    volts: tuple[float, float]


def opened(path: Path) -> sqlite3.Connection:
    """Read only; nothing beside the file is touched."""
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)


# "Checksum"


def checksum(columns: list[Any]) -> int:
    total = b""
    for value in columns:
        if value is None:
            total += b"n"
        elif isinstance(value, int):
            total += b"i" + value.to_bytes(8, "little", signed=True)
        elif isinstance(value, float):
            total += b"r" + struct.pack("<d", 0.0 if value == 0 else value)
        else:
            raw = value.encode() if isinstance(value, str) else value
            total += (b"t" if isinstance(value, str) else b"b") + len(raw).to_bytes(4, "little") + raw
    return zlib.crc32(total)


def rows_with_wrong_checksum(path: Path) -> list[tuple[str, Any]]:
    with closing(opened(path)) as db:
        tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return [
            (table, row[0])
            for table in tables
            for *row, crc in db.execute(f"SELECT * FROM {table}")
            if checksum(row) != crc
        ]


# "Packed counts"


def unpacked(blob: bytes, pairs: int) -> list[int]:
    residual, packing, width = blob[0], blob[1], blob[2]
    base = int.from_bytes(blob[3:7], "little", signed=True)
    step = int.from_bytes(blob[7:11], "little")
    stream = zlib.decompress(blob[11:]) if packing else b""
    values = _values(stream, packing, width, pairs)
    at, out = base, []
    for value in values:
        signed = value // 2 if value % 2 == 0 else -(value + 1) // 2
        at = at + signed * step if residual == 1 else base + signed * step
        wrapped = at % WORD
        out.append(wrapped - WORD if wrapped >= WORD // 2 else wrapped)
    return out


def _values(stream: bytes, packing: int, width: int, pairs: int) -> list[int]:
    if packing == 0:
        return [0] * pairs
    if packing in (1, 2, 3, 4):
        return _from_planes(stream, packing, pairs)
    assert packing == 15
    half = (pairs + 1) // 2
    nibbles: list[int] = []
    for byte in stream[:half]:
        nibbles += [byte // 16, byte % 16]
    nibbles = nibbles[:pairs]
    escaped = iter(_from_planes(stream[half:], width, nibbles.count(15)))
    return [15 + next(escaped) if nibble == 15 else nibble for nibble in nibbles]


def _from_planes(stream: bytes, planes: int, count: int) -> list[int]:
    assert len(stream) == planes * count
    return [sum(stream[p * count + i] * 256**p for p in range(planes)) for i in range(count)]


# "The idea"


def pairs_of(path: Path) -> Iterator[Pair]:
    with closing(opened(path)) as db:
        for first, count, segment, lead1, lead2 in db.execute(
            "SELECT first, pairs, segment, lead1, lead2 FROM block ORDER BY first"
        ).fetchall():
            begin, layout, start_s = db.execute(
                "SELECT first, layout, start_s FROM segment WHERE number = ?", (segment,)
            ).fetchone()
            (rate_hz,) = db.execute("SELECT rate_hz FROM layout WHERE id = ?", (layout,)).fetchone()
            scales = db.execute(
                "SELECT volts_per_count, offset_v FROM channel WHERE layout = ? ORDER BY lead", (layout,)
            ).fetchall()
            both = zip(unpacked(lead1, count), unpacked(lead2, count), strict=True)
            for number, counts in enumerate(both, first):
                one, other = (c * gain + zero for c, (gain, zero) in zip(counts, scales, strict=True))
                yield Pair(number, start_s + (number - begin) / rate_hz, counts, (one, other))


def log_of(path: Path) -> list[tuple[Any, ...]]:
    """Pairs, gaps and changes in their one order: each as a tuple that begins with its kind."""
    with closing(opened(path)) as db:
        entries = db.execute(
            "SELECT position, entry, 'gap', reason, seconds, pairs FROM gap "
            "UNION ALL SELECT position, entry, 'change', kind, value, origin FROM change ORDER BY entry"
        ).fetchall()
    log: list[tuple[Any, ...]] = []
    pairs = list(pairs_of(path))
    for pair in pairs:
        while entries and entries[0][0] <= pair.number:
            log.append(entries.pop(0)[2:])
        log.append(("pair", *pair.counts))
    return log + [entry[2:] for entry in entries]


def bins_of(path: Path, level: int, lead: int) -> dict[int, tuple[float, float, float]]:
    """Least, greatest and mean volts of each stored bin of a level of `pyramid`."""
    found: dict[int, tuple[float, float, float]] = {}
    with closing(opened(path)) as db:
        for first, count, blob in db.execute(
            f"SELECT bin, bins, lead{lead} FROM pyramid WHERE level = ?", (level,)
        ):
            raw = zlib.decompress(blob)
            planes = [raw[p * 3 * count : (p + 1) * 3 * count] for p in range(4)]
            floats = struct.unpack(
                f"<{3 * count}f", bytes(b for four in zip(*planes, strict=True) for b in four)
            )
            for n in range(count):
                found[first + n] = (floats[n], floats[count + n], floats[2 * count + n])
    return found
