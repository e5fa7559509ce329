"""Invariant: any frame is a message that encodes to the same bytes, or MalformedError."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.framing import Frame, Kind
from daq.messages import EepromBytes, Reply, encode_message, parse_message
from daq.pairs import DataFrame, MalformedError, pack_pairs, unpack_pairs
from daq.results import SupplySum
from daq.samples import Bias

# Bits that a reader must ignore come back as 0: the reserved ones of the identity, and padding.
LOSSY = {Kind.HELLO}


@given(st.sampled_from([*Kind]), st.binary(max_size=80))
def test_a_message_or_one_error(kind: Kind, payload: bytes) -> None:
    frame = Frame(kind, 7, payload)
    try:
        message = parse_message(frame)
    except MalformedError:
        return
    if kind not in LOSSY:
        assert message.payload() == payload


@given(st.integers(0, 255).filter(lambda kind: kind not in set(Kind)))
def test_unknown_types(kind: int) -> None:
    with pytest.raises(MalformedError):
        parse_message(Frame(kind, 0, b""))


counts = st.lists(st.tuples(st.integers(0, 4095), st.integers(0, 4095)), min_size=1, max_size=80)


@given(counts, st.booleans())
def test_pairs_against_plain_arithmetic(pairs: list[tuple[int, int]], sums: bool) -> None:
    array = np.array(pairs, dtype=np.int32)
    size, shift = (4, 16) if sums else (3, 12)
    plain = b"".join((one | two << shift).to_bytes(size, "little") for one, two in pairs)
    assert pack_pairs(array, sums) == plain
    back = unpack_pairs(plain, sums)
    assert back.dtype == np.int32
    assert back.tolist() == array.tolist()


def test_counts_that_do_not_fit_are_refused() -> None:
    for value, sums in ((4096, False), (65536, True), (-1, True), (-1, False)):
        with pytest.raises(ValueError, match="counts outside"):
            pack_pairs(np.array([[0, value]], dtype=np.int32), sums)


@given(
    st.integers(0, 1 << 33),
    st.sampled_from(Bias),
    st.sampled_from(Bias),
    st.integers(0, 15),
    st.integers(0, 15),
)
def test_data_frames(first: int, bias1: Bias, bias2: Bias, range1: int, range2: int) -> None:
    sent = DataFrame(first, 3, np.array([[1, 2]], np.int32), bias=(bias1, bias2), ranges=(range1, range2))
    got = DataFrame.parse(sent.payload())
    assert (got.first, got.bias, got.ranges) == (first % (1 << 32), sent.bias, sent.ranges)


def test_the_largest_messages_fit_in_a_frame() -> None:
    raw = DataFrame(0, 1, np.full((80, 2), 1023, np.int32))
    sums = DataFrame(0, 1, np.full((60, 2), 65472, np.int32), sums=True)
    assert max(len(encode_message(m, 0)) for m in (raw, sums)) == 254
    assert len(encode_message(EepromBytes(0, bytes(64)), 0)) <= 72
    assert len(encode_message(Reply(0x15, 0, 0, EepromBytes(0, bytes(64)).payload()), 0)) <= 255
    with pytest.raises(ValueError, match="over 249"):
        encode_message(DataFrame(0, 1, np.zeros((81, 2), np.int32)), 0)


def test_the_supply_from_the_bandgap() -> None:
    """A 1.1 V reference that reads 220 of 1024 codes, 64 times: 1.1 V * 1024 / 220 = 5.12 V."""
    assert SupplySum(64 * 220).supply_v(1.1) == pytest.approx(5.12)
    assert SupplySum(0).supply_v(1.1) == float("inf")
