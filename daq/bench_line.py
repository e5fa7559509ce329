"""The line between the simulated logger and the computer: perfect, or as bad as a test wants it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np

Spans = Sequence[tuple[float, float]]  # (from, until), s of bench time


class Line(Protocol):
    """Carries bytes; `now_s` is bench time."""

    def to_computer(self, data: bytes, now_s: float) -> bytes: ...

    def to_logger(self, data: bytes, now_s: float) -> bytes: ...


class PerfectLine:
    """What goes in comes out."""

    def to_computer(self, data: bytes, now_s: float) -> bytes:
        return data

    def to_logger(self, data: bytes, now_s: float) -> bytes:
        return data


class FaultyLine:
    """Damages what the logger sends; what it is told arrives whole.

    Attributes:
        flipped, dropped: bytes damaged and removed so far.

    The damage depends on the seed and on the byte's place in the stream, not on how the stream is cut.
    """

    def __init__(
        self,
        seed: int,
        flip: float = 0.0,
        drop: float = 0.0,
        stalls: Spans = (),
        cuts: Spans = (),
        sound_until_s: float = 0.0,
    ) -> None:
        """`flip` and `drop` are chances per byte. In `stalls` bytes wait, in `cuts` they are gone.

        Before `sound_until_s` nothing is flipped or dropped: the conversation that starts a run takes no
        bench time, so 0.001 spares it.
        """
        self.flipped = self.dropped = 0
        self._noise = np.random.default_rng(seed)
        self._flip, self._drop = flip, drop
        self._stalls, self._cuts = stalls, cuts
        self._sound_until_s = sound_until_s
        self._waiting = b""

    def to_computer(self, data: bytes, now_s: float) -> bytes:
        if _inside(self._cuts, now_s):
            self.dropped += len(data)
            data = b""
        self._waiting += data if now_s < self._sound_until_s else self._damaged(data)
        if _inside(self._stalls, now_s):
            return b""
        data, self._waiting = self._waiting, b""
        return data

    def to_logger(self, data: bytes, now_s: float) -> bytes:
        return data

    def _damaged(self, data: bytes) -> bytes:
        content = np.frombuffer(data, dtype=np.uint8).copy()
        fate = self._noise.random((len(content), 2))
        flips = np.flatnonzero(fate[:, 0] < self._flip)
        content[flips] ^= (1 << (fate[flips, 1] * 8).astype(np.int64)).astype(np.uint8)
        kept = fate[:, 0] < 1 - self._drop
        self.flipped += len(flips)
        self.dropped += int(len(content) - kept.sum())
        return content[kept].tobytes()


def _inside(spans: Spans, now_s: float) -> bool:
    return any(begin <= now_s < end for begin, end in spans)
