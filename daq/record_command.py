"""What `record` does: measure into a capture without a screen, a line a minute on standard output."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from daq import event_lines, words
from daq.capture_name import require_new_capture
from daq.cli import new_capture_name
from daq.commands import find_source, list_benches, make_session, only_logger
from daq.disk_room import Room, forecast

if TYPE_CHECKING:
    from daq.session import Session
    from daq.snapshot import Snapshot

STATUS_EVERY_S = 60.0
LISTEN_S = 0.1  # how often what the logger sent is taken: nobody waits for it
LOOK_S = 0.2  # how often the recording is looked at
PICTURE_S = 1.0  # age of what a line says, at most: nobody looks at more of it
AWAKE_SAID_S = 1.0  # what holds off sleep takes a moment to be refused


def record(options: argparse.Namespace) -> int:
    """Measure into a capture until the time is over, the logger is lost for good, or someone stops it."""
    if options.bench == "list":
        return list_benches(answers=False)
    path = options.out or new_capture_name(Path.cwd())
    require_new_capture(path)  # before a logger is opened for nothing
    source = find_source(options, LISTEN_S) or only_logger()
    _warn_of_room(path, options)
    session = make_session(source, options.expect, path, PICTURE_S)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    begin = time.monotonic()
    session.start()
    if session.recording_begun():
        _say(f"recording to {path}; Ctrl-C stops")
        if source.info.nominal:
            _say(words.NOT_CALIBRATED)
        _watch(session, stop, options.duration_s)
    session.close()
    for trouble in (session.error, session.recording.error):
        if trouble is not None:
            print(f"whichside: {trouble}", file=sys.stderr)
    if session.recording.saved is not None:
        _say(f"saved {session.recording.saved} ({time.monotonic() - begin:.0f} s)")
    return session.exit_code


def _watch(session: Session, stop: threading.Event, duration_s: float | None) -> None:
    """Until the end: a line whether sleep is held off, when the logger goes or is back, and one a minute."""
    from daq.plain import BACK
    from daq.recorder import LiveRecorder
    from daq.session import SessionState

    begin = shown = time.monotonic()
    awake_said, away = False, (False, False)
    while session.state is SessionState.RUNNING and not stop.wait(LOOK_S):
        now = time.monotonic()
        if session.recording.error is not None:
            return
        if duration_s is not None and session.now_s() >= duration_s:
            return
        recorder = session.recorder
        if isinstance(recorder, LiveRecorder) and not awake_said and now - begin >= AWAKE_SAID_S:
            awake_said = True
            _say(awake_line(recorder.awake.held))
        if (session.away, session.other) != away:
            away = session.away, session.other
            _say(f"{words.away(session.other)}; recording goes on" if session.away else BACK)
        if now - shown >= STATUS_EVERY_S:
            shown = now
            room = recorder.room if isinstance(recorder, LiveRecorder) else None
            _say(status_line(datetime.now(), session.latest, session.away, room))


def _say(line: str) -> None:
    """To whoever listens: a recording goes on when nobody does any more."""
    from daq.plain import mute

    try:
        print(line, flush=True)
    except BrokenPipeError:
        mute(sys.stdout)


def _warn_of_room(path: Path, options: argparse.Namespace) -> None:
    """Before it begins: how long the disk lasts at least, and whether that is enough."""
    room = forecast(path, options.rate or 4000.0)
    if room is None:
        return
    _say(f"the disk lasts for {words.lasting(room.left_s, least=True)}")
    if options.duration_s is not None and room.left_s < options.duration_s:
        print(
            f"whichside: the disk may last for only {words.lasting(room.left_s)} of the "
            f"{words.duration(options.duration_s)} asked for; when it is nearly full the recording stops "
            "with everything kept. Make room, or record elsewhere.",
            file=sys.stderr,
        )


def status_line(now: datetime, latest: Snapshot, away: bool, room: Room | None) -> str:
    """'14:03  12 min 00 s: 34 edges, 2 events, nothing lost; the disk lasts for 37 h 10 min; feed dropout: 2,
    longest 12 ms, last 72 s ago'; last of all, what tells most of when the events come."""
    found = [f"{latest.edge_count} edges", f"{latest.event_count} events"]
    parts = [*found, words.losses(latest.losses, brief=True), *(["THE LOGGER IS AWAY"] if away else [])]
    disk = [] if room is None else [f"the disk lasts for {words.lasting(room.left_s)}"]
    kinds = [event_lines.kind_line(kind, latest.time_s) for kind in latest.summary.kinds]
    whole = [", ".join(parts), *disk, *kinds, *event_lines.telling_lines(latest.summary)[:1]]
    return f"{now:%H:%M}  {words.duration(latest.time_s)}: {'; '.join(whole)}"


def awake_line(held: bool) -> str:
    if held:
        return "the computer is kept awake meanwhile"
    return "sleep cannot be held off here: see to it that the computer stays awake, lid open, on its supply"
