"""The examples shared with the firmware: firmware/vectors.txt."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

FILE = Path(__file__).parents[2] / "firmware" / "vectors.txt"


class Vector(NamedTuple):
    kind: str
    name: str
    data: tuple[bytes, ...]  # the columns in hexadecimal
    fields: dict[str, str]


_COLUMNS = {"crc": 2, "cobs": 2, "loose": 2, "frame": 2, "record": 1, "broken": 1, "quiet": 1}


def vectors(*kinds: str) -> list[Vector]:
    """The vectors of these kinds."""
    found = []
    for line in FILE.read_text("ascii").splitlines():
        if line.startswith("#"):
            continue
        kind, name, *columns = line.split(" ")
        if kind in kinds:
            number = _COLUMNS[kind]
            data = tuple(b"" if c == "-" else bytes.fromhex(c) for c in columns[:number])
            found.append(Vector(kind, name, data, dict(c.split("=", 1) for c in columns[number:])))
    return found


def vector_id(vector: Vector) -> str:
    return f"{vector.kind}-{vector.name}"
