"""What a recording says of the clocks beside it: when pairs came, that the computer slept or was set."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from daq import host_clock
from daq.capture import CaptureSource, CaptureWriter
from daq.samples import Block, Change, Gap, GapReason, Item
from tests.capture.logs import INFO, LAYOUTS, noisy

BEGUN = datetime(2026, 3, 1, 12, tzinfo=UTC)
FRAME = 32


class Host:
    """A computer's clocks, all wrong in their own way; `now` is the truth, s."""

    def __init__(self) -> None:
        self.now = 0.0
        self.set_by = 0.0
        self.slept = 0.0

    def clock(self) -> float:
        return 5000.0 + self.now

    def utc(self) -> datetime:
        return BEGUN + timedelta(seconds=self.now + self.set_by)

    def writer(self, path: Path) -> CaptureWriter:
        return CaptureWriter(path, INFO, clock=self.clock, utc=self.utc, asleep=lambda: self.slept)


def record(writer: CaptureWriter, host: Host, first: int, pairs: int, seed: int, ppm: float = 0.0) -> int:
    """Frames, each given when its last pair is there or a varying while later; returns the next index."""
    rng = np.random.default_rng(seed)
    begin = host.now
    for at in range(first, first + pairs, FRAME):
        taken = begin + (at + FRAME - first) / 4000 / (1 + ppm * 1e-6)
        host.now = max(host.now, taken + 0.001 + float(rng.exponential(0.004)))
        writer.append(Block(at, noisy(at, FRAME), LAYOUTS[0]))
    return first + pairs


def words_in(path: Path) -> list[str]:
    with CaptureSource(path) as source:
        return [item.value for item in source if isinstance(item, Change)]


def test_wall_time_of_a_drive(tmp_path: Path) -> None:
    """Two minutes of a logger that is 80 ppm fast: every pair within 2 ms of the truth."""
    path, host = tmp_path / "a.whichside", Host()
    with host.writer(path) as writer:
        record(writer, host, 0, 480_000, 1, ppm=80.0)
    with CaptureSource(path) as source:
        wall = source.wall_clock()
        assert len(source.anchors()) in range(45, 65)
        assert source.meta["utc_offset_s"].lstrip("-").isdecimal()
    assert wall is not None
    assert wall.ppm == pytest.approx(80.0, abs=2.0)
    for time_s in (0.0, 1.0, 60.0, 119.9):
        truth = BEGUN + timedelta(seconds=time_s / (1 + 80e-6))
        assert abs(wall.utc(time_s) - truth) < timedelta(milliseconds=2)
    assert words_in(path) == []


def test_a_recording_of_a_second_has_wall_time(tmp_path: Path) -> None:
    path, host = tmp_path / "a.whichside", Host()
    with host.writer(path) as writer:
        record(writer, host, 0, 2_400, 1)
    with CaptureSource(path) as source:
        wall = source.wall_clock()
    assert wall is not None
    assert abs(wall.utc(0.3) - BEGUN - timedelta(seconds=0.3)) < timedelta(milliseconds=3)


def test_a_clock_that_is_set_is_said(tmp_path: Path) -> None:
    path, host = tmp_path / "a.whichside", Host()
    with host.writer(path) as writer:
        at = record(writer, host, 0, 80_000, 1)
        host.set_by = 3600.0
        at = record(writer, host, at, 80_000, 2)
        host.set_by = 3598.5
        record(writer, host, at, 80_000, 3)
    assert words_in(path) == ["wall clock set forward by 3600.000 s", "wall clock set back by 1.500 s"]
    with CaptureSource(path) as source:
        wall = source.wall_clock()
    assert wall is not None
    assert [round(step.seconds, 1) for step in wall.steps] == [3600.0, -1.5]
    for time_s in (1.0, 30.0, 59.0):  # the last setting counts
        assert abs(wall.utc(time_s) - BEGUN - timedelta(seconds=time_s + 3598.5)) < timedelta(milliseconds=10)


def test_sleep_is_said_and_wall_time_goes_on_behind_it(tmp_path: Path) -> None:
    """The logger was off meanwhile; the gap is as long as the source measured, here 0.3 s short."""
    path, host = tmp_path / "a.whichside", Host()
    with host.writer(path) as writer:
        at = record(writer, host, 0, 80_000, 1)
        host.now += 600.0
        host.slept += 600.0
        writer.append(Gap(at, 599.7, 0.03, None, GapReason.SLEPT))
        begin = host.now
        record(writer, host, at, 80_000, 2)
    assert words_in(path) == ["computer slept 600.0 s"]
    with CaptureSource(path) as source:
        wall = source.wall_clock()
        behind_s = source.time_of(120_000)
    assert wall is not None
    assert abs(wall.utc(10.0) - BEGUN - timedelta(seconds=10)) < timedelta(milliseconds=5)
    assert abs(wall.utc(behind_s) - BEGUN - timedelta(seconds=begin + 10)) < timedelta(milliseconds=5)


def test_a_recording_begun_late_has_wall_time_from_its_beginning(tmp_path: Path) -> None:
    """The first minute was held in memory and reaches the file in one go."""
    path, host = tmp_path / "a.whichside", Host()
    host.now = 60.0
    with host.writer(path) as writer:
        for at in range(0, 240_000, 4000):
            writer.append(Block(at, noisy(at, 4000), LAYOUTS[0]))
        record(writer, host, 240_000, 240_000, 1)
    with CaptureSource(path) as source:
        wall = source.wall_clock()
    assert wall is not None
    for time_s in (0.0, 30.0, 100.0):
        assert abs(wall.utc(time_s) - BEGUN - timedelta(seconds=time_s)) < timedelta(milliseconds=5)


def test_a_slow_look_at_the_clocks_says_nothing(tmp_path: Path) -> None:
    """Where something came between the two readings they cannot be compared."""
    path, host = tmp_path / "a.whichside", Host()

    def slow_utc() -> datetime:
        host.now += 0.5
        return host.utc()

    items: list[Item] = [Block(at, noisy(at, 400), LAYOUTS[0]) for at in range(0, 40_000, 400)]
    with CaptureWriter(path, INFO, clock=host.clock, utc=slow_utc, asleep=lambda: 0.0) as writer:
        for item in items:
            writer.append(item)
    assert words_in(path) == []


def test_the_clocks_of_this_computer() -> None:
    """steady_s runs with time.monotonic but for sleep; asleep_s stands still while awake."""
    before = (host_clock.steady_s(), time.monotonic(), host_clock.asleep_s())
    time.sleep(0.05)
    after = (host_clock.steady_s(), time.monotonic(), host_clock.asleep_s())
    steady, monotonic, asleep = (b - a for a, b in zip(before, after, strict=True))
    assert steady == pytest.approx(monotonic, abs=0.01)
    assert asleep == pytest.approx(0.0, abs=0.01)
    assert abs(host_clock.utc_offset_s()) <= 14 * 3600
