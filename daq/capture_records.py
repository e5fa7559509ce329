"""What a capture holds beside the log: notes written later, and what the computer's clocks said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Note:
    """Written after the recording; `at_s` is the moment it speaks of, None for all of it."""

    written: datetime | None
    at_s: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Anchor:
    """What the computer's clocks said when pair `sample` was the next to be recorded."""

    sample: int
    monotonic_s: float
    utc: datetime
