"""Ways to break a capture on purpose."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any


class Content(bytes):
    """A file's bytes that do not print themselves into every failing example."""

    def __repr__(self) -> str:
        return f"<{len(self)} bytes>"


def damaged(folder: Path, content: bytes, sql: str, *values: Any) -> Path:
    path = folder / "damaged.whichside"
    path.write_bytes(content)
    connection = sqlite3.connect(path)
    connection.execute(sql, values)
    connection.commit()
    connection.close()
    return path


def tree_page(content: bytes, folder: Path, table: str) -> int:
    """Offset of a table's root page."""
    path = damaged(folder, content, "SELECT 1")
    connection = sqlite3.connect(path)
    ((page,),) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchall()
    connection.close()
    return int(page - 1) * 2048


def cells(content: bytes | bytearray, page: int) -> list[int]:
    """Offsets of a page's cells, by the layout in https://www.sqlite.org/fileformat2.html, section 1.6.

    A cell of a table's leaf (type 13) is the payload's length, the row's number, the payload; length and
    number are one byte where they are below 128. One of an inner page (type 5) begins with its child.
    """
    header = {13: 8, 5: 12}[content[page]]
    count = int.from_bytes(content[page + 3 : page + 5], "big")
    pointers = content[page + header : page + header + 2 * count]
    return [page + int.from_bytes(pointers[at : at + 2], "big") for at in range(0, 2 * count, 2)]
