"""Bytes between two threads: in order, and each either taken or told as lost before what follows it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.byte_queue import SILENCE_NS, ByteQueue
from daq.logger_link import LoggerLink
from daq.logger_source import LineLostError
from daq.samples import Item
from tests.wire.fake_logger import FakeLogger
from tests.wire.talk import MS, gaps, pairs_in

LIMIT = 40


@given(
    st.lists(st.one_of(st.integers(1, 30), st.none()), max_size=40),
    st.lists(st.sampled_from([1, 20, 31, 300]), min_size=43, max_size=43),
)
def test_every_byte_is_taken_in_its_place_or_told_as_lost(
    steps: list[int | None], pauses_ms: list[int]
) -> None:
    """A number puts so many bytes, None takes; the model is a list of what was put and kept."""
    queue = ByteQueue(LIMIT)
    kept: list[tuple[bytes, int, int]] = []  # bytes, stamp, lost before them
    put = lost = seen = 0
    stamps = np.cumsum(pauses_ms) * MS
    for stamp, count in zip(stamps.tolist(), [*steps, None, None, None], strict=False):
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
            while kept and not kept[0][2] and kept[0][1] - at <= SILENCE_NS:
                more, at, _ = kept.pop(0)
                data += more
            assert queue.take(0.0) == (data, at, before, bool(kept))
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
    assert queue.take(0.0) == (b"abc", 2, 0, False)
    with pytest.raises(LineLostError, match="gone"):
        queue.take(0.0)


@pytest.mark.parametrize("silent_ms", [80, 300])
@pytest.mark.parametrize("taken_every_ms", [100, 600])
def test_taken_late_a_restart_is_as_long_as_it_was(silent_ms: int, taken_every_ms: int) -> None:
    """The last samples, a silence and the hello may wait together."""
    logger, queue, items = FakeLogger(), ByteQueue(), list[Item]()
    link = LoggerLink(4000.0, "/dev/test", 500_000, 0)
    restarts_ms, begun_ns = 1130, 0
    for ms in range(5, 4000, 5):
        now_ns = ms * MS
        if not restarts_ms <= ms < restarts_ms + silent_ms:
            heard = logger.boot(now_ns) if ms == restarts_ms + silent_ms else b""
            taking = not link.running or ms % taken_every_ms == 0
            heard += logger.at(now_ns, link.to_send(now_ns) if taking else b"")
            if heard:
                queue.put(heard, now_ns)
            taking |= ms == 3995
            while taking and (arrival := queue.take(0.0)) is not None:
                items += link.receive(arrival.data, arrival.stamp_ns)
            begun_ns = begun_ns or (now_ns if link.running else 0)
    (gap,) = gaps(items)
    told_s = pairs_in(items) / 4000 + gap.seconds
    assert told_s == pytest.approx((now_ns - begun_ns) * 1e-9, abs=gap.uncertainty_s)
