"""What the command line calls: run a screen to its end and return the exit code."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from textual.screen import Screen

from daq import words
from daq.capture import SUFFIX, CaptureSource, add_note
from daq.cli import BAUDS, new_capture_name
from daq.errors import InputError
from daq.log_file import start_log
from daq.look_back import LookBack
from daq.pipeline import Pipeline
from daq.recorder import LiveRecorder
from daq.recordings_in import open_recording
from daq.replay import Replay
from daq.samples import ChangeKind
from daq.sampling_plan import DEFAULT_RATE_HZ
from daq.session import Noted, Session
from daq.source import Capability, SampleSource
from tui.app import WhichsideApp
from tui.bench import BenchScreen
from tui.live import LiveScreen
from tui.look_back import LookBackScreen
from tui.practice import PracticeScreen
from tui.review import Play, ReviewScreen
from tui.start import Choice, Shelf, StartScreen


def run_live(source: SampleSource, expectation: str = "switching", out: Path | None = None) -> int:
    """Measure on screen; `out` records the whole run. Returns the exit code."""
    start_log()
    session = _session(source, expectation, out)
    if out is not None and not session.recording_begun():
        return outcome(session)
    return _run(_live_screen(session), session)


def run_practice(seed: int | None, rate_hz: float) -> int:
    """A circuit of the bench that is not told; see `PracticeScreen`."""
    from daq.bench import BenchSource, benches
    from daq.practice import drawn

    start_log()
    source = BenchSource(drawn(benches(), seed).name, rate_hz)
    session = _session(source, "switching", None)
    screen = PracticeScreen(session, lambda: new_capture_name(Path.cwd()), source.circuit, source)
    return _run(screen, session)


def run_review(path: Path, expectation: str | None = None) -> int:
    """Look back on a capture or a text file; raises InputError before any screen is shown."""
    start_log()
    screen = _review_screen(path, expectation)
    return _run(screen, None) or _looked(screen.look)


def _looked(look: LookBack) -> int:
    """Say what went wrong, and give the exit code."""
    error, damaged = look.progress.error, look.progress.damaged
    if error is not None:
        print(f"whichside: {words.printable(str(error), 500)}", file=sys.stderr)
        return error.exit_code
    if damaged:
        print(words.damaged(look.named, damaged, "the rest was shown"), file=sys.stderr)
    return InputError.exit_code if damaged else 0


def run_start(
    expectation: str = "switching",
    out: Path | None = None,
    rate_hz: float | None = None,
    baud: int = BAUDS[0],
) -> int:
    """List what can be opened; `out` records what is measured first."""
    rate_hz = rate_hz or DEFAULT_RATE_HZ
    start_log()
    opened: list[Session] = []

    def live(source: SampleSource) -> Screen[None]:
        begun = any(session.recording.path == out or session.recording.saved == out for session in opened)
        opened.append(_session(source, expectation, None if begun else out))
        return _live_screen(opened[-1])

    code = _run(StartScreen([_loggers(live, rate_hz, baud), _benches(live, rate_hz), _captures()]), None)
    return code or max((outcome(session) for session in opened), default=0)


def outcome(session: Session) -> int:
    """Close the session, say what went wrong or was saved, and give the exit code."""
    session.close()
    for trouble in (session.error, session.recording.error):
        if trouble is not None:
            print(f"whichside: {words.printable(str(trouble), 500)}", file=sys.stderr)
    if session.recording.saved is not None:
        print(f"saved {session.recording.saved}", file=sys.stderr)
    return session.exit_code


def _run(screen: Screen[None], session: Session | None) -> int:
    app = WhichsideApp(screen)
    app.run()
    code = app.return_code or 0
    return code if session is None else code or outcome(session)


def _session(source: SampleSource, expectation: str, out: Path | None) -> Session:
    session = Session(source, Pipeline(expectation), LiveRecorder, record_to=out)
    session.change(ChangeKind.EXPECT, expectation)  # the first word of its log
    return session.start()


def _live_screen(session: Session) -> Screen[None]:
    def new_capture() -> Path:
        return new_capture_name(Path.cwd())

    if Capability.OPERATE in session.source.capabilities:
        from daq.bench import BenchSource

        bench = session.source
        assert isinstance(bench, BenchSource)
        circuit = bench.circuit
        return BenchScreen(session, new_capture, circuit.controls, circuit.start, bench)
    return LiveScreen(session, new_capture)


class _Expecting(Pipeline):
    """A pipeline told on the command line what to expect, whatever the recording says."""

    def __init__(self, expectation: str) -> None:
        super().__init__(expectation)
        self._told = expectation

    def push(self, item: object) -> None:
        super().push(item)  # type: ignore[arg-type]
        self.expect(self._told)


class _CaptureNotes:
    """The notes that a capture file carries beside its recording."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def add(self, text: str, at_s: float) -> None:
        add_note(self._path, text, at_s)

    def notes(self) -> Sequence[Noted]:
        with CaptureSource(self._path) as source:
            return [Noted(note.at_s, note.text) for note in source.notes()]


def _review_screen(path: Path, expectation: str | None) -> LookBackScreen:
    notebook = _notebook(path)
    look = LookBack(path, expectation)
    return LookBackScreen(look, lambda at_s: _replay_screen(path, look.told, at_s), notebook)


def _replay_screen(path: Path, expectation: str | None, begin_s: float) -> ReviewScreen:
    return ReviewScreen(lambda at_s: _play(path, expectation, at_s), _notebook(path), begin_s)


def _notebook(path: Path) -> _CaptureNotes | None:
    return _CaptureNotes(path) if path.suffix == SUFFIX else None


def _play(path: Path, expectation: str | None, begin_s: float) -> Play:
    pipeline = _Expecting(expectation) if expectation else Pipeline()
    # The replay runs on the session's worker, so it may look at this very moment.
    source = open_recording(path, expectation)
    replay = Replay(source, lambda: session.refresh().edge_count, begin_s=begin_s)
    session = Session(replay, pipeline)
    return session.start(), replay


def _loggers(live: Callable[[SampleSource], Screen[None]], rate_hz: float, baud: int) -> Shelf:
    def find() -> Sequence[Choice]:
        from daq.serial_port import PortInfo, SerialSource, list_ports

        def choice(port: PortInfo) -> Choice:
            # A logger is on a USB adapter; what hangs on a bare port is not opened by a stray Enter.
            likely = port.usb is not None
            return Choice(
                port.device, port.description, lambda: live(SerialSource(port.device, rate_hz, baud)), likely
            )

        return [choice(port) for port in list_ports()]

    return Shelf("LOGGER, on one of these ports", find, "no serial port found; plug the logger in, then l")


def _benches(live: Callable[[SampleSource], Screen[None]], rate_hz: float) -> Shelf:
    def find() -> Sequence[Choice]:
        from daq.bench import BenchSource, benches

        def choice(name: str, title: str) -> Choice:
            return Choice(name, title, lambda: live(BenchSource(name, rate_hz)))

        return [choice(bench.name, bench.title) for bench in benches()]

    return Shelf("BENCHES, simulated: to try and to practise", find, "none")


def _captures() -> Shelf:
    def find() -> Sequence[Choice]:
        return [_capture(path) for folder in _folders() for path in _newest_first(folder)]

    return Shelf("CAPTURES, to replay", find, f"no {SUFFIX} file in this folder")


def _folders() -> list[Path]:
    """Where captures are looked for: here, and the samples that come with the program."""
    program = Path(__file__).parent.parent
    samples = program / "daq" / "recordings"
    if not samples.is_dir():  # run from a checkout
        samples = program / "recordings"
    return list(dict.fromkeys([Path.cwd(), samples]))


def _newest_first(folder: Path) -> list[Path]:
    found = [(path.stat().st_mtime, path) for path in folder.glob(f"*{SUFFIX}")]
    return [path for _, path in sorted(found, reverse=True)]


def _capture(path: Path) -> Choice:
    status = path.stat()
    when = datetime.fromtimestamp(status.st_mtime).astimezone().strftime("%Y-%m-%d %H:%M")

    about = f"{when}, {max(1, status.st_size // 1024)} kB"
    return Choice(path.name, about, lambda: _review_screen(path, None), walks=False)
