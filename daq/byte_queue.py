"""Bytes between the thread that reads the port and the one that understands them: bounded, loss counted."""

from __future__ import annotations

import threading
from collections import deque

from daq.logger_source import Arrival, LineLostError
from daq.pair_stream import STAMP_ERROR_S

LIMIT_BYTES = 1 << 20
"""Over a minute at 4000 pairs a second; a reader that is a minute late has lost its way."""


SILENCE_NS = round(STAMP_ERROR_S * 1e9)
"""Between two pieces that are not joined, ns: what a stamp may be wrong by anyway."""


class ByteQueue:
    """One thread puts, one takes. When full, what comes is dropped and said with what follows."""

    def __init__(self, limit_bytes: int = LIMIT_BYTES) -> None:
        self._limit = limit_bytes
        self._arrivals: deque[Arrival] = deque()
        self._size = self._lost = 0
        self._lost_ns = 0
        self._end: BaseException | None = None
        self._changed = threading.Condition()

    def put(self, data: bytes, stamp_ns: int) -> None:
        with self._changed:
            if self._size + len(data) > self._limit:
                self._lost += len(data)
                self._lost_ns = stamp_ns
                return
            self._arrivals.append(Arrival(data, stamp_ns, self._lost))
            self._size += len(data)
            self._lost = 0
            self._changed.notify()

    def end(self, cause: BaseException) -> None:
        """Nothing will come any more; the taker learns it after the last bytes."""
        with self._changed:
            self._end = cause
            self._changed.notify()

    def take(self, timeout_s: float) -> Arrival | None:
        """The bytes that wait, up to a loss or a silence, with the stamp of the last ones; None after
        `timeout_s` without any; LineLostError once they have ended."""
        with self._changed:
            if not self._arrivals and self._end is None:
                self._changed.wait(timeout_s)
            if self._arrivals:
                return self._joined()
            if self._lost:
                arrival = Arrival(b"", self._lost_ns, self._lost)
                self._lost = 0
                return arrival
            if self._end is not None:
                raise LineLostError(str(self._end)) from self._end
            return None

    def _joined(self) -> Arrival:
        """What a silence parts stays apart: how long it was is told by the stamps on both sides."""
        first = last = self._arrivals.popleft()
        parts = [first.data]
        while self._arrivals and not self._arrivals[0].lost:
            if self._arrivals[0].stamp_ns - last.stamp_ns > SILENCE_NS:
                break
            last = self._arrivals.popleft()
            parts.append(last.data)
        data = b"".join(parts)
        self._size -= len(data)
        return Arrival(data, last.stamp_ns, first.lost, bool(self._arrivals))
