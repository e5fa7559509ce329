"""Every released version of the file stays readable, and reads as it was written.

`fixtures/schema_N.whichside` was made once, by the program of its time, from `small()`; it is never made
again. When the format changes, add a fixture and leave the old ones.
"""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from daq import capture_schema as schema
from daq.capture import CaptureSource, Note, check_capture, write_capture
from tests.capture.logs import INFO, normal, small

FIXTURES = Path(__file__).parent / "fixtures"
DESCRIPTION = Path(__file__).parent.parent.parent / "recordings" / "README.md"


def test_version_1_reads_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "schema_1.whichside"
    path.write_bytes((FIXTURES / path.name).read_bytes())
    with CaptureSource(path) as source:
        assert normal(source) == normal(small())
        assert source.info == INFO
        assert source.complete
        assert source.started == datetime(2025, 1, 2, 3, 4, 5, tzinfo=UTC)
        assert source.notes() == [Note(datetime(2025, 1, 3, tzinfo=UTC), 1.5, "the connector was wet")]
        assert source.findings(1, "expect=switching") == {"side": "low", "why": "released"}
        assert [a.sample for a in source.anchors()] == [7900]
        assert source.overview(0, 15_000, 3).low.shape == (3, 2)
    assert check_capture(path).intact


def test_there_is_a_fixture_for_every_version() -> None:
    versions = [f"schema_{n}.whichside" for n in range(1, schema.VERSION + 1)]
    assert sorted(p.name for p in FIXTURES.glob("*.whichside")) == versions


def test_the_tables_of_version_1_are_frozen() -> None:
    """What is written today has the tables of the fixture, word for word."""
    connection = sqlite3.connect(f"{(FIXTURES / 'schema_1.whichside').as_uri()}?immutable=1", uri=True)
    released = dict(connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'").fetchall())
    connection.close()
    assert released == {table.name: table.sql for table in schema.TABLES}


def test_the_file_tells_what_it_is(tmp_path: Path) -> None:
    """As documented: SQLite's header fields (https://www.sqlite.org/fileformat2.html, section 1.3)."""
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    header = path.read_bytes()[:100]
    assert header[:16] == b"SQLite format 3\0"
    assert int.from_bytes(header[16:18], "big") == 2048
    assert header[18:20] == b"\x01\x01"  # rollback journal: one clean file, readable anywhere
    assert int.from_bytes(header[60:64], "big") == schema.VERSION
    assert header[68:72] == b"WSID"


@pytest.mark.parametrize("table", schema.TABLES, ids=lambda t: t.name)
def test_every_column_is_described(table: schema.Table) -> None:
    text = DESCRIPTION.read_text()
    assert f"`{table.name}`" in text
    for column in table.columns:
        assert f"`{column}`" in text, f"recordings/README.md does not explain {table.name}.{column}"


def test_the_description_is_enough_to_read_a_capture() -> None:
    """The Python program printed in recordings/README.md, run as it stands, finds the recorded volts."""
    text = DESCRIPTION.read_text()
    program = text.split("```python\n")[1].split("```")[0]
    space: dict[str, object] = {}
    exec(compile(program, str(DESCRIPTION), "exec"), space)
    read = space["volts"]
    assert callable(read)
    with CaptureSource(FIXTURES / "schema_1.whichside") as source:
        wanted = [block.layout.scale.volts(block.counts) for block in source.samples(0, 15_000)]
    got = np.array(list(read(str(FIXTURES / "schema_1.whichside"))))
    assert got[:, 1:] == pytest.approx(np.concatenate(wanted))
    assert got[10_000, 0] == pytest.approx(4.0)
