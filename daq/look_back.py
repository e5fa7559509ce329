"""LookBack: a whole recording to be looked at from a screen: drawn, measured, analysed again.

A text file becomes a capture in a private place for as long as it is looked at, so that both are looked at
in one way. Nothing here writes to the recording.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from daq.capture import CaptureSource, write_capture
from daq.capture_name import SUFFIX
from daq.findings import Event, Findings
from daq.level_histogram import OnLevels, on_levels, on_times, steadily, within
from daq.reanalysis import Progress, Reanalysis
from daq.recordings_in import open_recording
from daq.samples import ChangeKind
from daq.span import MeasuredSpan, measure
from daq.time_picture import TimePicture, pair_at, volts_of
from daq.time_window import TimeWindow
from daq.trace import Columns
from daq.wall_clock import WallClock

LEAST_PAIRS = 16
"""The closest look: this many pairs across the picture."""

EVENT_WIDTHS, LEAST_EVENT_S = 8.0, 0.02
"""An event is shown in a window this many times as long, and at least so long (s)."""

LEAST_BEFORE_S, MOST_BEFORE_S = 0.005, 1.0
"""How much of the time before an event is measured (s)."""

NOTE = "note"


class LookBack:
    """Raises InputError or WorkError where `path` cannot be opened. Use from one thread; close it.

    Attributes:
        named: the recording as the user named it.
        told: the expectation in place of what the recording says; None leaves it that.
        source: its capture (of a text file, a private copy).
    """

    def __init__(self, path: Path, expectation: str | None = None) -> None:
        self.named = path
        self.told = expectation
        self._private: tempfile.TemporaryDirectory[str] | None = None
        self._file = path
        opened = open_recording(path, expectation)
        if isinstance(opened, CaptureSource):
            self.source = opened
        else:
            self._private = tempfile.TemporaryDirectory(prefix="whichside-")
            self._file = Path(self._private.name) / f"text{SUFFIX}"
            write_capture(self._file, opened, opened.info)
            self.source = CaptureSource(self._file)
        self.analysis = Reanalysis(self._reopened, self.source.end, expectation)
        self._marks = self._found_marks()
        self._picture = TimePicture(self.source, self._marks)
        self._wall_clock: WallClock | None = None  # found by the analysis's thread: it takes a while

    def close(self) -> None:
        self.analysis.close()
        self.source.close()
        if self._private is not None:
            self._private.cleanup()

    @property
    def is_text(self) -> bool:
        return self._private is not None

    @property
    def whole(self) -> TimeWindow:
        return TimeWindow.of(self.source.duration_s, LEAST_PAIRS / max(self.rate_hz, 1.0))

    @property
    def rate_hz(self) -> float:
        """The fastest rate in the recording, pairs a second."""
        return max((segment.layout.rate_hz for segment in self.source.segments()), default=0.0)

    # Looking

    def columns(self, window: TimeWindow, columns: int) -> Columns:
        return self._picture.columns(window.begin_s, window.end_s, columns)

    def reading(self, at_s: float) -> tuple[float, float] | None:
        """Volts of both leads at a moment; None where there is no sample."""
        pair = pair_at(self.source, at_s)
        return None if pair is None else volts_of(self.source, pair)

    def measure(self, one_s: float, other_s: float) -> MeasuredSpan:
        return measure(self.source, one_s, other_s)

    def on_levels(self, findings: Findings, window: TimeWindow, bars: int) -> OnLevels:
        """What the leads read while the load was steadily on, within a window."""
        times = on_times(findings.initial_state, findings.edges, findings.duration_s)
        seen = within(steadily(times, findings.events), window.begin_s, window.end_s)
        return on_levels(self.source, seen, bars)

    def levels(self, event: Event) -> tuple[MeasuredSpan, MeasuredSpan]:
        """Both leads before an event (as long as it lasts, at most) and in it."""
        before_s = min(max(event.duration_s, LEAST_BEFORE_S), MOST_BEFORE_S)
        start_s = event.t_s - 1.0 / max(self.rate_hz, 1.0)  # its first crossing lies between two pairs
        end_s = event.t_s + event.duration_s
        return self.measure(start_s - before_s, start_s), self.measure(event.t_s, end_s)

    def around(self, event: Event) -> TimeWindow:
        """The window that shows an event, with what came before and after."""
        width_s = max(EVENT_WIDTHS * event.duration_s, LEAST_EVENT_S)
        return self.whole.around(event.t_s + event.duration_s / 2, width_s)

    def from_start(self, event: Event, width_s: float) -> TimeWindow:
        """`width_s` in which the event starts after a quarter, inside the recording or not."""
        whole = self.whole
        begin_s = event.t_s - width_s / 4
        return TimeWindow(begin_s, begin_s + width_s, whole.whole_s, whole.least_s)

    def wall_time(self, at_s: float) -> datetime | None:
        """Local time of a moment; None where no clock was noted, or not yet."""
        return None if self._wall_clock is None else self._wall_clock.utc(at_s).astimezone()

    # Analysing

    @property
    def progress(self) -> Progress:
        return self.analysis.latest

    def expect(self, expectation: str) -> None:
        """Analyse anew, expecting something else; the recording stays as it is."""
        self.analysis.close()
        self.told = expectation
        self.analysis = Reanalysis(self._reopened, self.source.end, expectation).start()

    def _reopened(self) -> CaptureSource:
        source = CaptureSource(self._file)
        self._wall_clock = self._wall_clock or source.wall_clock()
        return source

    # What was marked

    def add_marks(self, later: Sequence[tuple[float, str]]) -> None:
        """Draw these marks too, as made after the recording."""
        self._picture = TimePicture(self.source, [*self._marks, *later])

    def _found_marks(self) -> list[tuple[float, str]]:
        marks = []
        for change in self.source.changes_before(self.source.end + 1):
            if change.kind in (ChangeKind.MARK, ChangeKind.NOTE):
                at_s = self.source.time_of(change.sample) if change.at_s is None else change.at_s
                marks.append((at_s, change.value if change.kind is ChangeKind.MARK else NOTE))
        return marks
