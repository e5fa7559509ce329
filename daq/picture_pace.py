"""When a live picture of the evidence is due. Pure: times are seconds of samples.

Nobody reads figures that change more than five times a second. But whoever has just switched wants the answer
now: so a picture is made as soon as the leads have moved and come to rest for long
enough to be told, and those are limited in number, since a pulsed circuit moves all the time.
"""

from __future__ import annotations

import statistics

import numpy as np
import numpy.typing as npt

from daq.samples import Block

PICTURE_EVERY_S = 0.2
"""Between the pictures of a calm circuit."""

SHARE = 0.1
"""Of a core, for pictures: after thousands of edges or on a slow computer they come less often. As much again
at most for those out of turn."""

MOVED_V = 0.25
"""A lead that goes further within a block has moved: far beyond noise, and no verdict waits for less."""

TOLD_AFTER_S = (0.053, 0.26)
"""At rest so long, a lead's new level and the load's new state are told (two settling windows), and what
the edge means for the verdict. The level alone could be told 19 ms earlier: not worth a picture."""

PROMPT_EVERY_S = 0.15
PROMPT_MOST = 8
"""Pictures at such moments: one in so long in the long run, and so many in a row."""


class PicturePace:
    """Give it the blocks, ask whether a picture is `due`, and say when one was `made`.

    Args:
        every_s: between pictures. Who asks for fewer than a screen does is not waiting for an answer and
            gets none out of turn.
    """

    def __init__(self, every_s: float = PICTURE_EVERY_S) -> None:
        self._every_s = every_s
        self._prompts = every_s <= PICTURE_EVERY_S
        self._next_s = 0.0
        self._costs_s = [0.0, 0.0, 0.0]  # of the latest pictures
        self._end: npt.NDArray[np.int32] | None = None  # the pair before the next block
        self._wanted: list[float] = []  # moments at which the last movement will be told
        self._allowed, self._allowed_at_s = float(PROMPT_MOST), 0.0

    def push(self, block: Block, end_s: float) -> None:
        """Look for movement in a block that ends at `end_s`."""
        if not self._prompts:
            return
        counts = block.counts
        low, high = counts.min(axis=0), counts.max(axis=0)
        if self._end is not None:
            low, high = np.minimum(low, self._end), np.maximum(high, self._end)
        self._end = counts[-1]
        if ((high - low) * np.abs(block.layout.scale.volts_per_count) > MOVED_V).any():
            self._wanted = [end_s + after_s for after_s in TOLD_AFTER_S]

    def due(self, now_s: float) -> bool:
        """Is it time for a picture?"""
        if now_s >= self._next_s:
            return True
        if not self._wanted or now_s < self._wanted[0]:
            return False
        gained = (now_s - self._allowed_at_s) / max(PROMPT_EVERY_S, self._rest_s)
        self._allowed, self._allowed_at_s = min(self._allowed + gained, float(PROMPT_MOST)), now_s
        if self._allowed < 1.0:
            self._wanted = []
            return False
        self._allowed -= 1.0
        return True

    def made(self, now_s: float, cost_s: float) -> None:
        """A picture was made, which took `cost_s` of a core."""
        self._wanted = [at_s for at_s in self._wanted if at_s > now_s]
        self._costs_s = [*self._costs_s[1:], cost_s]
        self._next_s = now_s + max(self._every_s, self._rest_s)

    @property
    def _rest_s(self) -> float:
        """Between pictures of the usual cost: one that takes long now and then delays no other."""
        return statistics.median(self._costs_s) / SHARE
