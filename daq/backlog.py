"""Backlog: the run so far, kept in memory so that a recording begun late still begins at the beginning.

Pressing "record" after the interesting moment must not lose it, and a capture must mean the same when it
is replayed as it meant live. So the whole log of the run is held back until a recording takes it. When
the limit is reached the oldest blocks go; the capture then begins with Changes that restate what was in
force there (plug state, expectation, bias, settings, last mark, a lead check that failed or is under way) and
says that it begins late. What a lead check proved cannot be restated: such a capture says that its reference
was not proven.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from daq.samples import Block, Change, ChangeKind, Gap, Item, Origin
from daq.standing import Standing
from daq.standing_check import StandingCheck

LIMIT_BYTES = 32 * 1024 * 1024
"""Counts kept, bytes: 35 minutes at 4000 pairs/s in 16 bits; small beside what the program needs anyway."""


@dataclass(frozen=True, slots=True)
class Rebase:
    """Moves items so that pair `sample`, at `time_s`, becomes the first of a recording."""

    sample: int = 0
    time_s: float = 0.0

    def __call__(self, item: Item) -> Item:
        if isinstance(item, Block):
            return Block(item.first - self.sample, item.counts, item.layout, item.flags)
        if isinstance(item, Gap):
            return replace(item, sample=item.sample - self.sample)
        at_s = None if item.at_s is None else item.at_s - self.time_s
        return replace(item, sample=item.sample - self.sample, at_s=at_s)


class Backlog:
    """Append every item of the run; `items` gives the log as a recording should begin with it."""

    def __init__(self, limit_bytes: int = LIMIT_BYTES) -> None:
        self.limit_bytes = limit_bytes  # 0 while a recording takes everything itself
        self._items: deque[Item] = deque()
        self._bytes = 0
        self._origin = Rebase()
        self._standing = Standing()
        self._check = StandingCheck()

    @property
    def origin(self) -> Rebase:
        """How to move the items that follow, so that they continue what `items` gave."""
        return self._origin

    def append(self, item: Item) -> None:
        if isinstance(item, Block):
            item = _compact(item) if self.limit_bytes else item
            self._bytes += item.counts.nbytes
        self._items.append(item)
        while self._items and self._must_go():
            self._forget(self._items.popleft())

    def _must_go(self) -> bool:
        """Over the limit, or a gap that would come first: no recording begins with lost time."""
        return self._bytes > self.limit_bytes or self.limit_bytes == 0 or isinstance(self._items[0], Gap)

    def forget_all(self) -> None:
        """Begin anew after the last item: a recording has it all."""
        while self._items:
            self._forget(self._items.popleft())

    def items(self) -> Iterator[Item]:
        """The kept log, its first pair numbered 0."""
        yield from self._standing.restated()
        yield from self._check.restated()
        if self._origin.time_s:
            late = f"recording begins {self._origin.time_s:.1f} s into the run"
            yield Change(0, Origin.DEVICE, ChangeKind.DEVICE, late)
        for item in self._items:
            if isinstance(item, Block):
                item = replace(item, counts=item.counts.astype(np.int32))
            yield self._origin(item)

    def _forget(self, item: Item) -> None:
        sample, time_s = self._origin.sample, self._origin.time_s
        self._check.follow(item)
        if isinstance(item, Change):
            self._standing.remember(item)
        elif isinstance(item, Gap):
            # Time runs from the first pair: what was lost before that is nobody's.
            self._origin = Rebase(sample, time_s + item.seconds if sample else 0.0)
        else:
            self._bytes -= item.counts.nbytes
            self._origin = Rebase(item.end, time_s + len(item.counts) / item.layout.rate_hz)


def _compact(block: Block) -> Block:
    """The same block in 16 bits where its counts allow."""
    counts = block.counts
    if len(counts) and (counts.min() < -32768 or counts.max() > 32767):
        return block
    return replace(block, counts=counts.astype(np.int16))
