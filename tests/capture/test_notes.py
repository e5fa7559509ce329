"""What is added afterwards stays apart from the recording, and never gets into one that is running."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

import pytest

from daq import capture_notes
from daq.capture import CaptureSource, Note, add_note, keep_findings, write_capture
from daq.errors import WorkError
from tests.capture.logs import INFO, endless, normal, sizes, small
from tests.capture.test_crash import killed
from tests.capture.test_writer import alone, hasty, recorder

WHEN = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    return path


def test_notes_come_back_in_order_and_leave_the_log_alone(capture: Path) -> None:
    add_note(capture, "the second connector was wet", written=WHEN)
    add_note(capture, "here: “wiggled”", at_s=2.5, written=WHEN)
    with CaptureSource(capture) as source:
        assert source.notes() == [
            Note(WHEN, None, "the second connector was wet"),
            Note(WHEN, 2.5, "here: “wiggled”"),
        ]
        assert normal(source) == normal(small())
        assert source.damages == ()
    assert alone(capture)


def test_a_note_may_be_written_while_the_recording_is_reviewed(capture: Path) -> None:
    with CaptureSource(capture) as source:
        replay = iter(source)
        next(replay)
        add_note(capture, "meanwhile", written=WHEN)
        assert [note.text for note in source.notes()] == ["meanwhile"]
        assert len(list(replay)) > 5


def test_a_running_recording_takes_no_notes(tmp_path: Path) -> None:
    """Neither from its own process nor from another."""
    path = tmp_path / "running.whichside"
    with hasty(path) as writer:
        writer.append(next(endless(1)))
        with pytest.raises(WorkError, match="still being recorded or read"):
            add_note(path, "no")
    other = tmp_path / "other.whichside"
    process = recorder(other, 1, "--pause", "0.001")
    try:
        assert process.stdout is not None
        process.stdout.readline()
        with pytest.raises(WorkError, match="still being recorded or read"):
            add_note(other, "no")
        process.stdout.readline()  # and it goes on
    finally:
        process.kill()
        process.communicate()
    with CaptureSource(other) as source:
        assert source.notes() == []


def test_a_note_to_a_recording_that_was_cut_off_takes_the_wal_in_first(tmp_path: Path) -> None:
    path = tmp_path / "killed.whichside"
    acknowledged = killed(path, 2, 0.1)
    add_note(path, "the battery was pulled")
    assert alone(path)
    with CaptureSource(path) as source:
        assert [note.text for note in source.notes()] == ["the battery was pulled"]
        assert sizes(source)[0] >= acknowledged


def test_findings_are_kept_by_version_and_settings(capture: Path) -> None:
    assert keep_findings(capture, 1, "expect=steady", {"side": "low"})
    assert keep_findings(capture, 1, "", {"side": "high"})
    assert keep_findings(capture, 1, "", {"side": "reversing", "why": "ü"})
    with CaptureSource(capture) as source:
        assert source.findings(1, "expect=steady") == {"side": "low"}
        assert source.findings(1, "") == {"side": "reversing", "why": "ü"}
        assert source.findings(2, "") is None
        assert source.findings(1, "other") is None


def test_findings_too_long_to_help_are_not_kept(capture: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture_notes, "LONGEST_DOCUMENT", 100)
    assert not keep_findings(capture, 1, "", {"why": "x" * 100})
    with CaptureSource(capture) as source:
        assert source.findings(1, "") is None


def test_a_note_that_cannot_be_written_is_refused_in_a_sentence(capture: Path) -> None:
    """Another program holds the file."""
    holder = sqlite3.connect(capture, isolation_level=None)
    holder.execute("PRAGMA locking_mode=EXCLUSIVE")
    holder.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("daq.capture_files.WAIT_S", 0.05)
            with pytest.raises(
                WorkError, match="still being recorded or read: add to it when that has ended"
            ):
                add_note(capture, "no")
    finally:
        holder.close()


def test_many_notes_cost_little(capture: Path) -> None:
    before = capture.stat().st_size
    for text in islice(map(str, range(100)), 30):
        add_note(capture, text, written=WHEN)
    assert capture.stat().st_size - before <= 4 * 2048
