"""Columns of equal time against the plain way: every sample put into the column of its own time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.capture import CaptureSource, write_capture
from daq.samples import Block, Gap, GapReason, Item, Layout
from daq.time_picture import TimePicture, pair_at, volts_of
from tests.capture.logs import INFO, LAYOUTS, logs, memory_folder, noisy

FAST, SLOW = LAYOUTS[0], LAYOUTS[2]  # 4000 and 62.5 pairs/s


def mixed() -> list[Item]:
    """Two minutes fast, a gap of a minute, half a minute slow; one spike of a single pair."""
    fast = noisy(1, 480_000)
    fast[200_000, 0] = 4000
    return [
        Block(0, fast, FAST),
        Gap(480_000, 60.0, 0.01, None, GapReason.UNPLUGGED),
        Block(480_000, noisy(2, 1875, 40.0, 2000), SLOW),
    ]


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> CaptureSource:
    path = tmp_path_factory.mktemp("picture") / "mixed.whichside"
    write_capture(path, mixed(), INFO)
    return CaptureSource(path)


@pytest.fixture(autouse=True)
def no_open_captures() -> None:
    """One is open all through this module."""


@pytest.fixture(scope="module", autouse=True)
def closed_at_the_end(source: CaptureSource):  # type: ignore[no-untyped-def]
    yield
    source.close()


def plainly(source: CaptureSource, begin_s: float, end_s: float, columns: int) -> np.ndarray:
    """(columns, 2, 2) least and greatest; NaN where no pair was taken in a column."""
    out = np.full((columns, 2, 2), np.nan)
    for block in source.samples(source.first, source.end):
        for n, pair in enumerate(block.layout.scale.volts(block.counts)):
            at = source.time_of(block.first + n)
            if begin_s - 1e-9 <= at < end_s - 1e-9:
                column = int((at - begin_s) / (end_s - begin_s) * columns + 1e-6)
                out[column, 0] = np.fmin(out[column, 0], pair)
                out[column, 1] = np.fmax(out[column, 1], pair)
    return out


@pytest.mark.parametrize(
    ("begin_s", "end_s"), [(49.9, 50.1), (119.99, 120.02), (179.5, 182.0), (115.0, 125.0)]
)
def test_close_up_the_columns_are_those_of_the_samples(
    source: CaptureSource, begin_s: float, end_s: float
) -> None:
    found, wanted = TimePicture(source).columns(begin_s, end_s, 60), plainly(source, begin_s, end_s, 60)
    seen = ~np.isnan(wanted[:, 0, 0])
    assert np.array_equal(found.low[seen], wanted[seen, 0])
    assert np.array_equal(found.high[seen], wanted[seen, 1])


def test_a_single_pair_is_seen_at_every_zoom(source: CaptureSource) -> None:
    spike_v = FAST.scale.volts(np.array([[4000, 0]]))[0, 0]
    for width_s in (210.0, 100.0, 30.0, 5.0, 1.0, 0.1, 0.01, 0.004):
        columns = TimePicture(source).columns(50.0 - width_s / 4, 50.0 + 3 * width_s / 4, 120)
        assert np.nanmax(columns.high[:, 0]) == pytest.approx(spike_v, abs=1e-4), width_s
        assert int(np.nanargmax(columns.high[:, 0])) == pytest.approx(30, abs=1), width_s


def test_lost_time_is_as_wide_as_it_was_long(source: CaptureSource) -> None:
    """210 s in 210 columns: 120 sampled, 60 lost, 30 sampled at 62.5 pairs/s, none of them empty."""
    columns = TimePicture(source).columns(0.0, 210.0, 210)
    assert np.flatnonzero(columns.lost).tolist() == list(range(120, 180))
    assert np.flatnonzero(np.isnan(columns.low[:, 0])).tolist() == list(range(120, 180))
    between = TimePicture(source).columns(0.5, 210.5, 210)
    assert np.flatnonzero(between.lost).tolist() == list(range(119, 180)), "columns with some time lost"
    assert np.flatnonzero(np.isnan(between.low[:, 0])).tolist() == list(range(120, 179))


def test_a_pair_is_held_until_the_next_one(source: CaptureSource) -> None:
    columns = TimePicture(source).columns(10.0, 10.001, 40)  # four pairs of 0.25 ms
    want = [volts_of(source, 40_000 + n) for n in range(4) for _ in range(10)]
    assert [tuple(pair) for pair in columns.low.tolist()] == want
    before = TimePicture(source).columns(10.0001, 10.0002, 4)
    assert [tuple(pair) for pair in before.high.tolist()] == [volts_of(source, 40_000)] * 4


def test_marks_stand_at_their_moment(source: CaptureSource) -> None:
    picture = TimePicture(source, [(5.0, "on"), (99.0, "off"), (20.0, "note")])
    assert picture.columns(0.0, 20.0, 100).marks == ((25, "on"), (99, "note"))


def test_the_pair_at_a_moment(source: CaptureSource) -> None:
    assert pair_at(source, 10.0) == 40_000
    assert pair_at(source, 10.0001) == 40_000
    assert pair_at(source, 130.0) is None
    assert pair_at(source, 180.0) == 480_000
    assert pair_at(source, -1.0) is None


@given(logs(), st.floats(0.0, 1.0), st.floats(1e-6, 1.0), st.integers(1, 50))
@settings(max_examples=60, deadline=None)
def test_any_log_can_be_drawn(log: list[Item], begin: float, width: float, columns: int) -> None:
    with memory_folder() as folder:
        path = Path(folder) / "a.whichside"
        write_capture(path, log, INFO)
        with CaptureSource(path) as source:
            whole_s = max(source.duration_s, 0.001)
            found = TimePicture(source).columns(begin * whole_s, (begin + width) * whole_s, columns)
            assert found.low.shape == found.high.shape == (columns, 2)
            assert not np.any(found.low > found.high)
            assert found.lost.shape == (columns,)
            at = pair_at(source, begin * whole_s)
            assert at is None or source.first <= at < source.end


def test_a_layout_is_no_gap() -> None:
    with memory_folder() as folder:
        path = Path(folder) / "a.whichside"
        other = Layout(FAST.rate_hz, LAYOUTS[1].scale, LAYOUTS[1].bias)
        write_capture(path, [Block(0, noisy(1, 4000), FAST), Block(4000, noisy(2, 4000), other)], INFO)
        with CaptureSource(path) as source:
            assert not TimePicture(source).columns(0.0, 2.0, 100).lost.any()
