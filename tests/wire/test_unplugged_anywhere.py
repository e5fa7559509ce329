"""A cable pulled at any byte of a session, noise on the way, an index that wraps: every loss is told."""

from __future__ import annotations

import random

import numpy as np
import pytest

from daq.samples import Block, Change, Gap, GapReason, Item
from tests.wire.fake_logger import pair_counts
from tests.wire.talk import Table, check_dense, check_one_run, gaps

SESSION_MS = 60  # handshake and some frames of data
AWAY_S = 0.5


class Cable:
    """Lets `allowed` bytes pass, then none."""

    def __init__(self, allowed: int) -> None:
        self.left = allowed
        self.passed = 0

    def __call__(self, heard: bytes) -> bytes:
        through = heard[: self.left]
        self.left -= len(through)
        self.passed += len(through)
        return through


def session_bytes() -> int:
    cable = Cable(1 << 30)
    Table().run(SESSION_MS, spoil=cable)
    return cable.passed


def check_pairs(items: list[Item]) -> None:
    """Each stretch between gaps holds consecutive pairs of one run, begun at its first pair."""
    check_dense(items)
    pair = 0
    for item in items:
        if isinstance(item, Gap):
            assert item.pairs is None, "how many pairs passed meanwhile nobody knows"
            assert item.seconds > 0
            assert item.uncertainty_s > 0
            pair = 0
        elif isinstance(item, Block):
            assert np.array_equal(item.counts, pair_counts(pair, len(item.counts)))
            pair += len(item.counts)


def pulled_at(offset: int, resets: bool) -> None:
    table, cable = Table(), Cable(offset)
    while cable.left:
        table.run(5, spoil=cable)
    had_pairs = any(isinstance(item, Block) and len(item.counts) for item in table.items)
    table.items += table.link.unplugged(table.now_ns)
    table.now_ns += int(AWAY_S * 1e9)
    table.link.plugged_in("/dev/test", table.now_ns)
    if resets:
        table.extra = table.logger.boot(table.now_ns)
    table.run(1000)
    assert table.link.running
    check_pairs(table.items)
    lost = gaps(table.items)
    assert len(lost) == had_pairs
    if lost:
        assert lost[0].reason is GapReason.UNPLUGGED
        assert lost[0].seconds == pytest.approx(AWAY_S, abs=0.1)
    assert sum(isinstance(item, Change) and item.value == "logger away" for item in table.items) <= 1


def test_pulled_at_bytes_of_a_session() -> None:
    end = session_bytes()
    assert end > 500
    for offset in range(1, end, 17):
        pulled_at(offset, resets=offset % 2 == 0)


@pytest.mark.long
def test_pulled_at_every_byte_of_a_session() -> None:
    for offset in range(1, session_bytes()):
        for resets in (False, True):
            pulled_at(offset, resets)


def test_bits_flipped_on_the_way_are_counted_and_never_believed() -> None:
    """One byte in 2000 comes wrong for five seconds: what is taken for a pair is one that was sent."""
    draw = random.Random(4)

    def noisy(heard: bytes) -> bytes:
        return bytes(b ^ (1 << draw.randrange(8)) if draw.random() < 0.0005 else b for b in heard)

    table = Table()
    table.run(200)
    table.run(5000, spoil=noisy)
    table.run(500)
    assert table.link.damaged > 5
    check_dense(table.items)
    pair = 0
    for item in table.items:
        if isinstance(item, Gap):
            assert item.pairs, "the index tells exactly what a broken frame held"
            pair += item.pairs
        elif isinstance(item, Block):
            assert np.array_equal(item.counts, pair_counts(pair, len(item.counts)))
            pair += len(item.counts)
    assert pair == pytest.approx(5.7 * 4000, abs=0.05 * 4000)


def test_the_index_passes_its_end_without_a_gap() -> None:
    """32 bits of pairs are 12.4 days at 4000 a second (2^32 / 4000 s): the run goes on."""
    table = Table()
    table.run(200)
    unseen = (1 << 30) - 4000
    for _ in range(4):  # as if three days each had passed unseen
        table.logger.overflow_pairs = unseen
        assert table.logger.started_ns is not None
        table.logger.started_ns -= unseen * 250_000  # ns a pair
        table.run(1000)
    table.run(5000)
    assert table.logger.pairs > 1 << 32, "the test's own arithmetic"
    lost = [gap.pairs or 0 for gap in gaps(table.items)]
    assert lost == [unseen] * 4
    taken = sum(len(item.counts) for item in table.items if isinstance(item, Block))
    assert taken + sum(lost) == pytest.approx(table.logger.pairs, abs=64)
    check_one_run(table.items)
