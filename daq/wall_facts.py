"""What a recording knows of wall time, for documents and for people."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import Any

from daq.capture_reader import CaptureSource
from daq.wall_clock import WallClock

_DAY_S = 86_400


def wall_facts(source: CaptureSource, wall: WallClock | None) -> dict[str, Any]:
    """For a document; None where nobody knows."""
    ppm = None if wall is None else wall.ppm
    steps = () if wall is None else wall.steps
    return {
        "first_pair_utc": None if wall is None else wall.utc(0.0).isoformat(timespec="milliseconds"),
        "utc_offset_s": utc_offset_s(source),
        "logger_clock_ppm": None if ppm is None else round(ppm, 2),
        "clock_steps": [{"t_s": round(s.time_s, 3), "seconds": round(s.seconds, 3)} for s in steps],
    }


def utc_offset_s(source: CaptureSource) -> int | None:
    """How much local time was ahead of UTC where it was recorded."""
    text = source.meta.get("utc_offset_s", "")
    known = text.removeprefix("-").isdecimal() and len(text) < 7 and abs(int(text)) < _DAY_S
    return int(text) if known else None


def local_time(source: CaptureSource, wall: WallClock, time_s: float) -> datetime:
    """The moment `time_s` by the clock on the wall where it was recorded; UTC where that is not known."""
    return wall.utc(time_s).astimezone(timezone(timedelta(seconds=utc_offset_s(source) or 0)))


def recorded_line(source: CaptureSource, wall: WallClock) -> str:
    """'recorded: 2026-03-01 13:00:00.120 +01:00; the logger's clock ran 34.0 ppm fast'."""
    begin = local_time(source, wall, 0.0).isoformat(" ", "milliseconds")
    line = f"recorded: {begin[:-6]} {begin[-6:]}"
    if wall.ppm is not None:
        line += f"; the logger's clock ran {abs(wall.ppm):.1f} ppm {'fast' if wall.ppm >= 0 else 'slow'}"
    steps = [f"{step.seconds:+.1f} s at {step.time_s:.0f} s" for step in wall.steps]
    return line + (f"; this computer's clock was set: {', '.join(steps)}" if steps else "")
