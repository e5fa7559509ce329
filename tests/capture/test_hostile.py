"""Rows whose checksum fits but which make no sense: passed over, without a large allocation."""

from __future__ import annotations

import sqlite3
import struct
import tracemalloc
import zlib
from pathlib import Path
from typing import Any

import pytest

from daq import capture_schema as schema
from daq.capture import CaptureSource, check_capture
from daq.samples import Block
from tests.capture.broken import damaged
from tests.capture.logs import sizes


def forged(folder: Path, content: bytes, table: schema.Table, *values: Any) -> Path:
    key = table.columns[0]
    path = damaged(folder, content, f"DELETE FROM {table.name} WHERE {key} = ?", values[0])
    connection = sqlite3.connect(path)
    connection.execute(table.insert, table.row(*values))
    connection.commit()
    connection.close()
    return path


BOMB = struct.pack("<BBBiI", 0, 4, 0, 0, 1) + zlib.compress(bytes(1 << 27), 9)
NOTHING = struct.pack("<BBBiI", 0, 0, 0, 0, 1)


@pytest.mark.parametrize(
    ("table", "values"),
    [
        (schema.BLOCK, (5000, 1000, 2, "", BOMB, BOMB)),
        (schema.BLOCK, (5000, 1 << 40, 2, "", NOTHING, NOTHING)),
        (schema.BLOCK, (5000, -1, 2, "", NOTHING, NOTHING)),
        (schema.BLOCK, (5000, 1000, 99, "", NOTHING, NOTHING)),
        (schema.BLOCK, (5000, 1000, 4, "", NOTHING, NOTHING)),
        (schema.BLOCK, (5000, 1000, 2, "[" * 100_000, NOTHING, NOTHING)),
        (schema.BLOCK, (5000, 1000, 2, "[[0,2000,1]]", NOTHING, NOTHING)),
        (schema.BLOCK, (5000, 1000, 2, "[[0,1,1e400]]", NOTHING, NOTHING)),
        (schema.BLOCK, (5000, 1000, 2, '{"a":1}', NOTHING, NOTHING)),
        (schema.SEGMENT, (2, 5000, 1, float("inf"), "layout")),
        (schema.SEGMENT, (2, -(1 << 62), 1, 1.25, "layout")),
        (schema.SEGMENT, (2, 5000, 77, 1.25, "layout")),
        (schema.LAYOUT, (1, 0.0, 1)),
        (schema.LAYOUT, (1, float("inf"), 1)),
        (schema.GAP, (5, 10_000, 10_000, float("inf"), 0.0, None, "unplugged")),
        (schema.GAP, (5, 10_000, 10_000, 1.5, 0.0, None, "abducted")),
        (schema.CHANGE, (1, 0, 0, "user", "mind", "", None)),
        (schema.CHANGE, (1, -(1 << 60), 1 << 62, "nobody", "note", "", None)),
        (schema.PYRAMID, (0, 1 << 50, 256, b"", b"")),
        (schema.PYRAMID, (1, 0, 1 << 50, zlib.compress(bytes(1 << 27)), b"")),
        (schema.META, ("device", "[" * 100_000)),
        (schema.META, ("device", "[]")),
        (schema.META, ("end", "9" * 18)),
        (schema.META, ("end", "-5")),
        (schema.META, ("started_utc", "yesterday")),
        (schema.META, ("analysis_version", "²")),
    ],
)
def test_rows_that_make_no_sense_are_passed_over(
    table: schema.Table, values: tuple[Any, ...], whole: bytes, tmp_path: Path
) -> None:
    path = forged(tmp_path, whole, table, *values)
    tracemalloc.start()
    try:
        with CaptureSource(path) as source:
            pairs = sum(len(item.counts) for item in source if isinstance(item, Block))
            source.overview(0, 15_000, 4)
            assert source.duration_s >= 0
            assert source.started is None
            source.analysis_version  # noqa: B018
        check_capture(path)
        assert tracemalloc.get_traced_memory()[1] < 8 << 20
    finally:
        tracemalloc.stop()
    assert pairs >= 14_000 or table in (schema.SEGMENT, schema.LAYOUT)


def test_a_value_too_large_to_be_ours_is_not_even_fetched(whole: bytes, tmp_path: Path) -> None:
    path = damaged(tmp_path, whole, "UPDATE block SET lead1 = zeroblob(100000000) WHERE first = 5000")
    tracemalloc.start()
    try:
        with CaptureSource(path) as source:
            assert sizes(source)[0] == 14_000
        assert tracemalloc.get_traced_memory()[1] < 8 << 20
    finally:
        tracemalloc.stop()
