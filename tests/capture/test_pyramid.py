"""Overviews of a capture against numpy on the whole recording: nothing lost, nothing moved far."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq import pyramid
from daq.capture import CaptureSource, CaptureWriter, write_capture
from daq.samples import Block, Gap, GapReason, Item, Scale, Volts
from tests.capture.logs import INFO, LAYOUTS, noisy

PAIRS = 700_000
SPIKE = 245_678


def recording() -> list[Item]:
    """Nearly 700 000 pairs in two layouts and three segments, with one spike of a single sample."""
    counts = noisy(1, PAIRS)
    counts[SPIKE, 1] = 4000
    items: list[Item] = [
        Block(0, counts[:100_000], LAYOUTS[0]),
        Block(100_000, counts[100_000:300_001], LAYOUTS[1]),
    ]
    items.append(Gap(300_001, 2.0, 0.0, 8000, GapReason.OVERFLOW))
    items.append(Block(300_001, counts[300_001:], LAYOUTS[2]))
    return items


def all_volts(items: list[Item]) -> Volts:
    return np.concatenate([i.layout.scale.volts(i.counts) for i in items if isinstance(i, Block)])


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pyramid") / "closed.whichside"
    write_capture(path, recording(), INFO)
    return path


@pytest.fixture(scope="module")
def cut_off(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Without the last rows of the pyramid, as after a crash."""
    path = tmp_path_factory.mktemp("pyramid") / "cut.whichside"
    times = iter(range(10**9))
    writer = CaptureWriter(path, INFO, clock=lambda: 2.0 * next(times), utc=None)
    for item in recording():
        writer.append(item)
    writer._leave("cut off")
    return path


@pytest.fixture(scope="module")
def volts() -> Volts:
    return all_volts(recording())


VIEWS = [(0, PAIRS, 80), (0, PAIRS, 7), (17, PAIRS - 3, 200), (90_000, 110_000, 100), (250_000, 320_000, 3)]


@pytest.mark.parametrize("name", ["closed", "cut_off"])
@pytest.mark.parametrize(("first", "last", "columns"), VIEWS)
def test_a_column_holds_what_its_samples_hold(
    name: str, first: int, last: int, columns: int, volts: Volts, request: pytest.FixtureRequest
) -> None:
    """Exactly close up; from the pyramid, to within one bin at the column's edges."""
    level = pyramid.level_for(last - first, columns)
    blur = 0 if level is None else pyramid.bin_pairs(level)
    with CaptureSource(request.getfixturevalue(name)) as source:
        view = source.overview(first, last, columns)
        assert source.damages == ()
    edges = first + (last - first) * np.arange(columns + 1) // columns
    for column, (begin, end) in enumerate(pairwise(edges)):
        inner = volts[begin + blur : end - blur]
        outer = volts[max(0, begin - blur) : end + blur]
        tiny = 1e-5
        assert (view.low[column] <= inner.min(axis=0) + tiny).all()
        assert (view.low[column] >= outer.min(axis=0) - tiny).all()
        assert (view.high[column] >= inner.max(axis=0) - tiny).all()
        assert (view.high[column] <= outer.max(axis=0) + tiny).all()
        assert (outer.min(axis=0) - tiny <= view.mean[column]).all()
        assert (view.mean[column] <= outer.max(axis=0) + tiny).all()
        if not blur:
            assert view.mean[column] == pytest.approx(volts[begin:end].mean(axis=0))


@pytest.mark.parametrize("name", ["closed", "cut_off"])
@pytest.mark.parametrize("columns", [1, 10, 80, 500, 2000])
def test_a_spike_of_one_sample_shows_in_one_column(
    name: str, columns: int, volts: Volts, request: pytest.FixtureRequest
) -> None:
    with CaptureSource(request.getfixturevalue(name)) as source:
        view = source.overview(0, PAIRS, columns)
    showing = np.flatnonzero(np.abs(view.high[:, 1] - volts[SPIKE, 1]) < 1e-5)
    assert len(showing) == 1
    assert abs(showing[0] - SPIKE * columns // PAIRS) <= 1


def test_the_stored_mean_is_the_mean(closed: Path, volts: Volts) -> None:
    with CaptureSource(closed) as source:
        view = source.overview(0, PAIRS, 1)
    assert view.mean[0] == pytest.approx(volts.mean(axis=0), rel=1e-6)


def test_a_bin_that_the_recording_only_touches_weighs_what_it_holds(tmp_path: Path) -> None:
    counts = np.zeros((2000, 2), np.int32)
    counts[:56] = 4000
    path = tmp_path / "touch.whichside"
    write_capture(path, [Block(200, counts, LAYOUTS[0])], INFO)  # the first 56 pairs are in bin 0
    with CaptureSource(path) as source:
        view = source.overview(200, 2200, 1)
    assert view.mean[0] == pytest.approx(LAYOUTS[0].scale.volts(counts).mean(axis=0), rel=1e-5)


def test_columns_without_samples_are_empty(closed: Path) -> None:
    with CaptureSource(closed) as source:
        beyond = source.overview(PAIRS - 100, PAIRS + 100, 2)
        outside = source.overview(PAIRS + 10**6, PAIRS + 10**7, 50)
        crowded = source.overview(5, 8, 6)
    assert np.isnan(beyond.low[1]).all()
    assert not np.isnan(beyond.low[0]).any()
    assert np.isnan(outside.mean).all()
    assert np.isnan(crowded.low[:, 0]).sum() == 3


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 5000), st.lists(st.integers(1, 3000), min_size=1, max_size=8))
def test_the_cut_into_calls_does_not_matter(first: int, parts: list[int]) -> None:
    scale = Scale((0.01, -0.02), (1.0, 2.0))
    counts = noisy(len(parts), sum(parts), 50.0)

    def built(sizes: list[int]) -> list[tuple[int, bytes]]:
        builder, at = pyramid.PyramidBuilder(), 0
        rows: list[tuple[int, pyramid.Bins]] = []
        for size in sizes:
            rows += builder.push(first + at, counts[at : at + size], scale)
            at += size
        rows += builder.finish()
        return [(level, pyramid.encode_lead(bins, 0) + pyramid.encode_lead(bins, 1)) for level, bins in rows]

    assert built(parts) == built([sum(parts)])


def test_a_full_row_is_given_away_and_the_rest_at_the_end() -> None:
    builder = pyramid.PyramidBuilder()
    full = list(builder.push(0, noisy(1, 256 * 256 + 1), Scale((1.0, 1.0))))
    assert [(level, len(bins)) for level, bins in full] == [(0, 256)]
    assert [(level, len(bins)) for level, bins in builder.finish()] == [
        (0, 1),
        (1, 33),
        (2, 5),
        (3, 1),
        (4, 1),
        (5, 1),
    ]


@given(st.binary(max_size=50), st.integers(1, 256))
def test_rubbish_is_no_row(blob: bytes, bins: int) -> None:
    assert pyramid.decode_lead(blob, bins) is None
