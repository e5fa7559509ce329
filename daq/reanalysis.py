"""Reanalysis: a capture analysed from its beginning in a thread of its own, told about as it goes.

The file is only read. Screens pull `latest`; a hand at the keyboard comes first: `stand_back` makes the
analysis wait a moment, for two threads that compute share one interpreter.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from daq.errors import WhichsideError, WorkError
from daq.findings import Findings
from daq.pipeline import Pipeline
from daq.recordings_in import analysing
from daq.samples import Block
from daq.snapshot import Snapshot
from daq.source import SampleSource

log = logging.getLogger(__name__)

FIRST_LOOK_S, LOOK_SHARE = 0.3, 0.1
"""Findings so far are made this long (s) after the start, then with a tenth of the time: they cost more the
more was found."""

STAND_BACK_S = 0.15


@dataclass(frozen=True, slots=True)
class Progress:
    """`share` (0..1) of the recording was analysed, expecting `expectation`; the rest tells of that much.

    `damaged` counts the places that could not be read.
    """

    share: float
    expectation: str
    findings: Findings | None = None
    snapshot: Snapshot | None = None
    over: bool = False
    error: WhichsideError | None = None
    damaged: int = 0


class Reanalysis:
    """Start it, read `latest`, close it. Callable from any thread.

    Args:
        open_source: opens the recording, for this thread alone.
        end: the number of its pairs.
        expectation: in place of what the recording says; None leaves it that.
    """

    def __init__(self, open_source: Callable[[], SampleSource], end: int, expectation: str | None) -> None:
        self.latest = Progress(0.0, expectation or "")
        self._open, self._end, self._expectation = open_source, end, expectation
        self._closed = threading.Event()
        self._resume_at = 0.0
        self._thread = threading.Thread(target=self._run, name="whichside-reanalysis", daemon=True)

    def start(self) -> Reanalysis:
        self._thread.start()
        return self

    def stand_back(self, seconds: float = STAND_BACK_S) -> None:
        """Leave the processor to others for so long."""
        self._resume_at = time.monotonic() + seconds

    def close(self) -> None:
        self._closed.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        pipeline = Pipeline(self._expectation or "switching")
        try:
            source = self._open()
            try:
                self._analyse(source, pipeline)
            finally:
                source.close()
        except WhichsideError as error:
            self._fail(error)
        except Exception as error:  # whatever it is, the screen must learn of it
            log.exception("the analysis stopped")
            self._fail(WorkError(f"The analysis stopped ({type(error).__name__}): see the log file."))

    def _analyse(self, source: SampleSource, pipeline: Pipeline) -> None:
        look_at = time.monotonic() + FIRST_LOOK_S
        share = 0.0
        for item in analysing(source, pipeline, self._expectation):
            while not self._closed.is_set() and (wait_s := self._resume_at - time.monotonic()) > 0:
                self._closed.wait(wait_s)
            if self._closed.is_set():
                return
            if isinstance(item, Block):
                share = min(1.0, item.end / max(1, self._end))
            begun = time.monotonic()
            if begun >= look_at:
                self.latest = _progress(share, pipeline, source)
                spent_s = time.monotonic() - begun
                look_at = begun + max(FIRST_LOOK_S, spent_s / LOOK_SHARE)
        self.latest = replace(_progress(1.0, pipeline, source), over=True)

    def _fail(self, error: WhichsideError) -> None:
        self.latest = replace(self.latest, over=True, error=error)


def _progress(share: float, pipeline: Pipeline, source: SampleSource) -> Progress:
    damaged = getattr(source, "damage_count", 0)
    return Progress(share, pipeline.expectation, pipeline.findings(), pipeline.snapshot(), damaged=damaged)
