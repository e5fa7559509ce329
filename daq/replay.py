"""Replay: a finished source paced for watching: at any speed, paused, or on to the next edge.

A person at a keyboard changes his mind, so the speed may change at any time. Everything else is the
wrapped source's own, so what is analysed is exactly what was recorded.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

from daq.errors import CommandError
from daq.samples import Block, Change, DeviceInfo, Gap, Item
from daq.source import Capability, Command, SampleSource

PIECE_S = 0.05
"""Blocks are cut to this much screen time (s), so that the picture moves smoothly."""

SEEK_PIECE_S = 0.1
"""How far a jump to the next edge looks at a time (s): it stops this close behind where the edge is known."""

LONGEST_GAP_S = 1.0
"""A gap is shown, not sat through: this much of it is waited (s of the recording)."""

SPEEDS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 100.0)


class Replay:
    """A SampleSource.

    Args:
        edge_count: asked on the iterating thread, between items.
        speed: s of the recording in a second.
        begin_s: what lies before is gone through at once: it is evidence too.
    """

    def __init__(
        self, source: SampleSource, edge_count: Callable[[], int], speed: float = 1.0, begin_s: float = 0.0
    ) -> None:
        self._source = source
        self._edge_count = edge_count
        self._turn = threading.Condition()
        self._speed = speed
        self._paused = False
        self._seeking_from: int | None = None  # edges known when the jump began
        self._due = 0.0
        self._to_begin_s = begin_s
        self._closed = False

    @property
    def info(self) -> DeviceInfo:
        return self._source.info

    @property
    def capabilities(self) -> frozenset[Capability]:
        return frozenset({Capability.FINITE})

    @property
    def speed(self) -> float:
        return self._speed

    @property
    def paused(self) -> bool:
        return self._paused

    @property
    def seeking(self) -> bool:
        return self._seeking_from is not None

    @property
    def beginning(self) -> bool:
        """Not yet where it is to begin."""
        return self._to_begin_s > 0

    def pause(self, paused: bool = True) -> None:
        with self._turn:
            self._paused = paused
            self._seeking_from = None
            self._go()

    def set_speed(self, speed: float) -> None:
        with self._turn:
            self._speed = speed
            self._go()

    def to_next_edge(self) -> None:
        """Run unpaced until one more edge is known, then pause."""
        with self._turn:
            self._seeking_from = -1  # counted by the iterating thread, which owns the pipeline
            self._paused = False
            self._go()

    def command(self, command: Command) -> None:
        raise CommandError(f"This is a recording: {type(command).__name__} cannot be obeyed in it.")

    def close(self) -> None:
        with self._turn:
            self._closed = True
            self._turn.notify_all()
        self._source.close()

    def __iter__(self) -> Iterator[Item]:
        self._due = time.monotonic()
        for item in self._source:
            if isinstance(item, Change):
                yield item
            elif isinstance(item, Gap):
                if not self._wait(item.seconds if self.beginning else min(item.seconds, LONGEST_GAP_S)):
                    return
                yield item
            else:
                yield from self._pieces(item)
            if self._closed:
                return

    def _pieces(self, block: Block) -> Iterator[Block]:
        at, rate = block.first, block.layout.rate_hz
        while at < block.end:
            end = min(at + max(1, int(rate * self._piece_s())), block.end)
            if not self._wait((end - at) / rate):
                return
            yield block.part(at, end)
            at = end

    def _piece_s(self) -> float:
        if self.beginning:
            return min(1.0, self._to_begin_s)
        return SEEK_PIECE_S if self.seeking else min(1.0, PIECE_S * max(1.0, self._speed))

    def _wait(self, seconds: float) -> bool:
        """Wait for this much of the recording to be due; False once closed."""
        with self._turn:
            if self.beginning:
                self._to_begin_s -= seconds
                self._due = time.monotonic()
                return not self._closed
            self._stop_at_edge()
            self._due += seconds / self._speed
            while not self._closed:
                left = self._due - time.monotonic()
                if not self._paused and (self.seeking or left <= 0):
                    if self.seeking:
                        self._due = time.monotonic()
                    return True
                self._turn.wait(None if self._paused else left)
            return False

    def _stop_at_edge(self) -> None:
        if self._seeking_from is None:
            return
        known = self._edge_count()
        if self._seeking_from < 0:
            self._seeking_from = known
        elif known > self._seeking_from:
            self._seeking_from, self._paused = None, True

    def _go(self) -> None:
        self._due = time.monotonic()
        self._turn.notify_all()
