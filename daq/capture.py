"""The capture file: one recording in one SQLite file. This is its front door.

    capture_writer   the log -> rows, on the disk every second
    capture_reader   rows -> the log again, and random access for screens (capture_view)
    capture_notes    what may be added afterwards
    capture_check    is a file whole?
    capture_salvage  what can be read of a damaged one becomes another
    capture_trim     a part of one becomes another
    capture_store    what rows mean (over capture_rows, which trusts nothing)
    capture_files    opening, locking, left-overs of a crash
    capture_schema   the tables;  codec, pyramid: the blobs

recordings/README.md describes the bytes for readers without this program.
"""

from pathlib import Path

from daq.capture_check import CheckReport, check_capture
from daq.capture_name import SUFFIX, require_capture_name
from daq.capture_notes import add_note, keep_findings
from daq.capture_reader import CaptureSource
from daq.capture_records import Anchor, Note
from daq.capture_rows import Damage
from daq.capture_salvage import Salvaged, salvage_capture
from daq.capture_store import Segment
from daq.capture_trim import trim_capture
from daq.capture_view import Overview
from daq.capture_writer import CaptureWriter, write_capture
from daq.samples import DeviceInfo


def record_to(path: Path, info: DeviceInfo) -> CaptureWriter:
    """A writer for what is measured now; raises CommandError for a name that does not fit."""
    require_capture_name(path)
    return CaptureWriter(path, info)


__all__ = [
    "SUFFIX",
    "Anchor",
    "CaptureSource",
    "CaptureWriter",
    "CheckReport",
    "Damage",
    "Note",
    "Overview",
    "Salvaged",
    "Segment",
    "add_note",
    "check_capture",
    "keep_findings",
    "record_to",
    "require_capture_name",
    "salvage_capture",
    "trim_capture",
    "write_capture",
]
