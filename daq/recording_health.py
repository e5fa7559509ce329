"""How a recording fares: is it on the disk, and for how long will the disk last."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from daq import words
from daq.capture_writer import CaptureWriter
from daq.disk_room import size_bytes
from daq.recorder import LiveRecorder
from daq.session import Session

LATE_S = 3.0
"""A commit comes every second and takes a moment; this much not yet on the disk is unusual."""


@dataclass(frozen=True, slots=True)
class Health:
    """The recording now.

    Attributes:
        size_bytes: of the file and of what waits beside it.
        recorded_s: how long it is.
        waiting_s: the newest part of it that is not on the disk yet; None where it cannot be told.
        left_s: how long the disk lasts at this pace; None where it cannot be told.
        awake: whether sleep is held off; None where nothing tells.
    """

    path: Path
    size_bytes: int
    recorded_s: float
    waiting_s: float | None
    left_s: float | None
    awake: bool | None

    @property
    def late(self) -> bool:
        return self.waiting_s is not None and self.waiting_s > LATE_S

    @property
    def line(self) -> str:
        """'run.whichside · 12.3 MB · on the disk but for the last 1 s · the disk lasts for 37 h'; what
        is wrong comes first, for a narrow screen cuts the end."""
        parts = ["sleep is not held off"] if self.awake is False else []
        parts += [words.printable(self.path.name, 60), words.size(self.size_bytes)]
        if self.waiting_s is not None:
            parts.append(f"on the disk but for the last {self.waiting_s:.0f} s")
        if self.left_s is not None:
            parts.append(f"the disk lasts for {words.lasting(self.left_s)}")
        return " · ".join(parts)


def health(session: Session) -> Health | None:
    """None while nothing is recorded. For any thread: it only looks at what the worker keeps up to date."""
    path, recorder = session.recording.path, session.recorder
    if path is None:
        return None
    recorded_s = max(0.0, session.latest.time_s - session.recording.since_s)
    writer = recorder if isinstance(recorder, CaptureWriter) else None
    return Health(
        path=path,
        size_bytes=size_bytes(path),
        recorded_s=recorded_s,
        waiting_s=None if writer is None else max(0.0, recorded_s - writer.saved_s),
        left_s=None if writer is None or writer.room is None else writer.room.left_s,
        awake=recorder.awake.held if isinstance(recorder, LiveRecorder) else None,
    )
