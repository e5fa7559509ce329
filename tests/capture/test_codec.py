"""The codec gives back any counts, chooses compactly, and cannot be talked into a large allocation."""

from __future__ import annotations

import struct
import tracemalloc
import zlib
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from daq.codec import MAX_COUNTS, CodecError, LeadCounts, decode, encode
from tests.capture.logs import counts

LEAST, MOST = -(2**31), 2**31 - 1


def array(*values: int) -> LeadCounts:
    return np.array(values, np.int32)


@given(st.lists(st.integers(LEAST, MOST), min_size=1, max_size=50).map(lambda v: np.array(v, np.int32)))
@example(array(LEAST, MOST, 0))
@example(array(0, LEAST))
@example(array(LEAST))
@example(array(*[0] * 14, 15))
@example(array(*[0] * 15, 7, 8, -8))
def test_any_counts_come_back(values: LeadCounts) -> None:
    assert decode(encode(values), len(values)).tolist() == values.tolist()


@given(counts(3000))
def test_counts_of_every_sort_of_source_come_back(both: np.ndarray) -> None:
    for lead in (0, 1):
        values = np.ascontiguousarray(both[:, lead])
        assert np.array_equal(decode(encode(values), len(values)), values)


def test_a_full_row_of_the_worst_counts_comes_back() -> None:
    values = np.random.default_rng(5).integers(LEAST, MOST, MAX_COUNTS).astype(np.int32)
    blob = encode(values)
    assert np.array_equal(decode(blob, MAX_COUNTS), values)
    assert len(blob) < 4.01 * MAX_COUNTS


def entropy_bytes(values: LeadCounts) -> float:
    """Shannon's bound for independent samples (C. E. Shannon, 1948): -sum p log2 p, in bytes."""
    _, often = np.unique(values, return_counts=True)
    share = often / len(values)
    return float(-(share * np.log2(share)).sum() * len(values) / 8)


@pytest.mark.parametrize("spread", [0.4, 1.0, 3.0, 20.0])
def test_independent_noise_costs_little_more_than_its_entropy(spread: float) -> None:
    rng = np.random.default_rng(1)
    values = np.rint(1300 + rng.normal(0, spread, 8000)).astype(np.int32)
    assert len(encode(values)) < 1.25 * entropy_bytes(values) + 80


def test_a_steady_lead_costs_its_header_only() -> None:
    assert len(encode(np.full(4000, 1300, np.int32))) == 11


def test_text_files_cost_what_their_converter_would() -> None:
    codes = np.rint(np.random.default_rng(2).normal(800, 1, 4000)).astype(np.int32)
    assert abs(len(encode(codes * 15_625)) - len(encode(codes))) < 8


def test_the_format_is_the_one_that_was_published() -> None:
    """Blobs made by hand from the description in recordings/README.md, not by `encode`."""
    header = struct.Struct("<BBBiI")
    nibbles = zlib.compress(bytes([0x12, 0xF0]) + bytes([5]))  # zigzag 1, 2, escape 15 + 5, filler
    assert decode(header.pack(0, 15, 1, 100, 1) + nibbles, 3).tolist() == [99, 101, 110]
    assert decode(header.pack(1, 15, 1, 100, 1) + nibbles, 3).tolist() == [99, 100, 110]
    planes = zlib.compress(bytes([2, 4, 0]) + bytes([1, 0, 0]))  # zigzag 258, 4, 0
    assert decode(header.pack(0, 2, 0, 7, 10) + planes, 3).tolist() == [1297, 27, 7]
    assert decode(header.pack(1, 0, 0, -5, 1), 3).tolist() == [-5, -5, -5]


@given(st.binary(max_size=60), st.integers(1, 400))
def test_rubbish_is_refused_or_decoded_but_nothing_else(blob: bytes, n: int) -> None:
    with suppress(CodecError):
        assert len(decode(blob, n)) == n


@given(st.data())
def test_a_damaged_blob_is_refused_or_decoded_but_nothing_else(data: st.DataObject) -> None:
    blob = bytearray(encode(np.arange(200, dtype=np.int32) % 37))
    blob[data.draw(st.integers(0, len(blob) - 1))] ^= data.draw(st.integers(1, 255))
    blob = blob[: data.draw(st.integers(0, len(blob)))]
    with suppress(CodecError):
        assert len(decode(bytes(blob), 200)) == 200


@pytest.mark.parametrize("packing", [1, 4, 15])
def test_a_bomb_is_not_inflated(packing: int) -> None:
    bomb = struct.pack("<BBBiI", 0, packing, 4 if packing == 15 else 0, 0, 1) + zlib.compress(bytes(1 << 26))
    tracemalloc.start()
    try:
        with pytest.raises(CodecError):
            decode(bomb, 4000)
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("n", [0, -1, MAX_COUNTS + 1, 1 << 62])
def test_a_row_of_an_impossible_size_is_refused(n: int) -> None:
    with pytest.raises(CodecError):
        decode(encode(array(1)), n)
