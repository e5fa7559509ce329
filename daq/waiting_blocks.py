"""Blocks wait for each other until somebody looks: a frame alone costs as much as ten together."""

from __future__ import annotations

import numpy as np

from daq.samples import Block

PAIRS_MOST = 1 << 17  # waiting at most: a portion costs some 500 calls, whatever its size


class WaitingBlocks:
    """Blocks of one layout that follow each other and are not analysed yet."""

    def __init__(self) -> None:
        self._blocks: list[Block] = []
        self._pairs = 0

    @property
    def full(self) -> bool:
        return self._pairs >= PAIRS_MOST

    def fits(self, block: Block) -> bool:
        """Whether it has the layout of those that wait."""
        return not self._blocks or self._blocks[0].layout == block.layout

    def add(self, block: Block) -> None:
        self._blocks.append(block)
        self._pairs += len(block.counts)

    def take(self) -> Block | None:
        """All that wait as one block; None if none do."""
        blocks, self._blocks, self._pairs = self._blocks, [], 0
        if len(blocks) > 1:
            counts = np.concatenate([block.counts for block in blocks])
            return Block(blocks[0].first, counts, blocks[0].layout)
        return blocks[0] if blocks else None
