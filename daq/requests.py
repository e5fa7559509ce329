"""Commands on their way to the device: one at a time, sent again until it answers. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from daq.messages import Command, Reply, encode_message

RETRY_NS = 200_000_000
"""Boards that reset when their port opens miss the first commands; an answer takes a few ms."""

PATIENCE_NS = 5_000_000_000
"""Longer than a boot loader waits (up to about 4 s)."""


@dataclass(slots=True)
class Request:
    """A command and what to do with its reply: `then(reply, first sent at)`."""

    command: Command
    then: Callable[[Reply, int], None]
    tag: int = 0
    begun_ns: int | None = None
    sent_ns: int = 0


class Requests:
    """Add requests, send what `due` gives, hand replies to `answer`."""

    def __init__(self) -> None:
        self._queue: deque[Request] = deque()
        self._sequence = 0

    def add(self, command: Command, then: Callable[[Reply, int], None]) -> None:
        self._queue.append(Request(command, then))

    def clear(self) -> None:
        self._queue.clear()

    def __len__(self) -> int:
        return len(self._queue)

    def due(self, now_ns: int) -> bytes:
        """What to send now; each frame after a 00 that ends whatever the device half heard."""
        if not self._queue:
            return b""
        request = self._queue[0]
        if request.begun_ns is None:
            request.begun_ns, request.tag = now_ns, self._sequence
            self._sequence = (self._sequence + 1) & 0xFF
        elif now_ns - request.sent_ns < RETRY_NS:
            return b""
        request.sent_ns = now_ns
        return b"\0" + encode_message(request.command, request.tag)

    def answer(self, reply: Reply) -> None:
        """Give a reply to the request it belongs to; others (second replies to a repeat) are ignored."""
        if not self._queue:
            return
        request = self._queue[0]
        if request.begun_ns is not None and (reply.command, reply.tag) == (request.command.KIND, request.tag):
            self._queue.popleft()
            request.then(reply, request.begun_ns)

    def overdue(self, now_ns: int) -> Command | None:
        """The command that was not answered in time; it is given up."""
        if self._queue:
            request = self._queue[0]
            if request.begun_ns is not None and now_ns - request.begun_ns > PATIENCE_NS:
                self._queue.popleft()
                return request.command
        return None
