"""A finished capture of a log that was not taken now: imports, parts and repaired copies."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from daq.capture_records import Note
from daq.capture_writer import CaptureWriter
from daq.errors import WorkError
from daq.new_file import appearing
from daq.samples import DeviceInfo, Item
from daq.wall_clock import ClockPoint


@dataclass(frozen=True, slots=True)
class Heritage:
    """What a capture made from another takes over beside the log.

    `facts` are names and values for meta; `clock` are in order, in the new capture's time.
    """

    facts: Mapping[str, str] = field(default_factory=dict)
    clock: Sequence[ClockPoint] = ()
    notes: Sequence[Note] = ()


def write_capture(
    path: Path | str, items: Iterable[Item], info: DeviceInfo, heritage: Heritage = Heritage()
) -> None:
    """A finished capture of a log that was not taken now (an import, a trimmed recording).

    Where `items` or the disk fails, no half capture is left: what it was made from is still there. Raises
    WorkError where `path` exists or cannot be made.
    """
    path = Path(path)
    with appearing(path) as aside:
        try:
            _write_whole(aside, items, info, heritage)
        except WorkError as error:
            reason = error.__cause__ or "nearly full"
            raise WorkError(
                f"{path} cannot be written ({reason}): make room or choose another disk; nothing is left "
                "of it."
            ) from error


def _write_whole(path: Path, items: Iterable[Item], info: DeviceInfo, heritage: Heritage) -> None:
    writer = CaptureWriter(path, info, utc=None, facts=heritage.facts)
    points = deque(heritage.clock)
    try:
        for item in items:
            writer.append(item)
            while points and writer.has_come_to(points[0].time_s):
                writer.add_clock(points.popleft())
        for note in heritage.notes:
            writer.add_note(note)
        writer.close()
    except BaseException:
        with suppress(WorkError):
            writer.close(complete=False)
        raise
