"""This computer's clocks: one that runs through sleep and never jumps, and how long it has slept.

Which clock stands still while a computer sleeps differs: on Linux all but CLOCK_BOOTTIME (clock_gettime(2)),
on macOS all but CLOCK_MONOTONIC (its clock_gettime(3)); on Windows none that Python has, so sleep is measured
rightly there and cannot be told from a computer that was busy.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime

if sys.platform == "linux":
    _THROUGH_SLEEP: int | None = time.CLOCK_BOOTTIME
elif sys.platform == "darwin":
    _THROUGH_SLEEP = time.CLOCK_MONOTONIC
else:
    _THROUGH_SLEEP = None


def steady_ns() -> int:
    """Runs through sleep, never jumps, counts from no particular moment."""
    if _THROUGH_SLEEP is None:
        return time.perf_counter_ns()
    return time.clock_gettime_ns(_THROUGH_SLEEP)


def steady_s() -> float:
    return steady_ns() * 1e-9


def asleep_ns() -> int:
    """Grows by the time that the computer slept; only the growth means something."""
    return steady_ns() - time.perf_counter_ns()


def asleep_s() -> float:
    return asleep_ns() * 1e-9


def now_utc() -> datetime:
    return datetime.now(UTC)


def utc_offset_s() -> int:
    """How much local time is ahead of UTC now, s."""
    offset = datetime.now().astimezone().utcoffset()
    return round(offset.total_seconds()) if offset else 0
