"""Reading where reading is hard: while another records, on media that cannot be written, from the future."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path

import pytest

from daq.capture import CaptureSource, add_note, write_capture
from daq.errors import CommandError, InputError, WorkError
from daq.samples import Bias, Block, BlockFlag
from daq.source import SetBias
from tests.capture.logs import INFO, LAYOUTS, endless, noisy, normal, sizes, small
from tests.capture.test_crash import killed
from tests.capture.test_writer import alone, assert_beginning, hasty, read, recorder

NOBODY = 65534


def test_a_recording_can_be_watched_from_another_process(tmp_path: Path) -> None:
    path = tmp_path / "watched.whichside"
    process = recorder(path, 11, "--pause", "0.0005")
    try:
        assert process.stdout is not None
        seen = []
        for _ in range(15):
            acknowledged = int(process.stdout.readline())
            with CaptureSource(path) as source:
                items = list(source)
                assert source.damages == ()
                assert not source.complete
                last = source.end
                view = source.overview(source.first, last, 60)
            assert_beginning(items, 11)
            assert sizes(items)[0] >= acknowledged
            assert last == 0 or (view.high >= view.low).any()
            seen.append(sizes(items)[0])
        assert seen[-1] > seen[0]
    finally:
        process.kill()
        process.communicate()
    assert_beginning(read(path), 11)


def test_an_iteration_ends_where_the_recording_has_got_to_and_never_out_of_order(tmp_path: Path) -> None:
    """Gaps and marks committed while the reader is under way stand where they belong."""
    path = tmp_path / "under-way.whichside"
    log = endless(12)
    with hasty(path) as writer, CaptureSource(path) as source:
        got = []
        replay = iter(source)
        for _ in range(40):
            for item in islice(log, 110):
                writer.append(item)
            got += list(islice(replay, 2))
        got += list(replay)
        assert source.end == writer.saved_end == sizes(got)[0]
    assert_beginning(got, 12)


def test_screens_may_look_while_the_worker_iterates(tmp_path: Path) -> None:
    path = tmp_path / "both.whichside"
    with hasty(path) as writer:
        for item in islice(endless(13), 4000):
            writer.append(item)
    wrong: list[BaseException] = []

    def look(source: CaptureSource) -> None:
        try:
            for _ in range(50):
                assert not (source.overview(0, source.end, 80).low > 100).any()
                assert source.segments()
        except BaseException as error:
            wrong.append(error)

    with CaptureSource(path) as source:
        threads = [threading.Thread(target=look, args=(source,)) for _ in range(2)]
        for thread in threads:
            thread.start()
        items = list(source)
        for thread in threads:
            thread.join()
    assert wrong == []
    assert normal(items) == normal(islice(endless(13), 4000))


def test_close_from_another_thread_ends_the_iteration(tmp_path: Path) -> None:
    path = tmp_path / "closing.whichside"
    with hasty(path) as writer:
        for item in islice(endless(14), 20_000):
            writer.append(item)
    source = CaptureSource(path)
    taken = 0
    for taken, _ in enumerate(source, 1):
        if taken == 5:
            closer = threading.Thread(target=source.close)
            closer.start()
            closer.join()
    assert 5 <= taken < 1000
    source.close()


def test_a_recording_takes_no_commands(tmp_path: Path) -> None:
    write_capture(tmp_path / "a.whichside", small(), INFO)
    with CaptureSource(tmp_path / "a.whichside") as source, pytest.raises(CommandError, match="SetBias"):
        source.command(SetBias(Bias.UP, Bias.OFF))


def test_times_and_samples_agree(tmp_path: Path) -> None:
    path = tmp_path / "times.whichside"
    write_capture(path, small(), INFO)
    with CaptureSource(path) as source:
        assert source.duration_s == pytest.approx(15_000 / 4000 + 1.5)
        assert source.time_of(9_999) == pytest.approx(9_999 / 4000)
        assert source.time_of(10_000) == pytest.approx(2.5 + 1.5)
        assert source.sample_at(3.0) == 10_000  # inside the gap
        for sample in (0, 1, 4_999, 5_000, 9_999, 10_000, 14_999):
            assert source.sample_at(source.time_of(sample)) == sample
        assert source.sample_at(1e9) == 15_000
        blocks = list(source.samples(4_990, 6_010))
        assert [b.first for b in blocks] == sorted(b.first for b in blocks)
    assert (blocks[0].first, blocks[-1].end) == (4_990, 6_010)
    whole = [item for item in small() if isinstance(item, Block)]
    wanted = [tuple(p) for block in whole for p in block.counts][4_990:6_010]
    assert [tuple(p) for block in blocks for p in block.counts] == wanted


def test_samples_from_the_middle_of_a_block_do_not_repeat_its_loss(tmp_path: Path) -> None:
    path = tmp_path / "flags.whichside"
    lost = BlockFlag.MISSED_TRIGGER | BlockFlag.OVERFLOW
    write_capture(path, [Block(0, noisy(1, 100), LAYOUTS[0], lost)], INFO)
    with CaptureSource(path) as source:
        assert [b.flags for b in source.samples(0, 50)] == [lost]
        assert [b.flags for b in source.samples(50, 100)] == [BlockFlag.NONE]


# Media that cannot be written


@contextmanager
def as_anyone() -> Iterator[None]:
    """Root may write anywhere: give that up for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@contextmanager
def unwritable(*files: Path) -> Iterator[Path]:
    """A directory with copies of `files` in which nothing can be changed."""
    folder = Path(tempfile.mkdtemp(prefix="unwritable-"))
    try:
        for file in files:
            (folder / file.name).write_bytes(file.read_bytes())
            (folder / file.name).chmod(0o444)
        folder.chmod(0o555)
        with as_anyone():
            yield folder
    finally:
        folder.chmod(stat.S_IRWXU)
        shutil.rmtree(folder)


def test_a_closed_capture_reads_on_media_that_cannot_be_written(tmp_path: Path) -> None:
    path = tmp_path / "closed.whichside"
    write_capture(path, small(), INFO)
    with unwritable(path) as folder:
        assert normal(read(folder / path.name)) == normal(small())
        with pytest.raises(WorkError, match=r"cannot be written.*copy it"):
            add_note(folder / path.name, "no")


def test_a_capture_left_in_wal_mode_reads_on_media_that_cannot_be_written(tmp_path: Path) -> None:
    path = tmp_path / "wal-mode.whichside"
    write_capture(path, small(), INFO)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode=WAL").fetchone()
    connection.close()
    with unwritable(path) as folder:
        assert normal(read(folder / path.name)) == normal(small())
        assert alone(folder / path.name)


def test_a_crashed_capture_reads_on_media_that_cannot_be_written(tmp_path: Path) -> None:
    """What is only in the -wal is read as well, from a private copy; nothing is left behind."""
    path = tmp_path / "crashed.whichside"
    acknowledged = killed(path, 15, 0.2)
    wal = path.with_name(path.name + "-wal")
    assert wal.stat().st_size > 0
    before = set(Path(tempfile.gettempdir()).glob("whichside-*"))
    with unwritable(path, wal) as folder:
        items = read(folder / path.name)
        assert sorted(p.name for p in folder.iterdir()) == [path.name, wal.name]
    assert_beginning(items, 15)
    assert sizes(items)[0] >= acknowledged
    assert set(Path(tempfile.gettempdir()).glob("whichside-*")) == before


# Not ours, or not yet


def changed(path: Path, *statements: str) -> Path:
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()
    return path


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    return path


def test_a_newer_version_is_refused(capture: Path) -> None:
    changed(capture, "PRAGMA user_version=2")
    with pytest.raises(WorkError, match=r"newer whichside .*update to open it"):
        CaptureSource(capture)
    with pytest.raises(WorkError, match="newer whichside"):
        add_note(capture, "no")


@pytest.mark.parametrize(
    "statements",
    [
        ["CREATE TRIGGER t AFTER INSERT ON note BEGIN DELETE FROM block; END"],
        ["DROP TABLE block", "CREATE VIEW block AS SELECT 1 AS first"],
        ["ALTER TABLE gap ADD COLUMN more TEXT"],
        ["DROP TABLE change"],
        ["PRAGMA user_version=0"],
    ],
)
def test_other_tables_than_ours_are_refused(capture: Path, statements: list[str]) -> None:
    with pytest.raises(InputError, match="not those of a whichside file"):
        CaptureSource(changed(capture, *statements))


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    path = changed(tmp_path / "other.db", "CREATE TABLE block (first INTEGER)")
    with pytest.raises(InputError, match="not a capture"):
        CaptureSource(path)


@pytest.mark.parametrize(
    "content", [b"", b"time_s,lead1_v,lead2_v\n0,1,2\n" * 99, bytes(10_000), b"SQLite format 3\0"]
)
def test_other_files_are_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "other.whichside"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"capture|nothing was ever recorded"):
        CaptureSource(path)
    assert alone(path)
    assert path.read_bytes() == content


def test_no_file_is_no_capture_and_none_is_made(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist: check the name"):
        CaptureSource(tmp_path / "none.whichside")
    with pytest.raises(InputError, match="is not a file"):
        CaptureSource(tmp_path)
    with pytest.raises(InputError, match="does not exist"):
        add_note(tmp_path / "none.whichside", "no")
    assert list(tmp_path.iterdir()) == []
