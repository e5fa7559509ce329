"""The capture file: one recording in one SQLite file. This is its front door.

    capture_writer   the log -> rows, on the disk every second
    capture_make     a finished file of a log that was not taken now
    capture_reader   rows -> the log again, and random access for screens (capture_view)
    capture_notes    what may be added afterwards
    capture_check    is a file whole?
    capture_found    its sound rows, found page by page
    capture_salvage  what can be read of a damaged one becomes another
    capture_trim     a part of one becomes another
    capture_store    what rows mean (over capture_rows, which trusts nothing)
    capture_files    opening, locking, left-overs of a crash
    capture_schema   the tables;  codec, pyramid: the blobs

recordings/README.md describes the bytes for readers without this program.
"""

from daq.capture_check import CheckReport, check_capture
from daq.capture_make import write_capture
from daq.capture_name import SUFFIX, require_capture_name
from daq.capture_notes import add_note, keep_findings
from daq.capture_reader import CaptureSource
from daq.capture_records import Anchor, Note
from daq.capture_rows import Damage
from daq.capture_salvage import Salvaged, salvage_capture
from daq.capture_store import Segment
from daq.capture_trim import trim_capture
from daq.capture_view import Overview
from daq.capture_writer import CaptureWriter

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
    "require_capture_name",
    "salvage_capture",
    "trim_capture",
    "write_capture",
]
