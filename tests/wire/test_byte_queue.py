"""Bytes between two threads: in order, and each either taken or told as lost before what follows it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.byte_queue import ByteQueue
from daq.logger_source import LineLostError

LIMIT = 40


@given(st.lists(st.one_of(st.integers(1, 30), st.none()), max_size=40))
def test_every_byte_is_taken_in_its_place_or_told_as_lost(steps: list[int | None]) -> None:
    """A number puts so many bytes, None takes; the model is a list of what was put and kept."""
    queue = ByteQueue(LIMIT)
    kept: list[tuple[bytes, int, int]] = []  # bytes, stamp, lost before them
    put = lost = seen = 0
    for stamp, count in enumerate([*steps, None, None, None]):
        if count is not None:
            data = bytes((put + i) % 251 for i in range(count))
            put += count
            queue.put(data, stamp)
            if sum(len(d) for d, _, _ in kept) + count <= LIMIT:
                kept.append((data, stamp, lost))
                lost = 0
            else:
                lost += count
        elif kept:
            data, at, before = kept.pop(0)
            while kept and not kept[0][2]:
                more, at, _ = kept.pop(0)
                data += more
            assert queue.take(0.0) == (data, at, before)
            seen += len(data) + before
        elif lost:
            arrival = queue.take(0.0)
            assert arrival is not None
            assert (arrival.data, arrival.lost) == (b"", lost)
            seen, lost = seen + lost, 0
        else:
            assert queue.take(0.0) is None
    while (arrival := queue.take(0.0)) is not None:
        seen += len(arrival.data) + arrival.lost
    assert seen == put


def test_the_end_comes_after_the_last_bytes() -> None:
    queue = ByteQueue(LIMIT)
    queue.put(b"ab", 1)
    queue.put(b"c", 2)
    queue.end(OSError("gone"))
    assert queue.take(0.0) == (b"abc", 2, 0)
    with pytest.raises(LineLostError, match="gone"):
        queue.take(0.0)
