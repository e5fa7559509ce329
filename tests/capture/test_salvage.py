"""What is saved of damaged captures: all that lies on sound pages, nothing else, and the original untouched.

The invariant is that of test_damage: every pair in the new capture was recorded, at the time it is given.
"""

from __future__ import annotations

import random
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.capture import CaptureSource, CaptureWriter, add_note, check_capture, salvage_capture, write_capture
from daq.errors import InputError, WorkError
from daq.page_scan import rows_in
from daq.samples import Block, Item
from tests.capture.broken import damaged, tree_page
from tests.capture.logs import INFO, LAYOUTS, endless, logs, memory_folder, noisy, normal, sizes, small
from tests.capture.test_crash import disk
from tests.capture.test_damage import assert_true
from tests.capture.test_log import replayed
from tests.capture.test_writer import alone, assert_beginning, hasty

PAGE = 2048


def saved(content: bytes, folder: Path) -> list[Item]:
    """The log of what is salvaged; checks that the original is as it was and the new one is sound."""
    path, out = folder / "bad.whichside", folder / "good.whichside"
    path.write_bytes(content)
    out.unlink(missing_ok=True)
    salvage_capture(path, out)
    assert path.read_bytes() == content
    assert sorted(p.name for p in folder.iterdir()) == ["bad.whichside", "good.whichside"]
    assert check_capture(out).intact
    return replayed(out)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "salvage").mkdir()
    return tmp_path / "salvage"


def test_a_sound_capture_is_copied_item_for_item(whole: bytes, folder: Path) -> None:
    assert normal(saved(whole, folder)) == normal(small())


@settings(max_examples=60, deadline=None)
@given(logs())
def test_any_log_is_found_page_by_page(items: list[Item]) -> None:
    with memory_folder() as name:
        path = Path(name) / "any.whichside"
        write_capture(path, items, INFO)
        if not check_capture(path).pairs:
            return
        content = path.read_bytes()
        path.unlink()
        assert normal(saved(bytes(PAGE) + content[PAGE:], Path(name))) == normal(items)


@pytest.mark.parametrize("filler", [b"\0", b"\xff", b"\x0d"])
def test_a_lost_first_page_costs_nothing(whole: bytes, folder: Path, filler: bytes) -> None:
    content = filler * PAGE + whole[PAGE:]
    assert normal(saved(content, folder)) == normal(small())


@pytest.mark.parametrize("table", ["layout", "channel", "segment", "pyramid", "clock", "finding"])
def test_tables_that_follow_from_others_cost_nothing(
    whole: bytes, folder: Path, tmp_path: Path, table: str
) -> None:
    at = tree_page(whole, tmp_path, table)
    assert normal(saved(whole[:at] + bytes(PAGE) + whole[at + PAGE :], folder)) == normal(small())


def test_a_lost_gap_is_replaced_by_the_time_it_took(whole: bytes, folder: Path, tmp_path: Path) -> None:
    """And said to be one of the marks or gaps that are gone."""
    path = damaged(tmp_path, whole, "UPDATE gap SET crc = 0 WHERE position = 10000")
    told = salvage_capture(path, folder / "out.whichside")
    assert (told.pairs_missing, told.entries_missing, told.everything) == (0, 1, False)
    assert told.sentence().endswith("0.000 s are lost, and 1 marks or gaps. That file is as it was.")
    assert_true(replayed(folder / "out.whichside"))


def test_only_the_damaged_page_is_lost(whole: bytes, folder: Path) -> None:
    """Every page in turn: what lay on it, where SQLite alone loses up to the whole file."""
    lost = []
    for page in range(len(whole) // PAGE):
        content = whole[: page * PAGE] + b"\xff" * PAGE + whole[(page + 1) * PAGE :]
        items = saved(content, folder)
        assert_true(items)
        lost.append(15_000 - sizes(items)[0])
    assert set(lost) == {0, 4000, 5000, 6000}  # rows of 5000, 1000, 4000, 5000; the first two share a page


def test_an_inner_page_hides_nothing(tmp_path: Path, folder: Path) -> None:
    """400 rows of samples under one inner page, which is lost."""
    path = tmp_path / "large.whichside"
    items: list[Item] = [Block(at, noisy(at, 500), LAYOUTS[0]) for at in range(0, 200_000, 500)]
    now = 0.0
    with CaptureWriter(path, INFO, clock=lambda: now, utc=None) as writer:
        for item in items:
            now += 1.0
            writer.append(item)
    content = path.read_bytes()
    at = tree_page(content, tmp_path, "block")
    assert content[at] == 5  # an inner page
    content = content[:at] + bytes(PAGE) + content[at + PAGE :]
    (tmp_path / "bad.whichside").write_bytes(content)
    assert check_capture(tmp_path / "bad.whichside").pairs == 0
    assert normal(saved(content, folder)) == normal(items)


def test_a_wal_that_sqlite_cannot_take_in_is_read(tmp_path: Path, folder: Path) -> None:
    path = tmp_path / "wal.whichside"
    (tmp_path / "copy").mkdir()
    with hasty(path) as writer:
        for item, _ in zip(endless(2), range(900), strict=False):
            writer.append(item)
        left, acknowledged = disk(path, tmp_path / "copy"), writer.saved_end
    wal = left[f"{path.name}-wal"]
    (folder / "bad.whichside").write_bytes(b"\xff" * len(left[path.name]))
    (folder / "bad.whichside-wal").write_bytes(wal)
    told = salvage_capture(folder / "bad.whichside", folder / "good.whichside")
    assert told.pairs > 0
    assert (folder / "bad.whichside-wal").read_bytes() == wal
    (folder / "bad.whichside").write_bytes(left[path.name])
    (folder / "good.whichside").unlink()
    assert salvage_capture(folder / "bad.whichside", folder / "good.whichside").pairs == acknowledged
    assert_beginning(replayed(folder / "good.whichside"), 2)


def test_notes_and_wall_time_come_along(tmp_path: Path) -> None:
    path, out = tmp_path / "bad.whichside", tmp_path / "good.whichside"
    begun, now = datetime(2026, 3, 1, 12, tzinfo=UTC), 0.0
    writer = CaptureWriter(path, INFO, clock=lambda: now, utc=lambda: begun + timedelta(seconds=now))
    with writer:
        for at in range(0, 240_000, 400):
            now = (at + 400) / 4000
            writer.append(Block(at, noisy(at, 400), LAYOUTS[0]))
    add_note(path, "wet", 1.0)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE block SET crc = 0 WHERE first < 40000")
    connection.commit()
    connection.close()
    told = salvage_capture(path, out)
    assert told.pairs_missing >= 40_000
    assert told.lost[0].begin_s == 0.0
    assert "s are lost" in told.sentence()
    with CaptureSource(path) as old, CaptureSource(out) as new:
        assert new.notes() == old.notes()
        assert (new.started, new.info, new.complete) == (old.started, old.info, True)
        assert new.meta["salvaged_from"] == "bad.whichside"
        wall = new.wall_clock()
        assert wall is not None
        assert abs(wall.utc(50.0) - begun - timedelta(seconds=50)) < timedelta(milliseconds=1)


def test_what_is_no_capture_gives_nothing(tmp_path: Path) -> None:
    for content in (b"", b"no", random.Random(1).randbytes(50_000)):
        path = tmp_path / "no.whichside"
        path.write_bytes(content)
        with pytest.raises(InputError, match="nothing of a capture"):
            salvage_capture(path, tmp_path / "out.whichside")
        assert alone(path)


def test_a_newer_version_is_refused(whole: bytes, tmp_path: Path) -> None:
    path = damaged(tmp_path, whole, "PRAGMA user_version=2")
    with pytest.raises(WorkError, match=r"newer whichside \(file version 2\)"):
        salvage_capture(path, tmp_path / "out.whichside")


def spoiled(content: bytes, seed: int) -> bytes:
    """Flipped bits, and pages written over or cut off."""
    chance, spoilt = random.Random(seed), bytearray(content)
    for _ in range(chance.randint(1, 6)):
        spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
    if chance.random() < 0.5:
        at = chance.randrange(len(spoilt) // PAGE) * PAGE
        spoilt[at : at + PAGE] = chance.randbytes(PAGE)
    if chance.random() < 0.3:
        del spoilt[chance.randrange(len(spoilt)) :]
    return bytes(spoilt)


def survives_salvage(content: bytes) -> None:
    with memory_folder() as name:
        try:
            items = saved(content, Path(name))
        except InputError:
            return
        assert_true(items)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32))
def test_spoiled_files(whole: bytes, seed: int) -> None:
    survives_salvage(spoiled(whole, seed))


@pytest.mark.long
@pytest.mark.parametrize("seed", range(20))
def test_spoiled_files_often(whole: bytes, seed: int) -> None:
    for number in range(200):
        survives_salvage(spoiled(whole, seed * 1000 + number))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.binary(min_size=512, max_size=512), max_size=4), st.booleans())
def test_any_pages_give_rows_or_none(pages: list[bytes], leaf: bool) -> None:
    if leaf:
        pages = [b"\x0d" + page[1:] for page in pages]
    for number, columns in rows_in(pages, 4096):
        assert isinstance(number, int)
        assert isinstance(columns, tuple)


def test_rows_are_those_that_sqlite_gives(whole: bytes, tmp_path: Path) -> None:
    """The page reader against SQLite itself, with every serial type there is."""
    path = tmp_path / "types.sqlite"
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA page_size={PAGE}")
    connection.execute("CREATE TABLE t (a, b, c)")
    chance = random.Random(5)
    wide = [0, 1, -1, 127, -128, 128, 32768, 2**23, 2**31, 2**47, 2**63 - 1, -(2**63), 1.5, None, "", b""]
    rows = [(w, "ä" * chance.randrange(3000), chance.randbytes(chance.randrange(9000))) for w in wide * 3]
    connection.executemany("INSERT INTO t VALUES (?, ?, ?)", rows)
    connection.execute("UPDATE t SET rowid = -5 WHERE rowid = 1")
    connection.commit()
    expected = connection.execute("SELECT rowid, a, b, c FROM t ORDER BY rowid").fetchall()
    connection.close()
    content = path.read_bytes()
    pages = [content[at : at + PAGE] for at in range(0, len(content), PAGE)]
    found = [(number, *columns) for number, columns in rows_in(pages, 1 << 20) if len(columns) == 3]
    assert sorted(found, key=lambda row: row[0]) == expected
