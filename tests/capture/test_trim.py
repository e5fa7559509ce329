"""A part cut out of a capture is that part of the log, bit for bit, and keeps its wall time."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.capture import CaptureSource, CaptureWriter, add_note, trim_capture, write_capture
from daq.capture_files import create
from daq.errors import CommandError, WorkError
from daq.pipeline import Pipeline
from daq.samples import Block, BlockFlag, Change, ChangeKind, Gap, GapReason, Item, Origin
from tests.capture.broken import damaged
from tests.capture.logs import INFO, LAYOUTS, logs, memory_folder, noisy, normal, sizes, small
from tests.capture.test_log import replayed


def part_of(items: list[Item], first: int, end: int) -> list[Item]:
    """Pairs first .. end - 1 of a log and what was done among them, cut by hand."""
    at = next(item.first for item in items if isinstance(item, Block) and len(item.counts))
    last = max(item.end for item in items if isinstance(item, Block))
    begins, part = at, list[Item]()
    for item in items:
        if not isinstance(item, Block):
            inside = first < at < end or (at == first == begins) or (at == end == last)
            if at == first and first != begins:  # before that pair, if a gap is still to come
                inside = isinstance(item, Change)
                if isinstance(item, Gap):
                    part.clear()
            if inside:
                part.append(replace(item, sample=item.sample - first))
            continue
        begin, stop = max(item.first, first), min(item.end, end)
        if begin < stop:
            flags = item.flags if begin == item.first else BlockFlag.NONE
            counts = item.counts[begin - item.first : stop - item.first]
            part.append(Block(begin - first, counts, item.layout, flags))
        at = max(at, item.end)
    return part


def told(items: list[Item]) -> list[object]:
    """The normal form without the moments that changes speak of: they move with the part's beginning."""
    return [replace(item, at_s=None) if isinstance(item, Change) else item for item in normal(items)]


def without_restated(path: Path) -> list[Item]:
    """A trimmed log without the changes it begins with to say what was in force."""
    items = replayed(path)
    begins = [n for n, item in enumerate(items) if isinstance(item, Change) and "trimmed" in item.value]
    return items[begins[0] + 1 :] if begins else items


@settings(max_examples=150, deadline=None)
@given(logs(), st.floats(0, 1), st.floats(0, 1))
def test_any_part_of_any_log(items: list[Item], one: float, other: float) -> None:
    with memory_folder() as folder:
        path, out = Path(folder) / "all.whichside", Path(folder) / "part.whichside"
        write_capture(path, items, INFO)
        with CaptureSource(path) as source:
            begin, end = (
                source.first + round(share * (source.end - source.first)) for share in sorted((one, other))
            )
            if begin == end:
                return
            from_s = source.time_of(begin)
            to_s = source.time_of(end) if end < source.end else None
            # in a gap of no length two pairs share a moment: the first of them is meant
            first, stop = source.sample_at(from_s), source.end if to_s is None else source.sample_at(to_s)
            if stop <= first:
                return
        trim_capture(path, out, from_s, to_s)
        expected = part_of(items, first, stop)
        assert told(without_restated(out)) == told(expected)
        assert sizes(replayed(out))[0] == stop - first


def test_the_whole_is_the_same_log(tmp_path: Path) -> None:
    path, out = tmp_path / "a.whichside", tmp_path / "b.whichside"
    write_capture(path, small(), INFO)
    trim_capture(path, out)
    assert normal(replayed(out)) == normal(small())


def test_gaps_segments_marks_and_notes_come_along(tmp_path: Path) -> None:
    """The gap of 1.5 s is at 2.5 s; marks say 0.25 s before theirs; a bias of its own from 1.25 to 1.5 s."""
    path, out = tmp_path / "a.whichside", tmp_path / "b.whichside"
    write_capture(path, small(), INFO)
    for text, at_s in (("early", 0.5), ("in it", 4.2), ("all", None), ("late", 5.0)):
        add_note(path, text, at_s)
    told = trim_capture(path, out, 1.0, 4.5)
    assert (told.begin_s, told.duration_s, told.damage_count) == (1.0, 3.5, 0)
    with CaptureSource(path) as old, CaptureSource(out) as new:
        assert [(n.text, n.at_s) for n in new.notes()] == [("in it", pytest.approx(3.2)), ("all", None)]
        assert [n.written for n in new.notes()] == [n.written for n in old.notes()[1:3]]
        assert [(s.first, s.start_s, s.reason) for s in new.segments()] == [
            (0, 0.0, "start"),
            (1000, 0.25, "layout"),
            (2000, 0.5, "layout"),
            (6000, 3.0, "unplugged"),
        ]
        assert new.info == old.info
        assert new.complete
        marks = [i for i in new if isinstance(i, Change) and i.kind is ChangeKind.MARK]
    assert [m.sample for m in marks] == [0, 1000, 4500]
    assert [m.at_s for m in marks] == [None, 8.75, 15.75]  # what the log of `small` says, a second earlier


def test_what_was_in_force_is_restated(tmp_path: Path) -> None:
    path, out = tmp_path / "a.whichside", tmp_path / "b.whichside"
    before = [
        Change(0, Origin.USER, ChangeKind.EXPECT, "steady"),
        Change(0, Origin.USER, ChangeKind.PLUG, "out"),
        Change(0, Origin.USER, ChangeKind.NOTE, "once"),
    ]
    write_capture(path, [*before, Block(0, noisy(1, 8000), LAYOUTS[0])], INFO)
    trim_capture(path, out, 1.0)
    items = replayed(out)
    assert [(c.kind.value, c.value) for c in items if isinstance(c, Change)] == [
        ("expectation", "steady"),
        ("plug state", "out"),
        ("device", "trimmed: begins 1.000000 s into the recording"),
    ]


def lead_check_then(seconds: float) -> list[Item]:
    """Both leads on 12 V for the check (5 s), the wiggle, then `seconds` of the load."""
    high, low = [(12.0 + 8) / 48 * 4096, (0.0 + 8.02) / 48.1 * 4096]

    def stretch(at: int, pairs: int, one: float, other: float) -> Block:
        counts = np.tile(np.rint([one, other]).astype(np.int32), (pairs, 1))
        return Block(at, counts, LAYOUTS[0])

    return [
        Change(0, Origin.USER, ChangeKind.LEAD_CHECK, "start"),
        stretch(0, 20_000, high, low),
        stretch(20_000, 20_000, low, high),
        stretch(40_000, int(seconds * 4000), high, high),
    ]


def test_a_part_that_begins_in_a_lead_check_takes_none_of_it_as_evidence(tmp_path: Path) -> None:
    path, out = tmp_path / "a.whichside", tmp_path / "b.whichside"
    write_capture(path, lead_check_then(1.0), INFO)
    trim_capture(path, out, 2.0, 9.0)
    pipeline = Pipeline()
    for item in replayed(out):
        pipeline.push(item)
    assert pipeline.snapshot().lead_check.step > 0
    assert pipeline.snapshot().edge_count == 0


def test_a_lead_check_that_was_stopped_is_not_begun_again(tmp_path: Path) -> None:
    path, out = tmp_path / "a.whichside", tmp_path / "b.whichside"
    items = lead_check_then(2.0)
    items.insert(2, Change(20_000, Origin.USER, ChangeKind.LEAD_CHECK, "stop"))
    write_capture(path, items, INFO)
    trim_capture(path, out, 6.0)
    assert not [i for i in replayed(out) if isinstance(i, Change) and i.kind is ChangeKind.LEAD_CHECK]


BEGUN = datetime(2026, 3, 1, 12, tzinfo=UTC)


def recorded(path: Path, seconds: int, ppm: float = 200.0) -> None:
    """A recording whose logger runs fast, its clocks noted as it went."""
    now = 0.0
    writer = CaptureWriter(path, INFO, clock=lambda: 1000 + now, utc=lambda: BEGUN + timedelta(seconds=now))
    with writer:
        for at in range(0, seconds * 4000, 400):
            now = (at + 400) / 4000 / (1 + ppm * 1e-6)
            writer.append(Block(at, noisy(at, 400), LAYOUTS[0]))


def test_wall_time_stays(tmp_path: Path) -> None:
    path, out = tmp_path / "a.whichside", tmp_path / "b.whichside"
    recorded(path, 60)
    trim_capture(path, out, 20.0, 50.0)
    with CaptureSource(path) as old, CaptureSource(out) as new:
        before, after = old.wall_clock(), new.wall_clock()
        assert before is not None
        assert after is not None
        for at_s in (0.0, 11.0, 29.9):
            truth = BEGUN + timedelta(seconds=(20 + at_s) / 1.0002)
            assert abs(before.utc(20 + at_s) - truth) < timedelta(milliseconds=1)
            assert abs(after.utc(at_s) - truth) < timedelta(milliseconds=1)
        assert new.started is not None
        assert abs(new.started - before.utc(20.0)) < timedelta(milliseconds=1)


def test_a_tenth_of_a_second_keeps_its_wall_time(tmp_path: Path) -> None:
    path, out, again = (tmp_path / f"{name}.whichside" for name in "abc")
    recorded(path, 60)
    trim_capture(path, out, 41.3, 41.4)
    trim_capture(out, again, 0.05)
    with CaptureSource(again) as new:
        wall = new.wall_clock()
        assert wall is not None
        assert abs(wall.utc(0.0) - BEGUN - timedelta(seconds=41.35 / 1.0002)) < timedelta(milliseconds=1)
        origin = json.loads(new.meta["trimmed_from"])
    assert (origin["file"], origin["begin_s"]) == ("b.whichside", 0.05)


def test_a_damaged_part_is_cut_with_its_gap(tmp_path: Path, whole: bytes) -> None:
    """Rows of samples begin at 0, 5000, 6000 and 10000."""
    path = damaged(tmp_path, whole, "UPDATE block SET crc = 0 WHERE first = 5000")
    out = tmp_path / "b.whichside"
    told = trim_capture(path, out, 1.0, 2.0)
    assert told.damage_count == 1
    assert told.pairs == 3000
    (gap,) = (i for i in replayed(out) if isinstance(i, Gap))
    assert (gap.sample, gap.pairs, gap.reason) == (1000, 1000, GapReason.MISSING)
    begins_lost = trim_capture(path, tmp_path / "c.whichside", 1.3, 2.0)
    assert begins_lost.begin_s == pytest.approx(1.5)
    assert begins_lost.pairs == 2000


@pytest.mark.parametrize(("from_s", "to_s"), [(9.0, None), (2.0, 1.0), (None, 0.0), (1.0, 1.0), (3.0, 3.9)])
def test_nothing_in_between(tmp_path: Path, from_s: float | None, to_s: float | None) -> None:
    """From 2.5 to 4 s nothing was recorded."""
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    with pytest.raises(CommandError, match=r"samples from 0 to 5\.250 s"):
        trim_capture(path, tmp_path / "b.whichside", from_s, to_s)
    assert [p.name for p in tmp_path.iterdir()] == ["a.whichside"]


def test_an_existing_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    before = path.read_bytes()
    with pytest.raises(WorkError, match="exists already"):
        trim_capture(path, path, 1.0, 2.0)
    assert path.read_bytes() == before


def test_a_cut_that_is_interrupted_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    real = CaptureSource.log

    def interrupted(self: CaptureSource, first: int | None = None, end: int | None = None) -> Iterator[Item]:
        yield next(real(self, first, end))
        raise KeyboardInterrupt

    monkeypatch.setattr(CaptureSource, "log", interrupted)
    with pytest.raises(KeyboardInterrupt):
        trim_capture(path, tmp_path / "b.whichside", 1.0, 2.0)
    assert [p.name for p in tmp_path.iterdir()] == ["a.whichside"]


def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def small_disk(path: Path) -> sqlite3.Connection:
        connection = create(path)
        connection.execute("PRAGMA max_page_count=30")
        return connection

    path = tmp_path / "a.whichside"
    write_capture(path, [Block(0, noisy(1, 200_000), LAYOUTS[0])], INFO)
    monkeypatch.setattr("daq.capture_writer.create", small_disk)
    with pytest.raises(WorkError, match=r"b\.whichside cannot be written \(database or disk is full\)"):
        trim_capture(path, tmp_path / "b.whichside", 1.0)
    assert [p.name for p in tmp_path.iterdir()] == ["a.whichside"]
