"""What the user marked and noted: while it was recorded, and afterwards."""

from __future__ import annotations

from daq.capture import CaptureSource
from daq.event_counts import label_of
from daq.samples import ChangeKind

Marked = tuple[float | None, str]
"""A moment (s from the first pair; None for all of the recording) and what was said of it."""


def marked_in(source: CaptureSource) -> list[Marked]:
    """Every mark and note of a recording in the order of their moments; those about all of it first."""
    found: list[Marked] = [
        (source.time_of(change.sample) if change.at_s is None else change.at_s, label_of(change))
        for change in source.changes_before(source.end + 1)
        if change.kind in (ChangeKind.MARK, ChangeKind.NOTE)
    ]
    found += [(note.at_s, note.text) for note in source.notes()]
    return sorted(found, key=lambda marked: -1.0 if marked[0] is None else marked[0])
