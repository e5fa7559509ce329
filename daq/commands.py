"""What each command does. Heavy packages are imported where they are used."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daq.capture_name import require_new_capture
from daq.cli import print_json, screens
from daq.errors import CommandError, DeviceError, InputError
from daq.findings import Side
from daq.source import SampleSource

if TYPE_CHECKING:
    from daq.bench_rig import Truth
    from daq.marked import Marked
    from daq.session import Session
    from daq.wall_clock import WallClock


def review(options: argparse.Namespace) -> int:
    """Findings of a recording: as a document, as lines, or on the review screen."""
    from daq.explain import explained
    from daq.recordings_in import analyse, open_recording

    screen = not options.json and not options.plain and _can_draw()
    if screen:
        return _review_on_screen(options.file, options.expect)
    source = open_recording(options.file, options.expect)
    try:
        findings = explained(analyse(source, options.expect))
        damaged = getattr(source, "damage_count", 0)
        wall = _WallTime(source)
        marked = _marked(source)
    finally:
        source.close()
    if options.json:
        from daq.findings import to_json

        print_json(wall.told_in(to_json(findings, str(options.file))))
    else:
        from daq.summary import summary

        file_line, *lines = summary(findings, str(options.file), marked)
        print("\n".join([file_line, *wall.lines, *lines]))
    if damaged:
        from daq import words

        print(words.damaged(options.file, damaged, "this is what the rest says"), file=sys.stderr)
        return InputError.exit_code
    return 0


def _marked(source: SampleSource) -> list[Marked]:
    from daq.capture import CaptureSource
    from daq.marked import marked_in

    return marked_in(source) if isinstance(source, CaptureSource) else []


class _WallTime:
    """The wall time of a capture, as far as it has one; read while it is open."""

    def __init__(self, source: SampleSource) -> None:
        from daq.capture import CaptureSource
        from daq.wall_facts import recorded_line, wall_facts

        self.lines: list[str] = []
        self._facts: dict[str, Any] = {}
        self._clock: WallClock | None = None
        if isinstance(source, CaptureSource) and (clock := source.wall_clock()) is not None:
            self._clock = clock
            self._facts = wall_facts(source, clock)
            self.lines = [recorded_line(source, clock)]

    def told_in(self, document: dict[str, Any]) -> dict[str, Any]:
        """The findings document with the wall time of the first pair and of every event."""
        if self._clock is None:
            return document
        clock = self._clock
        events = [
            {**event, "utc": clock.utc(event["t_s"]).isoformat(timespec="milliseconds")}
            for event in document["events"]
        ]
        return {**document, "events": events, "wall_clock": self._facts}


def report(options: argparse.Namespace) -> int:
    """A recording written up as one page."""
    from daq.report_command import write_report

    return write_report(options)


def _review_on_screen(path: Path, expectation: str | None) -> int:
    return int(screens().run_review(path, expectation))


def flash(options: argparse.Namespace) -> int:
    """The firmware that ships with this program goes onto a logger."""
    from daq.flash import flash_logger

    return flash_logger(options)


def ports(options: argparse.Namespace) -> int:
    """List serial ports without opening any."""
    from daq import words
    from daq.serial_port import list_ports

    found = list_ports()
    if options.json:
        print_json({"schema": 1, "ports": [port.to_json() for port in found]})
    elif found:
        for port in found:
            print(words.printable(f"{port.device}  {port.description}".rstrip()))
    else:
        print("No serial port was found. Plug the logger in; `whichside --bench list` needs none.")
    return 0


def calibrate(options: argparse.Namespace) -> int:
    """Known voltages into the logger's memory."""
    from daq.calibrate_command import calibrate as walk_through

    return walk_through(options)


def live(options: argparse.Namespace) -> int:
    """Measure now: on screen, or as lines."""
    if options.bench == "list":
        return list_benches(options.answers)
    if options.answers:
        raise CommandError("--answers goes with --bench list: it tells what the circuits really are.")
    if options.out is not None:
        require_new_capture(options.out)  # before a logger is opened for nothing
    plain = options.plain or not _can_draw()
    source = find_source(options)
    if source is None and not plain:
        return int(screens().run_start(options.expect, options.out, options.rate, options.baud))
    if source is None:
        source = only_logger()
    if plain:
        return _live_plain(source, options)
    return int(screens().run_live(source, options.expect, options.out))


def practice(options: argparse.Namespace) -> int:
    """A simulated circuit to work out by oneself."""
    if not _can_draw():
        raise CommandError(
            "practice needs a terminal to draw on; without one: whichside --bench NAME --plain."
        )
    return int(screens().run_practice(options.seed, options.rate or 4000.0))


def _can_draw() -> bool:
    """Whether there is a terminal to draw on, and keys to hear; where not, facts are printed as lines."""
    dumb = os.environ.get("TERM", "") == "dumb"
    return sys.stdout.isatty() and sys.stdin is not None and sys.stdin.isatty() and not dumb


def _live_plain(source: SampleSource, options: argparse.Namespace) -> int:
    from daq.plain import POLL_S, run_plain

    session = make_session(source, options.expect, options.out, POLL_S)
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    return run_plain(session.start(), stop=stop)


def make_session(source: SampleSource, expectation: str, out: Path | None, look_s: float) -> Session:
    """A session that is not started yet; what is expected stands in its log."""
    from daq.log_file import start_log
    from daq.pipeline import Pipeline
    from daq.recorder import LiveRecorder
    from daq.samples import ChangeKind
    from daq.session import Session

    start_log()
    session = Session(source, Pipeline(expectation), LiveRecorder, record_to=out, snapshot_every_s=look_s)
    session.change(ChangeKind.EXPECT, expectation)
    return session


def find_source(options: argparse.Namespace, turn_s: float = 0.0) -> SampleSource | None:
    """The source that the options name; None when they name none and no logger is remembered.

    A logger is listened to every `turn_s`.
    """
    if options.bench is not None:
        from daq.bench import BenchSource

        return BenchSource(options.bench, rate_hz=options.rate or 4000.0)
    if options.port is not None:
        return _serial_source(options.port, options, turn_s)
    from daq.serial_port import remembered_port

    port = remembered_port()
    if port is None:
        return None
    return _serial_source(port, options, turn_s)


def _serial_source(port: str, options: argparse.Namespace, turn_s: float) -> SampleSource:
    from daq.serial_port import SerialSource

    return SerialSource(port, rate_hz=options.rate or 4000.0, baud=options.baud, turn_s=turn_s)


def only_logger() -> SampleSource:
    raise no_logger()


NO_LOGGER = "No logger is remembered or attached: name one with --port (whichside ports lists them)."


def no_logger() -> DeviceError:
    """What is said where a logger is wanted, a bench would do, and none is named or remembered."""
    return DeviceError(
        f"{NO_LOGGER.removesuffix('.')} or try a simulated circuit with --bench (whichside --bench list)."
    )


def list_benches(answers: bool) -> int:
    """The circuits by name; what each really is only where `answers` are asked for."""
    from daq.bench import benches

    for bench in benches():
        line = f"{bench.name:16} {bench.title:38}"
        print(f"{line} {_answer(bench.truth)}" if answers else line.rstrip())
    return 0


def _answer(truth: Truth) -> str:
    from daq.words import SIDE

    control = "both leads" if truth.control_lead == "both" else f"lead {truth.control_lead}"
    fault = "" if truth.fault == "none" else f"; fault: {truth.place} {truth.fault}"
    return f"{SIDE[Side(truth.side)]}, control wire: {control}{fault}"
