"""Levels while on: shares that add up, converter steps that make no holes, and only what was on."""

from __future__ import annotations

from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.capture import CaptureSource
from daq.findings import Edge, Event, EventKind, LoadState
from daq.level_histogram import histogram, on_levels, on_times, spread, steadily, within
from tests.look_back.recordings import SCALE, recorded

STEP_V = 0.0469
ON, OFF = LoadState.ON, LoadState.OFF


@given(
    st.lists(st.integers(0, 1023), min_size=1, max_size=300),
    st.integers(1, 20),
    st.sampled_from([STEP_V, 1e-6]),
)
def test_every_sample_is_in_one_bar(counts: list[int], bars: int, step_v: float) -> None:
    volts = np.array(counts) * step_v - 8.0
    found = histogram(volts, bars, step_v)
    assert len(found.shares) == len(found.edges_v) - 1 <= bars
    assert found.shares.sum() == pytest.approx(1.0)
    plain, _ = np.histogram(volts, found.edges_v)
    assert np.array_equal(np.rint(found.shares * len(volts)).astype(int), plain)
    assert found.mean_v == pytest.approx(volts.mean())


@given(st.integers(1, 400), st.integers(1, 20))
def test_steps_of_the_converter_make_no_holes(steps: int, bars: int) -> None:
    found = histogram(np.arange(steps) * STEP_V, bars, STEP_V)
    assert (found.shares > 0).all()


def test_of_normal_noise_it_is_the_normal_distribution() -> None:
    """Against the distribution function of Python's statistics module."""
    known = NormalDist(12.5, 0.3)
    volts = np.array(known.samples(200_000, seed=4))
    found = histogram(volts, 15, 1e-6)
    wanted = np.diff([known.cdf(edge) for edge in found.edges_v])
    assert found.shares == pytest.approx(wanted, abs=0.005)
    assert found.usual_v == pytest.approx(12.5, abs=float(np.diff(found.edges_v)[0]))


def test_on_times_are_cut_to_the_picture() -> None:
    edges = [Edge(1.0, ON), Edge(2.0, OFF), Edge(3.0, LoadState.REVERSE), Edge(9.0, OFF)]
    assert on_times(OFF, edges, 10.0) == [(1.0, 2.0), (3.0, 9.0)]
    assert on_times(ON, edges, 10.0) == [(0.0, 1.0), (1.0, 2.0), (3.0, 9.0)]
    assert on_times(LoadState.UNKNOWN, [], 10.0) == []
    assert within([(1.0, 2.0), (3.0, 9.0)], 0.5, 4.0) == [(1.0, 2.0), (3.0, 4.0)]
    assert within([(1.0, 2.0), (3.0, 9.0)], 2.0, 3.0) == []


@given(
    st.lists(st.tuples(st.floats(0.001, 50.0), st.floats(0.001, 50.0)), min_size=1, max_size=30),
    st.integers(1, 20),
    st.floats(0.01, 2.0),
)
def test_pieces_lie_inside_and_take_no_more_than_asked(
    lengths: list[tuple[float, float]], pieces: int, piece_s: float
) -> None:
    ends = np.cumsum([x for pair in lengths for x in pair])
    times = list(zip(ends[::2].tolist(), ends[1::2].tolist(), strict=True))
    found = spread(times, pieces, piece_s)
    assert found == times or sum(b - a for a, b in found) <= pieces * piece_s + 1e-6
    for begin, end in found:
        assert any(a - 1e-6 <= begin <= end <= b + 1e-6 for a, b in times)


@given(
    st.lists(st.floats(0.02, 5.0), min_size=2, max_size=20),
    st.lists(st.tuples(st.floats(0, 60), st.floats(0, 3))),
)
def test_events_are_left_out(lengths: list[float], spans: list[tuple[float, float]]) -> None:
    ends = np.cumsum(lengths)[: len(lengths) // 2 * 2]
    times = list(zip(ends[::2].tolist(), ends[1::2].tolist(), strict=True))
    events = [Event(EventKind.FEED_DROPOUT, at, length) for at, length in spans]
    found = steadily(times, events)
    grid = np.linspace(0.0, 60.0, 6001)
    kept = np.any([(a <= grid) & (grid <= b) for a, b in found], axis=0) if found else np.zeros(6001, bool)
    on = np.any([(a <= grid) & (grid <= b) for a, b in times], axis=0)
    hit = np.any([(a <= grid) & (grid <= a + d) for a, d in spans], axis=0) if spans else ~kept & False
    assert not (kept & ~on).any()
    assert not (kept & hit).any()
    near = np.array([any(abs(t - e) <= 0.0051 for pair in times for e in pair) for t in grid])
    for a, d in spans:
        near |= (grid >= a - 0.0051) & (grid <= a + d + 0.0051)
    lonely = [b - a for a, b in steadily(times, events)]
    assert all(length > 0 for length in lonely)
    whole = on & ~near
    missing = whole & ~kept
    assert missing.sum() <= 2 * (len(spans) + len(times)), "only slivers between two breaks"


def test_a_drifting_drop_is_no_break() -> None:
    """It is what the histogram is looked at for."""
    whole = steadily([(0.0, 10.0)], [])
    assert steadily([(0.0, 10.0)], [Event(EventKind.DROP_DRIFT, 2.0, 3.0)]) == whole
    assert len(steadily([(0.0, 10.0)], [Event(EventKind.SUPPLY_DIP, 2.0, 3.0)])) == 2


def test_only_what_was_on_is_counted(tmp_path: Path) -> None:
    with CaptureSource(recorded(tmp_path / "a.whichside")) as source:
        found = on_levels(source, [(0.1, 0.9), (2.1, 2.9)], 12)
        assert found.on_s == pytest.approx(1.6)
        assert found.looked_s == pytest.approx(1.6, abs=0.001)
        assert found.leads is not None
        for lead, level in zip(found.leads, (12.5, 0.1), strict=True):
            assert lead.usual_v == pytest.approx(level, abs=SCALE.volts_per_count[0])
            assert lead.edges_v[-1] - lead.edges_v[0] < 0.4
        assert on_levels(source, [], 12).leads is None
