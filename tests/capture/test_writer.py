"""One recorder a file, a second at most at risk, and a full disk loses nothing that was recorded."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator
from itertools import count, islice, pairwise
from pathlib import Path
from typing import NamedTuple

import pytest

from daq.capture import CaptureSource, CaptureWriter
from daq.errors import WorkError
from daq.samples import Block, Item
from tests.capture.hasty import HastyWriter
from tests.capture.logs import INFO, LAYOUTS, endless, noisy, normal, prefix, sizes

ROOT = Path(__file__).parent.parent.parent


def read(path: Path) -> list[Item]:
    with CaptureSource(path) as source:
        items = list(source)
        assert source.damages == ()
        return items


def recorder(path: Path, seed: int, *more: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.capture.recorder", str(path), str(seed), *more]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)


def assert_beginning(items: list[Item], seed: int) -> None:
    assert normal(items) == normal(prefix(endless(seed), *sizes(items)))


def hasty(path: Path) -> CaptureWriter:
    """A writer whose clock moves 10 ms an item."""
    return HastyWriter(path)


def kept_in(given: list[Item], items: Iterable[Item]) -> Iterator[Item]:
    for item in items:
        given.append(item)
        yield item


def record_all(writer: CaptureWriter, items: Iterable[Item]) -> None:
    for item in items:
        writer.append(item)


def alone(path: Path) -> bool:
    return [p.name for p in path.parent.iterdir()] == [path.name]


def test_an_existing_file_is_refused_and_untouched(tmp_path: Path) -> None:
    path = tmp_path / "there.whichside"
    path.write_text("someone's")
    with pytest.raises(WorkError, match="exists already: choose another name"):
        CaptureWriter(path, INFO)
    assert path.read_text() == "someone's"


def test_a_second_recorder_of_the_same_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "one.whichside"
    with CaptureWriter(path, INFO) as first:
        other = recorder(path, 1)
        said, _ = other.communicate(timeout=20)
        assert other.returncode == 1
        assert "exists already" in said
        first.append(next(endless(1)))
    assert sizes(read(path)) == (32, 0)


def test_of_two_that_start_at_once_one_records(tmp_path: Path) -> None:
    path = tmp_path / "race.whichside"
    both = [recorder(path, seed) for seed in (1, 2)]
    try:
        refused = [p for p in both if "exists already" in (p.stdout or sys.stdin).readline()]
        assert len(refused) == 1
        assert refused[0].wait(20) == 1
    finally:
        for process in both:
            process.kill()
            process.communicate()
    assert_beginning(read(path), 2 if both[0] is refused[0] else 1)


@pytest.mark.parametrize("name", ["missing/a.whichside", "."])
def test_a_place_that_cannot_be_written_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(WorkError, match="choose another"):
        CaptureWriter(tmp_path / name, INFO)


def test_odd_names_are_only_names(tmp_path: Path) -> None:
    path = tmp_path / "50% #1?mode=memory.whichside"
    with CaptureWriter(path, INFO) as writer:
        writer.append(next(endless(1)))
    assert alone(path)
    assert sizes(read(path)) == (32, 0)


def test_every_second_is_on_the_disk(tmp_path: Path) -> None:
    path = tmp_path / "second.whichside"
    now = 0.0
    log = endless(3)
    with CaptureWriter(path, INFO, clock=lambda: now, utc=None) as writer:
        for item in islice(log, 30):
            writer.append(item)
        assert sizes(read(path)) == (0, 0)
        now = 1.0
        writer.append(next(log))
        assert_beginning(saved := read(path), 3)
        assert sum(sizes(saved)[:1]) == writer.saved_end > 0
        writer.append(item := next(b for b in log if isinstance(b, Block)))
        now = 2.0
        writer.tick()  # nothing arrives: the session ticks
        assert writer.saved_end == item.end
    assert alone(path)


def test_samples_that_waited_before_the_recording_began_are_saved_soon(tmp_path: Path) -> None:
    """Three quarters of a second come in a rush: they do not wait as long again."""
    now = 0.0
    with CaptureWriter(tmp_path / "rush.whichside", INFO, clock=lambda: now, asleep=lambda: 0.0) as writer:
        writer.append(Block(0, noisy(1, 3000), LAYOUTS[0]))
        assert writer.saved_end == 0
        now = 0.11
        writer.append(Block(3000, noisy(2, 200), LAYOUTS[0]))
        assert writer.saved_end == 3200
        for at in range(3200, 32_000, 3200):  # but not a commit for each of many
            writer.append(Block(at, noisy(at, 3200), LAYOUTS[0]))
        assert writer.saved_end == 3200


def test_a_closed_recording_takes_nothing_more(tmp_path: Path) -> None:
    writer = hasty(tmp_path / "closed.whichside")
    writer.close()
    writer.close()
    with pytest.raises(WorkError, match="start a new recording"):
        writer.append(next(endless(1)))


def test_an_error_in_the_middle_leaves_a_recording_that_is_not_complete(tmp_path: Path) -> None:
    path = tmp_path / "error.whichside"

    def breaks() -> None:
        with hasty(path) as writer:
            writer.append(next(endless(1)))
            raise RuntimeError

    with pytest.raises(RuntimeError):
        breaks()
    with CaptureSource(path) as source:
        assert not source.complete
        assert sizes(source) == (32, 0)


class Usage(NamedTuple):
    total: int
    used: int
    free: int


def test_the_recording_stops_at_the_reserve_with_everything_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "reserve.whichside"
    left = count(80 << 20, -(1 << 20))
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(0, 0, next(left)))
    writer = hasty(path)
    log = endless(4)
    given: list[Item] = []
    with pytest.raises(WorkError, match=r"nearly full \(63 MB left\): everything recorded so far is kept"):
        record_all(writer, kept_in(given, log))
    assert alone(path)
    assert normal(read(path)) == normal(given)
    with pytest.raises(WorkError, match="nearly full"):
        writer.append(next(log))
    with CaptureSource(path) as source:
        assert not source.complete


def test_a_recording_does_not_begin_on_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(0, 0, 10 << 20))
    with pytest.raises(WorkError, match=r"nearly full \(10 MB left\): make room"):
        CaptureWriter(tmp_path / "none.whichside", INFO)
    assert list(tmp_path.iterdir()) == []


def test_a_database_that_is_full_keeps_all_that_was_committed(tmp_path: Path) -> None:
    path = tmp_path / "full.whichside"
    writer = hasty(path)
    writer._connection.execute("PRAGMA max_page_count=60")
    log = endless(5)
    with pytest.raises(WorkError, match=r"full.*all but the last second is kept; make room"):
        record_all(writer, log)
    writer.close()
    with pytest.raises(WorkError, match="make room"):
        writer.append(next(log))
    assert_beginning(saved := read(path), 5)
    assert sizes(saved)[0] == writer.saved_end > 10_000


def test_a_disk_that_refuses_to_grow_keeps_all_that_was_committed(tmp_path: Path) -> None:
    """The operating system's own refusal: a limit on the size of any file."""
    path = tmp_path / "limit.whichside"
    process = recorder(path, 6, "--largest", "150000")
    said, _ = process.communicate(timeout=30)
    *saved, sentence = said.splitlines()
    assert process.returncode == 1
    assert "all but the last second is kept; make room" in sentence
    assert_beginning(items := read(path), 6)
    assert sizes(items)[0] >= int(saved[-1])


def test_a_reader_at_the_end_does_not_harm(tmp_path: Path) -> None:
    """SQLite cannot tidy up while another looks; the last to leave does."""
    path = tmp_path / "looked-at.whichside"
    writer = hasty(path)
    for item in islice(endless(7), 500):
        writer.append(item)
    with CaptureSource(path) as source:
        writer.close()
        assert not alone(path)
        items = list(source)
    assert alone(path)
    assert normal(items) == normal(read(path)) == normal(islice(endless(7), 500))
    with CaptureSource(path) as source:
        assert source.complete


def test_the_clocks_are_noted_now_and_then(tmp_path: Path) -> None:
    path = tmp_path / "clock.whichside"
    with hasty(path) as writer:
        for item in islice(endless(8), 3000):  # 30 s of its clock
            writer.append(item)
    with CaptureSource(path) as source:
        anchors = source.anchors()
        assert source.started is not None
    moments = [0.0, *(a.monotonic_s for a in anchors), 30.0]
    assert max(after - before for before, after in pairwise(moments)) < 5  # one out of every two seconds
    assert len(anchors) < 100  # more where segments begin, but not one each
    assert [a.sample for a in anchors] == sorted(a.sample for a in anchors)


def test_the_disk_is_asked_for_all_it_can_promise(tmp_path: Path) -> None:
    """https://www.sqlite.org/pragma.html#pragma_synchronous: FULL (2) syncs the WAL at every commit."""
    with hasty(tmp_path / "promise.whichside") as writer:
        ask = writer._connection.execute
        settings = ("journal_mode", "synchronous", "wal_autocheckpoint", "page_size")
        found = [ask(f"PRAGMA {setting}").fetchone()[0] for setting in settings]
    assert found == ["wal", 2, 128, 2048]


def test_permissions_are_those_of_any_new_file(tmp_path: Path) -> None:
    hasty(tmp_path / "mode.whichside").close()
    (tmp_path / "plain").touch()
    assert os.stat(tmp_path / "mode.whichside").st_mode == os.stat(tmp_path / "plain").st_mode  # noqa: PTH116
