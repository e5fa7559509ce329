"""A link and a logger on one table, their time moved by the test."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from daq.logger_link import LoggerLink
from daq.samples import Block, Change, ChangeKind, Counts, Gap, Item
from tests.wire.fake_logger import FakeLogger, pair_counts

MS = 1_000_000


class Table:
    """`run` for some milliseconds; `spoil` may change what travels from the logger to the link."""

    def __init__(
        self,
        rate_hz: float = 4000.0,
        logger: FakeLogger | None = None,
        baud: int = 500_000,
        whisper: bool = False,
    ) -> None:
        self.now_ns = 1_000_000_000
        self.logger = logger or FakeLogger()
        self.link = LoggerLink(rate_hz, "/dev/test", baud, self.now_ns, whisper)
        self.items: list[Item] = []
        self.extra = b""

    def run(self, ms: float, step_ms: float = 5, spoil: Callable[[bytes], bytes] = bytes) -> list[Item]:
        new: list[Item] = []
        for _ in range(int(ms / step_ms)):
            self.now_ns += int(step_ms * MS)
            heard = self.extra + self.logger.at(self.now_ns, self.link.to_send(self.now_ns))
            self.extra = b""
            new += self.link.receive(spoil(heard), self.now_ns)
        self.items += new
        return new


def gaps(items: Sequence[Item]) -> list[Gap]:
    return [item for item in items if isinstance(item, Gap)]


def changes(items: Sequence[Item], kind: ChangeKind) -> list[Change]:
    return [item for item in items if isinstance(item, Change) and item.kind is kind]


def pairs_in(items: Sequence[Item]) -> int:
    return sum(len(item.counts) for item in items if isinstance(item, Block))


def check_dense(items: Sequence[Item]) -> None:
    """Dense indices count on, gap or not, and every item stands at its index."""
    sample = None
    for item in items:
        at = item.first if isinstance(item, Block) else item.sample
        assert sample is None or at == sample
        sample = item.end if isinstance(item, Block) else at


def check_one_run(
    items: Sequence[Item], first_pair: int = 0, counts: Callable[[int, int], Counts] = pair_counts
) -> int:
    """Items of one run hold exactly the fake logger's pairs, gaps counted; gives the index of the next."""
    check_dense(items)
    pair = first_pair
    for item in items:
        if isinstance(item, Gap):
            assert item.pairs is not None
            assert item.pairs > 0
            assert item.uncertainty_s == 0
            pair += item.pairs
        elif isinstance(item, Block):
            assert np.array_equal(item.counts, counts(pair, len(item.counts)))
            pair += len(item.counts)
    return pair
