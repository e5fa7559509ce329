"""What the screens need to know of the terminal itself: whether it keeps up, and its bell."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from textual.app import App

LEAST = (80, 24)
"""Columns and rows in which everything essential and every key has its place."""

BELL_EVERY_S = 0.4
"""The bell rings no more often than this (s): many terminals queue bells and go on ringing."""

TALL_FROM = [(0, "-low"), (34, "-tall")]
"""Rows from which a screen has room for lists and space between."""


def keeps_up(app: App[Any]) -> bool:
    """False while output still waits to be written.

    Textual's writer queue blocks the whole loop once 30 writes wait, which a slow line reaches in two
    seconds; it offers no public look at it. A driver without a writer (headless, web) always keeps up.
    """
    writer = getattr(app._driver, "_writer_thread", None)
    queue = getattr(writer, "_queue", None)
    return queue is None or bool(queue.empty())


def too_small(columns: int, rows: int) -> str:
    """What to say in a window that is too small; "" in one that is not."""
    if columns >= LEAST[0] and rows >= LEAST[1]:
        return ""
    return f"window {columns}x{rows} too small: {LEAST[0]}x{LEAST[1]} needed"


class Bell:
    """Rings, but not more often than every `every_s` seconds."""

    def __init__(
        self,
        ring: Callable[[], None],
        clock: Callable[[], float] = time.monotonic,
        every_s: float = BELL_EVERY_S,
    ) -> None:
        self._ring = ring
        self._clock = clock
        self._every_s = every_s
        self._last = -every_s

    def __call__(self) -> bool:
        """Ring if it is time; tells whether it rang."""
        now = self._clock()
        if now - self._last < self._every_s:
            return False
        self._last = now
        self._ring()
        return True
