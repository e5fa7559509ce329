"""The trace ring: bins do not depend on chunking, and no spike is lost."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daq.samples import Block, Counts, Gap, GapReason, Layout, Scale
from daq.trace import Columns, TraceRing

LAYOUT = Layout(4000.0, Scale(volts_per_count=(0.05, 0.05), offset_v=(-8.0, -8.0)))


def _blocks(counts: Counts, cuts: list[int], layout: Layout = LAYOUT) -> list[Block]:
    places = [0, *sorted({cut % (len(counts) + 1) for cut in cuts}), len(counts)]
    return [Block(a, counts[a:b], layout) for a, b in pairwise(places)]


def _filled(blocks: list[Block]) -> TraceRing:
    ring = TraceRing(kept_s=1.0)
    for block in blocks:
        ring.push(block)
    return ring


def _gap(sample: int, seconds: float) -> Gap:
    return Gap(sample, seconds, 0.0, None, GapReason.OVERFLOW)


def _same(one: Columns, other: Columns) -> None:
    np.testing.assert_array_equal(one.low, other.low)
    np.testing.assert_array_equal(one.high, other.high)
    np.testing.assert_array_equal(one.lost, other.lost)


@given(
    seed=st.integers(0, 2**32 - 1),
    pairs=st.integers(1, 9000),
    cuts=st.lists(st.integers(0, 9000), max_size=20),
    zoom=st.integers(1, 50),
)
def test_chunking_does_not_matter(seed: int, pairs: int, cuts: list[int], zoom: int) -> None:
    counts = np.random.default_rng(seed).integers(0, 1024, (pairs, 2)).astype(np.int32)
    whole, pieces = _filled(_blocks(counts, [])), _filled(_blocks(counts, cuts))
    assert whole.bins == pieces.bins == -(-pairs // whole.bin_pairs)
    last = -(-whole.bins // zoom)
    _same(whole.columns(0, last, zoom), pieces.columns(0, last, zoom))


@given(at=st.integers(0, 3999), cuts=st.lists(st.integers(0, 4000), max_size=10), zoom=st.integers(1, 100))
def test_a_spike_of_one_sample_is_in_exactly_one_column(at: int, cuts: list[int], zoom: int) -> None:
    counts = np.full((4000, 2), 400, dtype=np.int32)
    counts[at, 1] = 900
    ring = _filled(_blocks(counts, cuts))
    seen = ring.columns(0, -(-1000 // zoom), zoom)
    assert np.flatnonzero(seen.high[:, 1] > 36.9).tolist() == [at // ring.bin_pairs // zoom]
    assert np.nanmax(seen.high[:, 0]) == 12.0


@given(
    seed=st.integers(0, 2**32 - 1),
    zoom=st.integers(1, 9),
    steps=st.lists(
        st.tuples(st.sampled_from(["push", "push", "push", "lose", "rate"]), st.integers(1, 300)), max_size=30
    ),
)
def test_what_was_asked_before_does_not_matter(seed: int, zoom: int, steps: list[tuple[str, int]]) -> None:
    """A ring that is asked after every step answers as one that is asked once."""
    counts = np.random.default_rng(seed).integers(0, 1024, (10_000, 2)).astype(np.int32)
    often, items, at, layout = TraceRing(kept_s=0.5), list[Block | Gap](), 0, LAYOUT
    for what, size in steps:
        if what == "rate":
            layout = Layout(500.0 * (1 + size % 8), LAYOUT.scale)
        item = _gap(at, size / 4000) if what == "lose" else Block(at, counts[at : at + size], layout)
        at += 0 if isinstance(item, Gap) else size
        items.append(item)
        often.push(item)
        last = often.bins // zoom + 1
        first, once = max(0, last - 40), TraceRing(kept_s=0.5)
        for earlier in items:
            once.push(earlier)
        _same(often.columns(first, last, zoom), once.columns(first, last, zoom))


def test_volts_are_those_of_the_scale_even_when_it_is_negative() -> None:
    layout = Layout(4000.0, Scale(volts_per_count=(0.05, -0.05), offset_v=(-8.0, 40.0)))
    counts = np.array([[100, 100], [200, 200], [150, 150], [150, 150]], dtype=np.int32)
    seen = _filled([Block(0, counts, layout)]).columns(0, 1, 1)
    np.testing.assert_allclose(seen.low, [[-3.0, 30.0]])
    np.testing.assert_allclose(seen.high, [[2.0, 35.0]])


def test_a_gap_takes_its_time_and_is_marked() -> None:
    ring = TraceRing(kept_s=1.0)
    ring.push(Block(0, np.full((40, 2), 400, dtype=np.int32), LAYOUT))
    ring.push(_gap(40, 0.010))
    ring.push(Block(40, np.full((40, 2), 420, dtype=np.int32), LAYOUT))
    seen = ring.columns(0, ring.bins, 1)
    assert ring.bins == 30
    assert np.flatnonzero(np.isnan(seen.low[:, 0])).tolist() == list(range(10, 20))
    assert np.flatnonzero(seen.lost).tolist() == list(range(10, 21))


def test_marks_stay_at_their_moment_whatever_the_zoom() -> None:
    ring = _filled([Block(0, np.full((2000, 2), 400, dtype=np.int32), LAYOUT)])  # half a second
    ring.mark("on", -0.3)
    ring.mark("off", -0.1)
    ring.mark("on", 0.2)  # a key is pressed a little ahead of what was analysed
    for zoom in (1, 7, 50):
        marks = ring.columns(0, 500 // zoom + 1, zoom).marks
        assert marks == ((200 // zoom, "on"), (400 // zoom, "off"))
    ring.push(Block(2000, np.full((2000, 2), 400, dtype=np.int32), LAYOUT))
    assert ring.columns(600, 1000, 1).marks == ((700, "on"),)


def test_a_gap_shorter_than_a_bin_is_marked_too() -> None:
    ring = TraceRing(kept_s=1.0)
    ring.push(Block(0, np.full((41, 2), 400, dtype=np.int32), LAYOUT))
    ring.push(_gap(41, 0.00001))
    assert ring.columns(0, ring.bins, 1).lost.tolist() == [False] * 10 + [True]


def test_what_is_older_than_is_kept_is_empty_and_a_huge_block_or_gap_is_taken() -> None:
    counts = np.arange(20_000, dtype=np.int32).repeat(2).reshape(-1, 2) % 1000
    ring = _filled([Block(0, counts, LAYOUT)])
    seen = ring.columns(0, ring.bins, 1)
    kept = np.flatnonzero(~np.isnan(seen.low[:, 0]))
    assert (kept[0], kept[-1]) == (5000 - 1001, 4999)
    ring.push(_gap(20_000, 3600.0))
    assert np.isnan(ring.columns(ring.bins - 1000, ring.bins, 1).low).all()


def test_another_rate_starts_a_new_picture() -> None:
    ring = _filled([Block(0, np.full((40, 2), 400, dtype=np.int32), LAYOUT)])
    ring.push(Block(40, np.full((10, 2), 400, dtype=np.int32), Layout(250.0, LAYOUT.scale)))
    assert (ring.bins, ring.bin_pairs) == (10, 1)


def test_a_gap_before_anything_and_an_empty_block_are_nothing() -> None:
    ring = TraceRing()
    ring.push(_gap(0, 1.0))
    ring.push(Block(0, np.empty((0, 2), dtype=np.int32), LAYOUT))
    assert ring.bins == 0
    assert np.isnan(ring.columns(0, 3, 2).low).all()
