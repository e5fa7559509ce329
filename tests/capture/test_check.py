"""`check` tells a whole capture from a damaged one, and what the damage costs."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings

from daq import capture_schema as schema
from daq.capture import CaptureWriter, add_note, check_capture, write_capture
from daq.errors import InputError
from daq.samples import Item
from tests.capture.logs import INFO, logs, memory_folder, small
from tests.capture.test_crash import killed


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    return path


def changed(path: Path, statement: str) -> Path:
    connection = sqlite3.connect(path)
    connection.execute(statement)
    connection.commit()
    connection.close()
    return path


def test_a_whole_capture(capture: Path) -> None:
    add_note(capture, "seen")
    report = check_capture(capture)
    assert report.intact
    assert report.complete
    assert (report.pairs, report.segments, report.gaps, report.changes, report.notes) == (15_000, 4, 2, 7, 1)
    assert report.duration_s == pytest.approx(5.25)
    assert report.sentence().endswith("is intact: 5.2 s of samples; the recording ended properly.")
    assert json.loads(json.dumps(report.to_json()))["intact"] is True


def test_a_recording_that_was_cut_off_is_intact_but_not_complete(tmp_path: Path) -> None:
    path = tmp_path / "killed.whichside"
    killed(path, 1, 0.1)
    report = check_capture(path)
    assert report.intact
    assert not report.complete
    assert "cut off, or is still running" in report.sentence()


def test_a_recording_that_is_running_can_be_checked(tmp_path: Path) -> None:
    with CaptureWriter(tmp_path / "running.whichside", INFO) as writer:
        for item in small():
            writer.append(item)
        assert check_capture(writer.path).intact


@pytest.mark.parametrize(
    ("statement", "table", "pairs"),
    [
        ("UPDATE block SET crc = crc + 1 WHERE first = 5000", "block", 1000),
        ("UPDATE segment SET first = first + 1 WHERE number = 2", "segment", 1000),
        ("UPDATE change SET value = 'off' WHERE value = 'on' AND position = 5000", "change", 0),
        ("UPDATE gap SET pairs = 1 WHERE position = 15000", "gap", 0),
        ("UPDATE pyramid SET crc = 0 WHERE level = 0", "pyramid", 0),
        ("UPDATE meta SET value = 'whatever' WHERE name = 'codec'", "meta", 0),
        ("UPDATE channel SET volts_per_count = 1 WHERE layout = 2", "channel", 1000),
    ],
)
def test_every_damaged_row_is_named(capture: Path, statement: str, table: str, pairs: int) -> None:
    report = check_capture(changed(capture, statement))
    assert not report.intact
    assert table in {damage.table for damage in report.damages}
    assert report.pairs_missing == pairs
    assert report.seconds_missing == pytest.approx(pairs / 4000)
    assert report.pairs == 15_000 - pairs
    assert "is damaged in" in report.sentence()


def test_rows_that_are_not_there_are_missed(capture: Path) -> None:
    report = check_capture(changed(capture, "DELETE FROM block WHERE first >= 6000"))
    assert not report.intact
    assert report.damages == ()
    assert report.pairs_missing == 9000


def test_marks_that_are_not_there_are_missed(capture: Path) -> None:
    report = check_capture(changed(capture, "DELETE FROM change WHERE entry = 3"))
    assert not report.intact
    assert (report.damages, report.entries_missing, report.changes) == ((), 1, 6)
    assert list(report.lines()) == ["lost: 1 marks or gaps"]


def test_a_pyramid_that_is_not_of_these_samples_is_seen(capture: Path) -> None:
    """Sound rows with sound checksums: only making them anew tells."""
    with closing(sqlite3.connect(capture)) as connection:
        rows = connection.execute("SELECT rowid, level, bin, bins, lead1, lead2 FROM pyramid").fetchall()
        for number, level, first, bins, lead1, lead2 in rows:
            if level == 1:
                crc = schema.checksum((level, first, bins, lead2, lead1))
                swap = "UPDATE pyramid SET lead1 = ?, lead2 = ?, crc = ? WHERE rowid = ?"
                connection.execute(swap, (lead2, lead1, crc, number))
        connection.commit()
    report = check_capture(capture)
    assert [damage.table for damage in report.damages] == ["pyramid"]
    assert "level 1 from bin 0 on does not agree with the samples" in report.damages[0].why


def test_a_pyramid_beside_damaged_samples_is_no_damage(capture: Path) -> None:
    """Its bins know more than can be made anew."""
    report = check_capture(changed(capture, "UPDATE block SET crc = 0 WHERE first = 5000"))
    assert [damage.table for damage in report.damages] == ["block"]
    assert [(one.begin_s, one.end_s, one.pairs) for one in report.lost] == [(1.25, 1.5, 1000)]
    assert next(report.lines()) == "lost: 1.250 s to 1.500 s (1000 pairs)"


@settings(max_examples=40, deadline=None)
@given(logs())
def test_any_log_is_found_intact(items: list[Item]) -> None:
    with memory_folder() as folder:
        path = Path(folder) / "any.whichside"
        write_capture(path, items, INFO)
        assert list(check_capture(path).lines()) == []


def test_a_broken_structure_is_seen(capture: Path) -> None:
    """A page of the index on meta written over: no row is lost, but the file is not whole."""
    connection = sqlite3.connect(capture)
    ((page,),) = connection.execute(
        "SELECT rootpage FROM sqlite_master WHERE name LIKE '%autoindex_meta%'"
    ).fetchall()
    connection.close()
    content = bytearray(capture.read_bytes())
    content[(page - 1) * 2048 : page * 2048] = b"\x0a" + bytes(2047)
    capture.write_bytes(content)
    report = check_capture(capture)
    assert {damage.table for damage in report.damages} == {"file"}
    assert report.pairs == 15_000


def test_what_is_no_capture_cannot_be_checked(tmp_path: Path) -> None:
    path = tmp_path / "no.whichside"
    path.write_text("no")
    with pytest.raises(InputError):
        check_capture(path)
