"""What goes in comes out: the whole ordered log, in order, whatever it was and whenever it was committed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.capture import CaptureSource, CaptureWriter, write_capture
from daq.errors import InputError, WorkError
from daq.samples import Block, BlockFlag, Change, ChangeKind, Gap, GapReason, Item, Origin
from daq.source import Capability
from tests.capture.logs import INFO, LAYOUTS, logs, memory_folder, noisy, normal, small


class Clock:
    """Moves on by the next of `steps` each time it is asked."""

    def __init__(self, steps: list[float]) -> None:
        self.steps = steps
        self.now = 0.0
        self.asked = 0

    def __call__(self) -> float:
        self.now += self.steps[self.asked % len(self.steps)]
        self.asked += 1
        return self.now


def replayed(path: Path) -> list[Item]:
    with CaptureSource(path) as source:
        items = list(source)
        assert source.damages == ()
        return items


@settings(max_examples=120, deadline=None)
@given(logs(), st.lists(st.sampled_from([0.0, 0.3, 1.2]), min_size=1, max_size=5), st.booleans())
def test_any_log_comes_back_in_order(items: list[Item], steps: list[float], complete: bool) -> None:
    with memory_folder() as folder:
        path = Path(folder) / "any.whichside"
        writer = CaptureWriter(path, INFO, clock=Clock(steps), utc=None)
        for item in items:
            writer.append(item)
        writer.close(complete)
        assert normal(replayed(path)) == normal(items)
        assert [p.name for p in Path(folder).iterdir()] == ["any.whichside"]


def test_one_of_everything(tmp_path: Path) -> None:
    path = tmp_path / "small.whichside"
    write_capture(path, small(), INFO)
    assert normal(replayed(path)) == normal(small())
    with CaptureSource(path) as source:
        assert source.info == INFO
        assert source.capabilities == {Capability.FINITE}
        assert source.complete
        assert source.started is None
        assert source.analysis_version is not None
        assert [(s.first, s.reason) for s in source.segments()] == [
            (0, "start"),
            (5000, "layout"),
            (6000, "layout"),
            (10000, "unplugged"),
        ]


def test_an_import_that_fails_leaves_nothing(tmp_path: Path) -> None:
    def failing() -> Iterator[Item]:
        yield Block(0, noisy(1, 100), LAYOUTS[0])
        raise InputError("line 3")

    with pytest.raises(InputError, match="line 3"):
        write_capture(tmp_path / "half.whichside", failing(), INFO)
    assert list(tmp_path.iterdir()) == []


def test_an_import_leaves_an_existing_file_alone(tmp_path: Path) -> None:
    path = tmp_path / "there.whichside"
    write_capture(path, small(), INFO)
    with pytest.raises(WorkError, match="exists already"):
        write_capture(path, [], INFO)
    assert normal(replayed(path)) == normal(small())


def test_iterating_twice_gives_the_same(tmp_path: Path) -> None:
    path = tmp_path / "twice.whichside"
    write_capture(path, small(), INFO)
    with CaptureSource(path) as source:
        assert normal(source) == normal(source) == normal(small())


def test_a_block_larger_than_a_row_is_one_stretch_with_one_loss(tmp_path: Path) -> None:
    """A row is at most 65536 pairs; no loss came before the rest of a flagged block."""
    path = tmp_path / "large.whichside"
    flags = BlockFlag.OVERFLOW | BlockFlag.MISSED_TRIGGER
    items: list[Item] = [Block(3, noisy(1, 150_000), LAYOUTS[3], flags)]
    write_capture(path, items, INFO)
    blocks = [item for item in replayed(path) if isinstance(item, Block)]
    assert len(blocks) > 2
    assert [b.flags for b in blocks] == [flags] + [BlockFlag.NONE] * (len(blocks) - 1)
    assert normal(blocks) == normal(items)


def test_half_characters_from_a_misread_terminal_do_not_stop_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "half.whichside"
    write_capture(path, [Change(0, Origin.USER, ChangeKind.NOTE, "caf\udce9")], INFO)
    (note,) = replayed(path)
    assert isinstance(note, Change)
    assert note.value == "caf?"


def test_minus_zero_is_not_damage(tmp_path: Path) -> None:
    path = tmp_path / "zero.whichside"
    write_capture(path, [Change(0, Origin.USER, ChangeKind.MARK, "on", -0.0)], INFO)
    assert replayed(path) == [Change(0, Origin.USER, ChangeKind.MARK, "on", 0.0)]


def test_counts_in_16_bits_are_taken(tmp_path: Path) -> None:
    path = tmp_path / "short.whichside"
    counts = noisy(1, 100)
    write_capture(path, [Block(0, counts.astype(np.int16), LAYOUTS[0])], INFO)
    assert normal(replayed(path)) == normal([Block(0, counts, LAYOUTS[0])])


@pytest.mark.parametrize("first", [0, 99, 101])
def test_a_block_that_does_not_follow_is_a_mistake_of_the_caller(tmp_path: Path, first: int) -> None:
    with CaptureWriter(tmp_path / "hole.whichside", INFO) as writer:
        writer.append(Block(0, noisy(1, 100), LAYOUTS[0]))
        with pytest.raises(ValueError, match="100 comes next"):
            writer.append(Block(first, noisy(1, 10), LAYOUTS[0]))


@pytest.mark.parametrize("seconds", [float("nan"), float("inf"), -1.0])
def test_a_gap_without_a_length_is_a_mistake_of_the_caller(tmp_path: Path, seconds: float) -> None:
    with CaptureWriter(tmp_path / "gap.whichside", INFO) as writer, pytest.raises(ValueError, match="last"):
        writer.append(Gap(0, seconds, 0.0, None, GapReason.SLEPT))
