"""Session: owns the worker thread that turns a source into the latest Snapshot, and records it.

The worker iterates the source, puts what the user does into the same ordered log, and gives every item to
the pipeline, the recording and the trace ring. Screens pull `latest`; nothing is pushed at them. Whatever
ends the worker reaches the consumer as a value: `state` and `error`.

A recording holds the run from its beginning, however late it was asked for (see `backlog`), so that
replaying it gives the findings that were on screen.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Protocol, TypeVar

from daq.backlog import LIMIT_BYTES, Backlog
from daq.errors import CommandError, WhichsideError, WorkError
from daq.findings import Findings
from daq.picture_pace import PICTURE_EVERY_S, PicturePace
from daq.probe import Prober
from daq.samples import (
    LOGGER_AWAY,
    LOGGER_SILENT,
    OTHER_LOGGER,
    Block,
    Change,
    ChangeKind,
    DeviceInfo,
    Gap,
    Item,
    Origin,
)
from daq.snapshot import Snapshot
from daq.source import Capability, Command, SampleSource, SetBias
from daq.trace import NOTED, TraceRing

log = logging.getLogger(__name__)

OPENING_S = 3.0
"""How long making the file of a recording may take (s)."""

CLOSE_WITHIN_S = 10.0
"""How long `close` waits for the worker (s): a device may be amid its longest silence."""

T = TypeVar("T")


class Analysis(Protocol):
    """What the session needs of the pipeline."""

    def push(self, item: Item) -> None: ...
    def finish(self) -> None: ...
    def snapshot(self) -> Snapshot: ...
    def findings(self) -> Findings: ...


class Recorder(Protocol):
    """What the session needs of a capture being written; opened, used and closed by the worker alone."""

    def append(self, item: Item) -> None: ...
    def tick(self) -> None:
        """Nothing came for a while: save what waits."""
        ...

    def close(self) -> None: ...


OpenRecorder = Callable[[Path, DeviceInfo], Recorder]


class SessionState(Enum):
    RUNNING = "running"
    ENDED = "ended"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Recording:
    """The recording now: `path` is None while nothing is recorded; `error` is why the last one stopped."""

    path: Path | None = None
    since_s: float = 0.0  # moment of the run at which it begins
    saved: Path | None = None  # the last one finished
    error: WhichsideError | None = None


@dataclass(frozen=True, slots=True)
class Noted:
    """A note and the moment it speaks of, s from the first sample; None for all of the recording."""

    at_s: float | None
    text: str


class Session:
    """Start it, read `latest`, `state`, `recording` and `trace`; close it. Callable from any thread."""

    def __init__(
        self,
        source: SampleSource,
        pipeline: Analysis,
        open_recorder: OpenRecorder | None = None,
        record_to: Path | None = None,
        backlog_bytes: int = LIMIT_BYTES,
        snapshot_every_s: float = PICTURE_EVERY_S,
    ) -> None:
        self.source = source
        self.latest = pipeline.snapshot()
        self.findings: Findings | None = None  # once the run is over
        self.state = SessionState.RUNNING
        self.error: WhichsideError | None = None
        self.recording = Recording()
        self.away = False  # the logger is not there, or silent; it is waited for
        self.other = False  # while it is away another one is in its place
        self.notes: tuple[Noted, ...] = ()  # of this run, oldest first
        self._pipeline = pipeline
        self._open_recorder = open_recorder
        self._recorder: Recorder | None = None
        self._backlog = Backlog(backlog_bytes if open_recorder else 0)
        self._backlog_bytes = backlog_bytes
        self._rebase = self._backlog.origin
        self._record_to = record_to
        self._prober: Prober | None = None
        self._probes_held = False
        self._bias_lock = threading.Lock()  # what the prober asks must not overtake what the user sets
        self._ring = TraceRing()
        self._ring_lock = threading.Lock()
        self._requests: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._sample = 0  # the next unanalysed pair
        self._time_s = 0.0  # its time, gaps included
        self._stamp = time.monotonic()  # when that was so
        self._pace = PicturePace(snapshot_every_s)
        self._thread = threading.Thread(target=self._run, name="whichside-worker", daemon=True)

    def start(self) -> Session:
        self._thread.start()
        return self

    @property
    def exit_code(self) -> int:
        """What the command line should return once this session is over."""
        trouble = self.error or self.recording.error
        return trouble.exit_code if trouble else 0

    @property
    def recorder(self) -> Recorder | None:
        """What is being recorded into, to look at; None while nothing is."""
        return self._recorder

    def now_s(self) -> float:
        """This moment on the run's own clock: seconds from the first sample."""
        waited = time.monotonic() - self._stamp if self.state is SessionState.RUNNING else 0.0
        return self._time_s + max(0.0, waited)

    def recording_begun(self, within_s: float = OPENING_S) -> bool:
        """Wait until the recording asked for at the start is open; False when it could not be made."""
        deadline = time.monotonic() + within_s
        while time.monotonic() < deadline and self.recording.path is None:
            if self.error is not None or self.state is not SessionState.RUNNING:
                return False
            time.sleep(0.01)
        return True

    def change(self, kind: ChangeKind, value: str = "", at_s: float | None = None) -> None:
        """Put a user's Change into the log at the next unanalysed sample.

        A mark or a note without `at_s` is stamped with this moment. Raises CommandError after the end.
        """
        if self.state is not SessionState.RUNNING:
            raise CommandError("The run is over: nothing can be added to it. Start a new one.")
        if at_s is None and kind in (ChangeKind.MARK, ChangeKind.NOTE):
            at_s = self.now_s()
        self._requests.put(partial(self._inject, kind, value, at_s))

    def command(self, command: Command) -> None:
        """Pass a command to the device; raises CommandError when it cannot do that."""
        with self._bias_lock:
            self.source.command(command)
            if self._prober is not None and isinstance(command, SetBias):
                self._prober.stand_down(command)

    @property
    def probing(self) -> bool:
        """The whisper is away for a moment, to see whether a lead follows."""
        return self._prober is not None and self._prober.probing

    def hold_probes(self, held: bool) -> None:
        """Begin none for now: somebody watches for what moves, and a lead that nothing holds follows them."""
        self._probes_held = held

    def start_recording(self, path: Path) -> None:
        """Record the run from its beginning to `path`; trouble shows in `recording.error`."""
        self._requests.put(partial(self._begin_recording, path))

    def stop_recording(self) -> None:
        self._requests.put(self._end_recording)

    def trace(self, read: Callable[[TraceRing], T]) -> T:
        """What `read` makes of the trace ring; keep it short, the worker waits."""
        with self._ring_lock:
            return read(self._ring)

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the run's end; False when it still runs after `timeout_s`."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def close(self) -> None:
        """Stop the worker, finish the recording, close the source; idempotent."""
        self.source.close()
        if self._thread.ident is not None and not self.join(CLOSE_WITHIN_S):
            log.error("the worker did not stop within %.0f s", CLOSE_WITHIN_S)

    # The worker's own, in the order of a run.

    def _run(self) -> None:
        try:
            self._begin_recording_asked()
            if Capability.WHISPER in self.source.capabilities:
                self._prober = Prober()
            for item in self.source:  # ends after `close`, with a logger's last samples and its farewell
                self._obey()
                self._take(item)
            self._obey()
        except WhichsideError as error:
            self.error = error
        except Exception as error:  # whatever it is, the screen must learn of it
            log.exception("the worker stopped")
            self.error = WorkError(
                f"Something unexpected went wrong inside ({type(error).__name__}: {error}); what was "
                "recorded so far is kept. The log file has the details."
            )
        finally:
            self._finish()

    def _finish(self) -> None:
        self._end_recording()
        self.source.close()
        try:
            self._pipeline.finish()
            self.latest = self._pipeline.snapshot()
            self.findings = self._pipeline.findings()
        except Exception as error:
            log.exception("the analysis could not be finished")
            self.error = self.error or WorkError(f"The analysis could not be finished ({error}).")
        self.state = SessionState.FAILED if self.error else SessionState.ENDED

    def _obey(self) -> None:
        """Carry out what was asked meanwhile, in order."""
        while True:
            try:
                request = self._requests.get_nowait()
            except queue.Empty:
                return
            request()

    def _inject(self, kind: ChangeKind, value: str, at_s: float | None) -> None:
        self._take(Change(self._sample, Origin.USER, kind, value, at_s))

    def _take(self, item: Item) -> None:
        if isinstance(item, Block) and not len(item.counts):
            self._write(lambda recorder: recorder.tick())
            return
        self._pipeline.push(item)
        if isinstance(item, Change):
            self._note_change(item)
        else:
            with self._ring_lock:
                self._ring.push(item)
            self.away = self.away and isinstance(item, Gap)
            self.other = self.other and self.away
        self._write(lambda recorder: recorder.append(self._rebase(item)))
        self._backlog.append(item)
        self._advance(item)
        if isinstance(item, Change) or self._pace.due(self._time_s):
            self.refresh()
            self._probe()

    def _note_change(self, change: Change) -> None:
        if change.kind in (ChangeKind.MARK, ChangeKind.NOTE):
            later_s = 0.0 if change.at_s is None else change.at_s - self._time_s
            with self._ring_lock:
                self._ring.mark(change.value if change.kind is ChangeKind.MARK else NOTED, later_s)
        if change.kind is ChangeKind.NOTE:
            self.notes += (Noted(self._time_s if change.at_s is None else change.at_s, change.value),)
        elif change.kind is ChangeKind.DEVICE and change.value in (LOGGER_AWAY, LOGGER_SILENT, OTHER_LOGGER):
            self.away, self.other = True, change.value == OTHER_LOGGER

    def _probe(self) -> None:
        if self._probes_held and not self.probing:
            return
        with self._bias_lock:
            wanted = self._prober.next(self.latest) if self._prober is not None else None
            if wanted is not None:
                self.source.command(wanted)

    def refresh(self) -> Snapshot:
        """Make `latest` this very moment's. Only for what runs on the worker's thread, as a source does."""
        begun = time.thread_time()
        self.latest = self._pipeline.snapshot()
        self._pace.made(self._time_s, time.thread_time() - begun)
        return self.latest

    def _advance(self, item: Item) -> None:
        if isinstance(item, Change):
            return
        if isinstance(item, Block):
            self._sample = item.end
            self._time_s += len(item.counts) / item.layout.rate_hz
            self._pace.push(item, self._time_s)
        elif isinstance(item, Gap) and self._sample:
            self._time_s += item.seconds
        self._stamp = time.monotonic()

    def _begin_recording_asked(self) -> None:
        """A run that was to be recorded from the start and cannot be is not begun."""
        if self._record_to is None:
            return
        self._begin_recording(self._record_to)
        error = self.recording.error
        if error is not None:
            self.recording = Recording()
            raise error

    def _begin_recording(self, path: Path) -> None:
        if self._open_recorder is None or self._recorder is not None:
            return
        try:
            self._recorder = self._open_recorder(path, self.source.info)
            self.recording = Recording(path, self._backlog.origin.time_s)
            for item in self._backlog.items():
                self._recorder.append(item)
        except WhichsideError as error:
            self._give_up_recording(error)
            return
        self._rebase = self._backlog.origin
        self._backlog.limit_bytes = 0
        self._backlog.forget_all()

    def _write(self, what: Callable[[Recorder], None]) -> None:
        if self._recorder is None:
            return
        try:
            what(self._recorder)
        except WhichsideError as error:
            self._give_up_recording(error)

    def _end_recording(self) -> None:
        if self._recorder is None:
            return
        recorder, self._recorder = self._recorder, None
        try:
            recorder.close()
            self.recording = Recording(saved=self.recording.path)
        except WhichsideError as error:
            self.recording = Recording(error=error)
        self._backlog.limit_bytes = self._backlog_bytes

    def _give_up_recording(self, error: WhichsideError) -> None:
        """Recording failed, measuring goes on; what was written so far is closed and kept."""
        log.error("recording stopped: %s", error)
        self._end_recording()
        self.recording = replace(self.recording, error=error)
