"""Damaged and hostile captures: what can be read is read, nothing is invented, and nothing crashes.

The invariant: opening gives one of our errors, or the replay tells the truth. Every pair it gives was
recorded, at the time the replay says; what is missing is a gap.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.capture import CaptureSource, check_capture, write_capture
from daq.errors import InputError, WhichsideError
from daq.samples import Block, Change, ChangeKind, Counts, Gap, GapReason, Item, Origin
from tests.capture.broken import cells, damaged, tree_page
from tests.capture.logs import INFO, LAYOUTS, memory_folder, normal, sizes, small


@dataclass(frozen=True)
class Timed:
    """Every pair of a log: its moment in steps of 1 µs, its counts, the number of its layout."""

    moments: npt.NDArray[np.int64]
    counts: Counts
    layouts: npt.NDArray[np.int64]


def timed(items: Iterable[Item]) -> Timed:
    moments, counts, layouts = [np.zeros(0)], [np.zeros((0, 2), np.int32)], [np.zeros(0, np.int64)]
    time_s = 0.0
    for item in items:
        if isinstance(item, Gap):
            time_s += item.seconds
        elif isinstance(item, Block):
            moments.append(time_s + np.arange(len(item.counts)) / item.layout.rate_hz)
            counts.append(item.counts)
            layouts.append(np.full(len(item.counts), LAYOUTS.index(item.layout)))
            time_s += len(item.counts) / item.layout.rate_hz
    steps = np.rint(np.concatenate(moments) * 1e6).astype(np.int64)
    return Timed(steps, np.concatenate(counts), np.concatenate(layouts))


TRUTH = timed(small())
ENTRIES = [item for item in small() if not isinstance(item, Block)]
LENGTH_S = 15_000 / 4000 + 1.5


def assert_true(items: list[Item]) -> None:
    """The invariant for a replay, also that its numbering is dense and its entries were recorded."""
    expected = None
    for item in items:
        if isinstance(item, Block):
            assert expected in (None, item.first)
            expected = item.end
        elif isinstance(item, Change):
            assert any((c.kind, c.value, c.at_s) == (item.kind, item.value, item.at_s) for c in CHANGES)
        else:
            assert item.reason is GapReason.MISSING or item.seconds in (1.5, 0.5)
    assert_pairs_of(TRUTH, items)


def assert_pairs_of(truth: Timed, items: Iterable[Item]) -> None:
    """Every pair is one of `truth`, at its moment, with its counts and its layout."""
    told = timed(items)
    at = np.searchsorted(truth.moments, told.moments)
    assert (at < len(truth.moments)).all()
    assert np.array_equal(truth.moments[at], told.moments)
    assert np.array_equal(truth.counts[at], told.counts)
    assert np.array_equal(truth.layouts[at], told.layouts)


CHANGES = [item for item in ENTRIES if isinstance(item, Change)]


def look_at_everything(path: Path) -> None:
    """All that screens and commands do with a capture; raises only our errors."""
    check_capture(path)
    with CaptureSource(path) as source:
        assert_true(list(source))
        source.overview(source.first, source.end, 7)
        source.overview(0, 15_000, 3)
        list(source.samples(0, 15_000))
        source.sample_at(source.time_of(7_500))
        assert source.duration_s >= 0
        source.notes()
        source.anchors()
        source.findings(1, "")


def survives(content: bytes) -> None:
    with memory_folder() as folder:
        path = Path(folder) / "damaged.whichside"
        path.write_bytes(content)
        with suppress(WhichsideError):
            look_at_everything(path)


anywhere = st.integers(0, 2**32).map(lambda seed: random.Random(seed).random())  # evenly in the file


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(anywhere, st.integers(1, 255)), min_size=1, max_size=4))
def test_flipped_bits(whole: bytes, flips: list[tuple[float, int]]) -> None:
    content = bytearray(whole)
    for at, bits in flips:
        content[int(at * len(content))] ^= bits
    survives(bytes(content))


@settings(max_examples=60, deadline=None)
@given(anywhere)
def test_a_file_cut_short(whole: bytes, length: float) -> None:
    survives(whole[: int(length * len(whole))])


@settings(max_examples=60, deadline=None)
@given(anywhere, st.integers(1, 6000), st.sampled_from([b"\0", b"\xff", b"\x5a"]))
def test_a_stretch_written_over(whole: bytes, place: float, length: int, filler: bytes) -> None:
    at = int(place * len(whole))
    survives(whole[:at] + filler * min(length, len(whole) - at) + whole[at + length :])


@settings(max_examples=60, deadline=None)
@given(anywhere, anywhere)
def test_a_page_from_elsewhere(whole: bytes, to: float, source: float) -> None:
    pages = len(whole) // 2048
    at, other = int(to * pages) * 2048, int(source * pages) * 2048
    survives(whole[:at] + whole[other : other + 2048] + whole[at + 2048 :])


@pytest.mark.long
@pytest.mark.parametrize("seed", range(20))
def test_flipped_bits_often(whole: bytes, seed: int) -> None:
    chance = random.Random(seed)
    for _ in range(1000):
        content = bytearray(whole)
        for _ in range(chance.randint(1, 8)):
            content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)
        survives(bytes(content))


def many_changes(folder: Path, count: int) -> bytes:
    path = folder / "many.whichside"
    items = [Change(0, Origin.USER, ChangeKind.NOTE, f"note {number}") for number in range(count)]
    write_capture(path, items, INFO)
    return path.read_bytes()


def numbers_read(path: Path) -> list[int]:
    with CaptureSource(path) as source:
        items = list(source)
        assert source.damage_count
    return [int(item.value.split()[1]) for item in items if isinstance(item, Change)]


def test_a_number_that_runs_backwards_gives_no_row_twice(whole: bytes, tmp_path: Path) -> None:
    """A flipped bit makes the second gap's number smaller than the first's."""
    content = bytearray(whole)
    _, second = cells(content, tree_page(whole, tmp_path, "gap"))
    assert content[second + 1] == 8
    content[second + 1] = 0
    path = tmp_path / "backwards.whichside"
    path.write_bytes(content)
    with CaptureSource(path) as source:
        items = list(source)
        assert [damage.table for damage in source.damages] == ["gap"]
    assert [item.seconds for item in items if isinstance(item, Gap)] == [1.5]
    assert_true(items)


def test_a_page_written_twice_gives_no_row_twice(tmp_path: Path) -> None:
    content = many_changes(tmp_path, 150)
    inner = cells(content, tree_page(content, tmp_path, "change"))
    first, second = (2048 * (int.from_bytes(content[at : at + 4], "big") - 1) for at in inner[:2])
    path = tmp_path / "twice.whichside"
    path.write_bytes(content[:second] + content[first : first + 2048] + content[second + 2048 :])
    numbers = numbers_read(path)
    assert numbers == sorted(set(numbers))
    assert len(numbers) > 50


def test_a_wild_number_among_damaged_rows_does_not_hide_the_rest(tmp_path: Path) -> None:
    """The first 32 rows, which are fetched together, are damaged; one of them claims to be number 127."""
    content = bytearray(many_changes(tmp_path, 40))
    leaf = tree_page(bytes(content), tmp_path, "change")
    for cell in cells(content, leaf)[:32]:
        content[cell + 1 + content[cell]] ^= 1  # the last byte, of the checksum
    content[cells(content, leaf)[9] + 1] = 127
    path = tmp_path / "wild.whichside"
    path.write_bytes(content)
    assert numbers_read(path)[-8:] == list(range(32, 40))


def test_a_blob_that_claims_more_than_there_is(whole: bytes, tmp_path: Path) -> None:
    """SQLite reports this as a lack of memory."""
    at = int(0.4956113904837389 * len(whole))
    path = tmp_path / "claims.whichside"
    path.write_bytes(whole[:at] + b"\xff" * 405 + whole[at + 405 :])
    look_at_everything(path)


# One damaged place, and what exactly it costs


def rows_of(content: bytes, folder: Path) -> list[tuple[int, int]]:
    """(first, pairs) of every row of samples."""
    path = folder / "rows.whichside"
    path.write_bytes(content)
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT first, pairs FROM block ORDER BY first").fetchall()
    connection.close()
    return rows


def test_a_damaged_row_is_a_gap_of_its_length(whole: bytes, tmp_path: Path) -> None:
    rows = rows_of(whole, tmp_path)
    for first, pairs in rows:
        path = damaged(tmp_path, whole, "UPDATE block SET crc = crc + 1 WHERE first = ?", first)
        with CaptureSource(path) as source:
            items = list(source)
            assert [(d.table, d.row) for d in source.damages] == [("block", first)]
            assert source.damage_count == 1
        (missing,) = (i for i in items if isinstance(i, Gap) and i.reason is GapReason.MISSING)
        assert missing.pairs == pairs
        assert missing.seconds == pytest.approx(pairs / 4000)
        assert_true(items)
        assert sizes(items) == (15_000 - pairs, len(ENTRIES) + 1)
        changes = [i for i in items if isinstance(i, Change)]
        assert [(c.kind, c.value) for c in changes] == [(c.kind, c.value) for c in CHANGES]


def test_changes_inside_a_damaged_row_apply_at_the_next_pair_there_is(whole: bytes, tmp_path: Path) -> None:
    """Marks are at 1500, 5000, 8500 and 12000 of rows that begin at 0, 5000, 6000 and 10000."""
    path = damaged(tmp_path, whole, "UPDATE block SET lead1 = x'00' WHERE first = 0")
    with CaptureSource(path) as source:
        items = list(source)
    marks = [i.sample for i in items if isinstance(i, Change) and i.value == "on"]
    assert marks == [0, 0, 3500, 7000]
    assert next(i.first for i in items if isinstance(i, Block)) == 0


def test_a_lost_gap_is_replaced_by_the_time_it_took(whole: bytes, tmp_path: Path) -> None:
    path = damaged(tmp_path, whole, "UPDATE gap SET seconds = 99 WHERE reason = 'unplugged'")
    with CaptureSource(path) as source:
        items = list(source)
        assert [d.table for d in source.damages] == ["gap"]
    gaps = [i for i in items if isinstance(i, Gap)]
    assert gaps[0].seconds == pytest.approx(1.5)
    assert (gaps[0].sample, gaps[0].pairs, gaps[0].reason) == (10_000, None, GapReason.MISSING)
    assert_true(items)


def test_a_damaged_segment_costs_its_samples_and_no_others(whole: bytes, tmp_path: Path) -> None:
    path = damaged(tmp_path, whole, "UPDATE segment SET start_s = 0 WHERE number = 3")
    with CaptureSource(path) as source:
        items = list(source)
    assert sizes(items)[0] == 11_000
    assert_true(items)


def test_overviews_and_samples_leave_the_damaged_part_out(whole: bytes, tmp_path: Path) -> None:
    path = damaged(tmp_path, whole, "UPDATE block SET crc = 0 WHERE first = 5000")
    connection = sqlite3.connect(path)
    connection.execute("DELETE FROM pyramid")
    connection.commit()
    connection.close()
    with CaptureSource(path) as source:
        view = source.overview(0, 15_000, 15)
        assert np.flatnonzero(np.isnan(view.low[:, 0])).tolist() == [5]
        assert [b.first for b in source.samples(4_000, 7_000)] == [4_000, 6_000]
        assert source.duration_s == pytest.approx(LENGTH_S)


def test_a_damaged_pyramid_is_made_anew(whole: bytes, tmp_path: Path) -> None:
    path = damaged(tmp_path, whole, "UPDATE pyramid SET bins = bins - 1")
    sound = tmp_path / "sound.whichside"
    sound.write_bytes(whole)
    with CaptureSource(path) as bad, CaptureSource(sound) as good:
        assert bad.overview(0, 15_000, 5).low == pytest.approx(good.overview(0, 15_000, 5).low, abs=1e-5)
        assert {d.table for d in bad.damages} == {"pyramid"}


def test_what_is_behind_an_unreadable_page_is_found(tmp_path: Path) -> None:
    """Every page of a larger capture in turn: never more than a few rows are lost, the rest is true."""
    path = tmp_path / "large.whichside"
    items: list[Item] = small()
    write_capture(path, items, INFO)
    content = path.read_bytes()
    lost = []
    for page in range(1, len(content) // 2048):
        path.write_bytes(content[: page * 2048] + b"\xff" * 2048 + content[(page + 1) * 2048 :])
        try:
            with CaptureSource(path) as source:
                got = list(source)
        except InputError:
            continue
        assert_true(got)
        lost.append(15_000 - sizes(got)[0])
    assert len(lost) > 10
    assert sum(n == 0 for n in lost) > len(lost) // 3


def test_normal_forms_can_differ(whole: bytes, tmp_path: Path) -> None:
    """The comparison the other tests rest on does notice."""
    items = small()
    assert normal(items) != normal(items[1:])
    assert normal(items) != normal(items[:-1])
    swapped = [items[1], items[0], *items[2:]]
    assert normal(items) != normal(swapped)
