"""A recorder whose clocks move on by 10 ms with every item: a second of the log goes by in far less."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from daq.capture import CaptureWriter
from daq.samples import Item
from tests.capture.logs import INFO

BEGUN = datetime(2026, 3, 1, 12, tzinfo=UTC)


class HastyWriter(CaptureWriter):
    """`now` is the time on all its clocks, s."""

    def __init__(self, path: Path) -> None:
        self.now = 0.0
        super().__init__(
            path,
            INFO,
            clock=lambda: self.now,
            utc=lambda: BEGUN + timedelta(seconds=self.now),
            asleep=lambda: 0.0,
        )

    def append(self, item: Item) -> None:
        self.now += 0.01
        super().append(item)
